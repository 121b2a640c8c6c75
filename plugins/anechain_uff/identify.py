"""Tell whether a file is a universal file with a dataset 58."""

from __future__ import annotations

import re
from pathlib import Path

from anechain.hooks import CERTAIN, NO, POSSIBLE, Verdict

__all__ = ["identify"]

HEAD = 65536
"""Bytes that are looked at."""

_BEGINNING = re.compile(rb"\s*-1[ \t]*\r?\n[ \t]*([0-9]+)(b?)[^\r\n]*\r?\n")
_DATASET_58 = re.compile(rb"^[ \t]*-1[ \t]*\r?\n[ \t]*58(b?)\b", re.MULTILINE)


def identify(path: Path) -> Verdict:
    """Look for the line -1 that begins a dataset and the number after it; never raises on junk."""
    try:
        with path.open("rb") as file:
            head = file.read(HEAD)
    except OSError as error:
        return Verdict(NO, f"cannot be read: {error.strerror}")
    begins = _BEGINNING.match(head)
    if begins is None:
        return Verdict(NO, "does not begin with the line -1 and a dataset number, as universal files do")
    if found := _DATASET_58.search(head):
        return Verdict(CERTAIN, f"universal file with a dataset 58{found[1].decode()}")
    return Verdict(POSSIBLE / 2, f"universal file that begins with dataset {begins[1].decode()}; no dataset 58 is near")
