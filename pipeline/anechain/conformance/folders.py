"""Whether a folder changes, and folders that cannot be written."""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterator
from pathlib import Path

from anechain.conformance.assertions import require

__all__ = ["require_no_change", "write_protected"]


def _snapshot(folder: Path) -> dict[str, tuple[int, str]]:
    """Return the date and the content hash of all files below a folder, and the dates of its folders."""
    snapshot = {}
    for path in [folder, *sorted(folder.rglob("*"))]:
        content = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
        snapshot[path.relative_to(folder).as_posix()] = path.stat().st_mtime_ns, content
    return snapshot


@contextlib.contextmanager
def require_no_change(folder: Path, hook: str) -> Iterator[None]:
    """Fail the test if anything below a folder changes.

    Parameters
    ----------
    folder : Path
        The folder; a new folder in it becomes the working folder for the time of the `with` block.
    hook : str
        Name of the hook that is called meanwhile, for the message.
    """
    work = folder / "working folder"
    work.mkdir(exist_ok=True)
    before = _snapshot(folder)
    with contextlib.chdir(work):
        yield
    after = _snapshot(folder)
    new, missing = sorted(after.keys() - before.keys()), sorted(before.keys() - after.keys())
    changed = sorted(name for name in before.keys() & after.keys() if before[name] != after[name])
    require(before == after, f"{hook} wrote: new {new}, missing {missing}, changed {changed}")


@contextlib.contextmanager
def write_protected(folder: Path) -> Iterator[None]:
    """Remove the write permissions of a folder and of the files in it for the time of the `with` block."""
    paths = [*(path for path in folder.iterdir() if path.is_file()), folder]
    modes = {path: path.stat().st_mode for path in paths}
    for path in paths:
        path.chmod(0o555 if path.is_dir() else 0o444)
    try:
        yield
    finally:
        for path in reversed(paths):
            path.chmod(modes[path])
