"""Tell whether a file is a table of numbers in text."""

from __future__ import annotations

from pathlib import Path

from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, POSSIBLE, Verdict

__all__ = ["identify"]

HEAD = 65536
"""Bytes that are looked at."""


def identify(path: Path) -> Verdict:
    """Say from the start of its content whether a file is a table with a rising first column; never raises on junk."""
    import numpy as np

    from anechain_delimited.decoding import decode
    from anechain_delimited.table import NoTableError, read_table

    try:
        with path.open("rb") as file:
            head = file.read(HEAD)
    except OSError as error:
        return Verdict(NO, f"cannot be read: {error.strerror}")
    # What was cut off in the middle of a line, or of a character, says nothing.
    end = max(head.rfind(b"\n"), head.rfind(b"\r")) + 1
    if len(head) == HEAD and end:
        # UTF-16 has two bytes to a character.
        head = head[: end + (end % 2 if b"\0" in head else 0)]
    try:
        text = decode(head, path.name).text
    except InputError as input_error:
        return Verdict(NO, input_error.problems[0].what)
    try:
        table = read_table(text, path.name)
    except NoTableError as input_error:
        return Verdict(NO, input_error.problems[0].what)
    except InputError as input_error:
        return Verdict(POSSIBLE, f"rows of numbers, but {input_error.problems[0].what}")
    rows, columns = table.values.shape
    found = f"{rows} rows of {columns} numbers, {table.dialect}"
    first = table.values[:, 0]
    if rows > 2 and first[0] >= 0 and bool((np.diff(first) > 0).all()):
        return Verdict(LIKELY, f"{found}, the first column rising")
    return Verdict(POSSIBLE, f"{found}, the first column not rising")
