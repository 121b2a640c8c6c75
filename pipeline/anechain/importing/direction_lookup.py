"""Direction of each file of a device, by the pattern or the manifest in its options."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from anechain.errors import InputError, Problem
from anechain.importing.direction_manifest import directions_of_manifest
from anechain.importing.direction_names import Direction, direction_of_name
from anechain.importing.direction_options import NamingOptions
from anechain.regular_files import require_regular_file

__all__ = ["directions_of_files", "without_manifest"]


def directions_of_files(
    files: Mapping[str, Path], folder: Path, options: NamingOptions
) -> tuple[dict[str, Direction], list[Problem]]:
    """Return the direction of each file.

    Parameters
    ----------
    files : mapping of str to Path
        By their labels in messages; without the manifest.
    folder : Path
        Folder that the path of the manifest is relative to.
    options : NamingOptions
        With a pattern or a manifest.

    Returns
    -------
    directions : dict of str to Direction
        By label.
    problems : list of Problem
        One for each file whose direction cannot be determined, or for the manifest.
    """
    if options.manifest is not None:
        where = options.manifest.name
        try:
            manifest = _manifest_path(options.manifest, folder)
            require_regular_file(manifest)
            text = manifest.read_text(encoding="utf-8-sig")
        except OSError as error:
            return {}, [Problem(where, f"cannot be read: {error.strerror}", "a readable file", "check that it exists")]
        except UnicodeDecodeError:
            return {}, [Problem(where, "is not text in UTF-8", "a table in UTF-8", "save it as UTF-8")]
        return directions_of_manifest(text, where, files, options)
    directions: dict[str, Direction] = {}
    problems: list[Problem] = []
    for label, path in files.items():
        try:
            directions[label] = direction_of_name(path, label, options)
        except InputError as input_error:
            problems.extend(input_error.problems)
    return directions, problems


def without_manifest(files: Mapping[str, Path], folder: Path, options: NamingOptions) -> dict[str, Path]:
    """Return the files without the manifest, which may be one of the raw files."""
    if options.manifest is None:
        return dict(files)
    manifest = _manifest_path(options.manifest, folder)
    return {label: path for label, path in files.items() if path != manifest}


def _manifest_path(manifest: Path, folder: Path) -> Path:
    return Path(os.path.abspath(folder / manifest))  # noqa: PTH100 - links are not resolved
