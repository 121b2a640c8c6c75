"""Identify files that are a table of numbers in text."""

from __future__ import annotations

from pathlib import Path

from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, POSSIBLE, Verdict

__all__ = ["identify"]

HEAD = 65536
"""Number of bytes that are read."""


def identify(path: Path) -> Verdict:
    """Return whether the start of a file is a table with a rising first column. Never raises, whatever the content."""
    import numpy as np

    from anechain.importing.text_decoding import decode, whole_lines
    from anechain.importing.text_table import NoTableError, read_table

    try:
        with path.open("rb") as file:
            head = whole_lines(file.read(HEAD), HEAD)
    except OSError as error:
        return Verdict(NO, f"cannot be read: {error.strerror}")
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
    content = f"{rows} rows of {columns} numbers, {table.row_format}"
    first = table.values[:, 0]
    if rows > 2 and first[0] >= 0 and bool((np.diff(first) > 0).all()):
        return Verdict(LIKELY, f"{content}, the first column rises")
    return Verdict(POSSIBLE, f"{content}, the first column does not rise")
