"""Tables as CSV: comma-separated, decimal points, one header line, empty cells for missing values."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["UNCERTAINTY_COLUMN", "csv_bytes", "csv_of_rows", "text_cell"]

UNCERTAINTY_COLUMN = "_uncertainty_dB"
"""End of the title of a column with the uncertainty of the column before it."""

_BREAKS = re.compile("[\x00-\x1f\x7f\x85\u2028\u2029]+")
_FORMULA = tuple(
    "=+-@\N{FULLWIDTH EQUALS SIGN}\N{FULLWIDTH PLUS SIGN}\N{FULLWIDTH HYPHEN-MINUS}\N{FULLWIDTH COMMERCIAL AT}"
)
"""Characters at the beginning of a cell that make a formula in a spreadsheet (common practice, no source)."""


def text_cell(text: str) -> str:
    """Return a text as a cell: quoted where necessary (RFC 4180), on one line, and never a formula.

    Parameters
    ----------
    text : str
        A text that a spreadsheet would read as a formula is prefixed with an apostrophe; line breaks and other control
        characters become spaces. A text with "#" is quoted, because some readers take "#" for a comment.
    """
    text = _BREAKS.sub(" ", text)
    if text.lstrip().startswith(_FORMULA):
        text = f"'{text}"
    return '"' + text.replace('"', '""') + '"' if any(sign in text for sign in ',"#') else text


def csv_of_rows(
    titles: Iterable[str], rows: Iterable[Iterable[str | float | None]], digits: int, comments: Sequence[str] = ()
) -> bytes:
    """Return rows as CSV.

    Parameters
    ----------
    titles : iterable of str
        Titles of the columns.
    rows : iterable of iterable of (str, float or None)
        Texts are written with :func:`text_cell`, None as an empty cell.
    digits : int
        Significant digits of all numbers.
    comments : sequence of str
        Comments above the titles, one line each.

    Returns
    -------
    bytes
        UTF-8, lines ending in a line feed.
    """

    def cell(value: str | float | None) -> str:
        return text_cell(value or "") if value is None or isinstance(value, str) else f"{value:.{digits}g}"

    return _lines(titles, ([cell(value) for value in row] for row in rows), comments)


def csv_bytes(columns: Mapping[str, NDArray[np.float64]], decimals: int = 4, comments: Sequence[str] = ()) -> bytes:
    """Return columns of equal length as CSV.

    Parameters
    ----------
    columns : mapping of str to numpy.ndarray, shape (rows,)
        By column title; the first one is written with seven significant digits, the others with fixed decimals.
    decimals : int
        Decimals of all columns but the first.
    comments : sequence of str
        Comments above the titles, one line each.

    Returns
    -------
    bytes
        UTF-8, lines ending in a line feed.
    """
    rows = zip(*columns.values(), strict=True)
    cells = (
        [f"{row[0]:.7g}", *("" if np.isnan(value) else f"{value:z.{decimals}f}" for value in row[1:])] for row in rows
    )
    return _lines(columns, cells, comments)


def _lines(titles: Iterable[str], rows: Iterable[Sequence[str]], comments: Sequence[str]) -> bytes:
    # A comma in a comment would be shown as a column break by a spreadsheet.
    if any(sign in comment for comment in comments for sign in ",;\n"):
        raise ValueError("a comment of a table must be one line without commas and semicolons")
    lines = [*(f"# {comment}" for comment in comments), ",".join(map(text_cell, titles)), *map(",".join, rows)]
    return "".join(f"{line}\n" for line in lines).encode()
