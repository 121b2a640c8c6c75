"""Versions of software, stages, methods and importers that two results were made with, and which of them differ."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from pathlib import Path

from anechain.data.store import check_receipt
from anechain.errors import InputError

__all__ = ["version_changes"]


def version_changes(before: Path, after: Path, names: Collection[str]) -> Iterator[str]:
    """Yield what differs, such as "numpy was 1.26, is 2.1", between the receipts of outputs in two results folders."""
    old, new = _versions(before, names), _versions(after, names)
    for name in sorted(old.keys() & new.keys()):
        if old[name] != new[name]:
            yield f"{name} was {', '.join(sorted(old[name]))}, is {', '.join(sorted(new[name]))}"


def _versions(results: Path, names: Collection[str]) -> dict[str, set[str]]:
    """Return the versions in the receipts of some outputs by what they belong to."""
    versions: dict[str, set[str]] = {}
    for name in names:
        try:
            receipt = check_receipt(results / name).receipt
        except InputError:
            continue
        for step in (receipt or {"steps": {}})["steps"].values():
            used = dict(step["software"])
            used[f"stage {step['method']}"] = str(step["version"])
            methods = step["parameters"].get("methods")
            if isinstance(methods, dict):
                used |= {f"method {method}": str(version) for method, version in methods.items()}
            if "importer_version" in step["parameters"]:
                importer = step["parameters"].get("importer")
                used[f"importer {importer}"] = str(step["parameters"]["importer_version"])
            for item, version in used.items():
                versions.setdefault(item, set()).add(version)
    return versions
