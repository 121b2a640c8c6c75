"""An unpacked bundle: recognise it, and check it against its own lists of hashes."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from anechain.audit.archive import extract
from anechain.audit.bundle_layout import FACTS, FILES, FORMAT, RAW_FILES, read_hash_list
from anechain.data.store import sha256_file
from anechain.errors import InputError, Problem

__all__ = ["check_folder", "is_archive", "is_bundle", "unpacked"]


@contextmanager
def unpacked(path: Path) -> Iterator[Path]:
    """Unpack a bundle into a temporary folder and check it against its list of hashes.

    Parameters
    ----------
    path : Path
        The archive.

    Yields
    ------
    Path
        The folder, which is removed afterwards. It does not have the raw files that the bundle leaves out: see
        :func:`check_folder`.

    Raises
    ------
    InputError
        If it is not a bundle, or any bit of it was changed.
    """
    with tempfile.TemporaryDirectory(prefix="anechain-") as temporary:
        folder = Path(temporary) / path.stem
        folder.mkdir()
        names = extract(path, folder)
        problems, _ = check_folder(folder)
        listed = {*read_hash_list(folder / FILES), FILES}
        problems += [
            Problem(name, "is in the archive, but not in its list of files") for name in names if name not in listed
        ]
        if problems:
            raise InputError(problems)
        yield folder


def is_archive(path: Path) -> bool:
    """Return whether a path is a ZIP file, by its first bytes."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(4) in (b"PK\x03\x04", b"PK\x05\x06")


def is_bundle(folder: Path) -> bool:
    """Return whether a folder is an unpacked bundle."""
    return (folder / FACTS).is_file() and (folder / FILES).is_file()


def check_folder(folder: Path) -> tuple[list[Problem], list[Problem]]:
    """Check an unpacked bundle against its lists of hashes.

    Returns
    -------
    altered : list of Problem
        Files that are not as they were bundled.
    missing : list of Problem
        Raw files that the bundle leaves out and that are not in the folder yet, or are not the right ones.

    Raises
    ------
    InputError
        If it is not a bundle, or has a format that this version does not know.
    """
    try:
        facts = json.loads((folder / FACTS).read_bytes())
        files = read_hash_list(folder / FILES)
        raw = read_hash_list(folder / RAW_FILES) if (folder / RAW_FILES).is_file() else {}
    except (OSError, ValueError):
        raise InputError.single(
            folder, f"is not a bundle: {FACTS} or {FILES} is missing or cannot be read", fix="download it again"
        ) from None
    if not isinstance(facts, dict) or facts.get("bundle") != FORMAT:
        raise InputError.single(folder, "is a bundle of a format that this version does not know", f"format {FORMAT}")
    altered = [Problem(name, problem) for name, problem in _changed_files(folder, files)]
    missing = [
        Problem(
            name,
            f"{problem}; this bundle has only its hash",
            f"the file with SHA-256 {raw[name]}",
            "ask the authors of the bundle for it",
        )
        for name, problem in _changed_files(folder, raw)
    ]
    return altered, missing


def _changed_files(folder: Path, hashes: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    for name, expected in hashes.items():
        try:
            if sha256_file(folder / name) != expected:
                yield name, "is not the file that was bundled"
        except OSError:
            yield name, "is missing"
