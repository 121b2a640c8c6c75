"""Names and lists that every bundle has."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from anechain.audit.archive import name_problem

__all__ = ["FACTS", "FILES", "FORMAT", "RAW_FILES", "README", "SCRIPT", "SOFTWARE", "hash_list", "read_hash_list"]

FORMAT = 1
"""Version of the layout."""
README = "README.txt"
SCRIPT = "recompute.py"
"""Script that recomputes the results."""
FACTS = "bundle.json"
"""File that identifies a bundle: its format, and the versions of the software and of Python."""
FILES = "files.sha256"
"""List of the hashes of all other files."""
RAW_FILES = "raw-files.sha256"
"""List of the hashes of raw files that the bundle does not contain."""
SOFTWARE = "software"
"""Folder of the software."""


def hash_list(hashes: Mapping[str, str]) -> bytes:
    """Return a list of hashes by path, as `sha256sum --check` reads it."""
    return "".join(f"{sha256}  {name}\n" for name, sha256 in sorted(hashes.items())).encode()


def read_hash_list(path: Path) -> dict[str, str]:
    """Return the hashes of a list by path; ValueError if it is not such a list."""
    hashes = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        sha256, gap, name = line.partition("  ")
        if len(sha256) != 64 or not gap or name_problem(name):
            raise ValueError(f"{path.name}: not a list of hashes")
        hashes[name] = sha256
    return hashes
