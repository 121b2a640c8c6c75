"""Rows of a text table: how a line is split into cells, and whether it is a row of numbers, a comment or damaged."""

from __future__ import annotations

import re
from dataclasses import dataclass

from anechain.importing.number_text import NUMBER

__all__ = [
    "MISSING",
    "SEPARATORS",
    "RowFormat",
    "all_cells",
    "cells_of",
    "is_comment",
    "is_row",
    "looks_damaged",
    "quoted",
    "uncommented",
    "without_empty_end",
]

SEPARATORS = {"tab": "\t", "semicolon": ";", "comma": ",", "blank": None}
"""Separators in order of preference: tab before blank, because splitting at blanks would lose empty cells."""
COMMENT_MARKS = ("#", "*", ";", "%", "//", '"', "'")
_QUOTES = ('"', "'")
MISSING = re.compile(
    r"|[+-]?nan|[+-]?inf(?:inity)?|-+|n/?a|#n/a|null|none|[+-]?1\.#(?:inf|ind|qnan)[0-9]*", re.IGNORECASE
)
"""Text of a cell without a finite number."""
_BLANKS = re.compile(r"[ \t]+")


@dataclass(frozen=True)
class RowFormat:
    """How the rows of a file are written.

    Attributes
    ----------
    separator : {"comma", "tab", "semicolon", "blank"}
    decimal : {"point", "comma"}
        Decimal mark.
    """

    separator: str
    decimal: str

    def __str__(self) -> str:
        return f"decimal {self.decimal}, separated by {self.separator}s"


def all_cells(line: str, separator: str) -> list[str]:
    """Return the cells of a line, without the blanks around them."""
    mark = SEPARATORS[separator]
    if mark is None:
        line = line.strip(" \t")
        return _BLANKS.split(line) if line else []
    return [cell.strip(" \t") for cell in line.split(mark)]


def without_empty_end(cells: list[str]) -> list[str]:
    """Return the cells without the empty cells at the end."""
    width = next((count for count in range(len(cells), 0, -1) if cells[count - 1]), 0)
    return cells[:width]


def cells_of(line: str, separator: str) -> list[str]:
    """Return the cells of a line, without the blanks around them and without empty cells at the end."""
    return without_empty_end(all_cells(line, separator))


def uncommented(line: str) -> str:
    """Return a line without comment marks at its start and without quotation marks."""
    return _without_quotes(line.strip(" \t").lstrip("#*;%/")).strip(" \t")


def quoted(line: str) -> str:
    """Return a line in quotation marks for a message, shortened to 60 characters."""
    return repr(line.strip() if len(line) <= 60 else line.strip()[:57] + "...")


def _without_quotes(line: str) -> str:
    return line.replace('"', "").replace("'", "")


def is_row(line: str, row_format: RowFormat) -> bool:
    """Return whether a line has at least two cells, each a number or marked as missing, and at least one number."""
    cells = all_cells(line, row_format.separator)
    number = NUMBER[row_format.decimal].fullmatch
    are_numbers = [number(cell) is not None for cell in cells]
    return (
        len(cells) > 1
        and any(are_numbers)
        and all(is_number or MISSING.fullmatch(cell) for cell, is_number in zip(cells, are_numbers, strict=True))
    )


def is_comment(line: str, row_format: RowFormat) -> bool:
    """Return whether a line starts with a comment mark.

    An empty first cell before a semicolon is not one, nor is a quotation mark at a row of numbers.
    """
    start = line.lstrip(" \t")
    if not start.startswith(COMMENT_MARKS):
        return False
    if start[0] in _QUOTES and is_row(_without_quotes(line), row_format):
        return False
    return not (row_format.separator == "semicolon" and start[0] == ";" and is_row(line, row_format))


def looks_damaged(line: str, row_format: RowFormat, columns: int, is_header: bool = False) -> bool:
    """Return whether a line outside the table looks like a damaged row: it has a number in place of the frequency.

    A header may also begin with a number, for example "2.83 V" or "48000". Then the cells after it decide.

    Parameters
    ----------
    line : str
    row_format : RowFormat
    columns : int
        Number of columns of the table.
    is_header : bool
        Whether the line is before the table.
    """
    cells = cells_of(_without_quotes(line), row_format.separator)
    number = NUMBER[row_format.decimal].fullmatch
    if not cells or not cells[0].lstrip("+-")[:1].isdigit():
        return False
    if number(cells[0]) and not is_header:
        return True
    others = any(number(cell) for cell in cells[1:])
    return len(cells) == columns and (others or (number(cells[0]) is not None and any(c.isdigit() for c in cells[1])))
