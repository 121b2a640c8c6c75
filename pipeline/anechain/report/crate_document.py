"""The metadata document of an RO-Crate: write it, read times and files from it, and move the crate's root."""

from __future__ import annotations

import json
import mimetypes
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

__all__ = [
    "CRATE_NAME",
    "RUN_ID",
    "WORKFLOW_FOLDER",
    "crate_bytes",
    "external_files",
    "external_id",
    "media_type",
    "move_root",
    "run_times",
]

CRATE_NAME = "ro-crate-metadata.json"
"""Name of the document at the crate's root, from the specification."""
WORKFLOW_FOLDER = "workflow"
"""Folder of the crate with the workflow that was run."""
RUN_ID = "#run"
"""Identifier of the run."""

_MEDIA_TYPES = {
    ".nc": "application/x-netcdf",
    ".sofa": "application/x-netcdf",
    ".yaml": "application/yaml",
    ".json": "application/json",
    ".csv": "text/csv",
    ".txt": "text/plain",
    ".py": "text/x-python",
    ".svg": "image/svg+xml",
}


def media_type(path: str) -> str:
    """Return the media type of a file by the ending of its name."""
    known = _MEDIA_TYPES.get(Path(path).suffix.lower())
    return known or mimetypes.guess_type(path)[0] or "application/octet-stream"


def external_id(path: str) -> str:
    """Return the identifier of a file of the campaign's folder that is not in the crate."""
    return "#" + quote(path)


def crate_bytes(document: Mapping[str, Any]) -> bytes:
    """Return a metadata document as JSON: the same document always has the same bytes."""
    return json.dumps(document, indent=1, sort_keys=True, ensure_ascii=False).encode() + b"\n"


def run_times(document: Mapping[str, Any]) -> tuple[str | None, str] | None:
    """Return the start and end of the run that a crate describes; None if Anechain did not write it."""
    graph = document.get("@graph")
    for entity in graph if isinstance(graph, list) else ():
        if isinstance(entity, dict) and entity.get("@id") == RUN_ID:
            started, ended = entity.get("startTime"), entity.get("endTime")
            if isinstance(ended, str) and isinstance(started, str | None):
                return started, ended
    return None


def external_files(document: Mapping[str, Any]) -> dict[str, tuple[str, int]]:
    """Return the path, SHA-256 and size of files that a crate describes but does not contain."""
    return {
        entity["name"]: (entity["sha256"], int(entity["contentSize"]))
        for entity in document["@graph"]
        if entity["@id"].startswith("#") and entity["@type"] == "File"
    }


def move_root(
    document: Mapping[str, Any], old_root: str, included: Iterable[str], added: Mapping[str, str]
) -> dict[str, Any]:
    """Return the metadata document for a root further up, so that more files are in the crate.

    Parameters
    ----------
    document : mapping
        The metadata document of the old root.
    old_root : str
        Path of the old root relative to the new one, such as "results".
    included : iterable of str
        Paths, relative to the new root, of described files that are in the crate from now on.
    added : mapping of str to str
        Paths of further files of the new root, and their descriptions.

    Returns
    -------
    dict
        The metadata document of the new root.
    """
    graph = document["@graph"]
    root = next(entity for entity in graph if entity["@id"] == "./")
    parts = [part["@id"] for part in root["hasPart"]]
    included_ids = {external_id(path): quote(path) for path in included}
    new_ids = {id_: f"{quote(old_root)}/{id_}" for id_ in parts if "://" not in id_} | included_ids
    entities = [_with_new_ids(entity, new_ids) for entity in graph]
    for entity in entities:
        if entity["@id"] == "./":
            entity["hasPart"] += [{"@id": id_} for id_ in (*included_ids.values(), *map(quote, added))]
    for path, description in added.items():
        encoding = _MEDIA_TYPES.get(Path(path).suffix.lower(), "text/plain")
        entities.append(
            {"@id": quote(path), "@type": "File", "name": path, "description": description, "encodingFormat": encoding}
        )
    return {"@context": document["@context"], "@graph": entities}


def _with_new_ids(value: Any, new_ids: Mapping[str, str]) -> Any:
    """Return a JSON value with new identifiers wherever it names one of the old ones."""
    if isinstance(value, list):
        return [_with_new_ids(item, new_ids) for item in value]
    if isinstance(value, dict):
        return {
            key: new_ids.get(item, item) if key == "@id" else _with_new_ids(item, new_ids)
            for key, item in value.items()
        }
    return value
