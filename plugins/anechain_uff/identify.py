"""Tell whether a file is a universal file with a dataset 58."""

from __future__ import annotations

import re
from pathlib import Path

from anechain.hooks import CERTAIN, NO, POSSIBLE, Verdict

__all__ = ["identify"]

MAX_BYTES = 65536
"""Number of bytes that are examined."""

_START = re.compile(rb"\s*-1[ \t]*\r?\n[ \t]*([0-9]+)(b?)[^\r\n]*\r?\n")
_DATASET_58 = re.compile(rb"^[ \t]*-1[ \t]*\r?\n[ \t]*58(b?)\b", re.MULTILINE)


def identify(path: Path) -> Verdict:
    """Look for the line -1 that starts a dataset and the number after it; never raises an exception."""
    try:
        with path.open("rb") as file:
            content = file.read(MAX_BYTES)
    except OSError as error:
        return Verdict(NO, f"cannot be read: {error.strerror}")
    start = _START.match(content)
    if start is None:
        return Verdict(NO, "does not begin with the line -1 and a dataset number, as universal files do")
    if dataset := _DATASET_58.search(content):
        return Verdict(CERTAIN, f"universal file with a dataset 58{dataset[1].decode()}")
    return Verdict(
        POSSIBLE / 2,
        f"universal file that begins with dataset {start[1].decode()}; no dataset 58 in its first {MAX_BYTES} bytes",
    )
