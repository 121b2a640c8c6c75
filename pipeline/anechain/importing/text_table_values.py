"""Values of a text table: finds the row format that fits the most rows of a file, and converts the rows to numbers."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from anechain.importing.number_text import NUMBER
from anechain.importing.text_rows import (
    SEPARATORS,
    RowFormat,
    all_cells,
    is_comment,
    is_row,
    looks_damaged,
    quoted,
    without_empty_end,
)

if TYPE_CHECKING:
    from anechain.arrays import Floats

__all__ = ["Conversion", "best_conversion", "possible_formats"]

_STRAY_COMMA = re.compile(r"(?<![0-9]),|,(?![0-9])")


@dataclass(frozen=True)
class Conversion:
    """Rows of a file read in one format.

    Attributes
    ----------
    row_format : RowFormat
    rows : tuple of int
        Line of each row, counted from 0.
    values : numpy.ndarray, shape (rows, columns), or None
        NaN where a cell has no finite number. None if a line cannot be read in this format.
    missing : dict of (int, int) to str, or None
        Text of each cell that is NaN, by row and column from 0.
    error : str
        Why a line cannot be read in this format; empty if all can.
    """

    row_format: RowFormat
    rows: tuple[int, ...]
    values: Floats | None = None
    missing: dict[tuple[int, int], str] | None = None
    error: str = ""


def possible_formats(text: str, separator: str, decimal: str) -> list[RowFormat]:
    """Return the row formats that are possible, given the options and the characters of the text.

    Parameters
    ----------
    text : str
    separator : {"auto", "comma", "tab", "semicolon", "blank"}
    decimal : {"auto", "point", "comma"}

    Returns
    -------
    list of RowFormat
        In order of preference.
    """
    formats = []
    for name, mark in SEPARATORS.items():
        if separator not in ("auto", name) or (mark is not None and mark not in text):
            continue
        if decimal in ("auto", "point"):
            formats.append(RowFormat(name, "point"))
        if decimal in ("auto", "comma") and name != "comma" and "," in text:
            formats.append(RowFormat(name, "comma"))
    return formats


def best_conversion(lines: list[str], formats: list[RowFormat]) -> Conversion | None:
    """Return the conversion in the format that fits the most rows; None if no line is a row in any format."""

    def fits(row: int, row_format: RowFormat) -> bool:
        return not is_comment(lines[row], row_format) and is_row(lines[row], row_format)

    def fitting(row: int) -> set[RowFormat]:
        return {row_format for row_format in formats if fits(row, row_format)}

    first = next((row for row in range(len(lines)) if fitting(row)), None)
    if first is None:
        return None
    last = next(row for row in reversed(range(len(lines))) if fitting(row))
    fit_both_ends = fitting(first) & fitting(last)
    conversions = []
    for row_format in formats:
        if row_format in fit_both_ends:
            conversions.append(_convert(lines, first, last, row_format))
            if not conversions[-1].error:
                return conversions[-1]
    for row_format in formats:
        if row_format not in fit_both_ends:
            fitting_rows = [row for row in range(first, last + 1) if fits(row, row_format)]
            if fitting_rows:
                conversions.append(_convert(lines, fitting_rows[0], fitting_rows[-1], row_format))
    # `max` returns the first of equals, and the formats are in order of preference.
    return max(conversions, key=lambda conversion: (len(conversion.rows), not conversion.error))


def _convert(lines: list[str], first: int, last: int, row_format: RowFormat) -> Conversion:
    """Read the lines from `first` to `last` in one format."""
    rows = tuple(row for row in range(first, last + 1) if lines[row].strip() and not is_comment(lines[row], row_format))
    values = _values_of_plain_rows([lines[row] for row in rows], row_format)
    if values is None:
        conversion = _convert_by_cell(lines, rows, row_format)
    else:
        conversion = Conversion(row_format, rows, values, {})
    if conversion.values is None:
        return conversion
    # A damaged first row looks like a header and a damaged last row like a footer. Both must be reported.
    columns = conversion.values.shape[1]
    damaged = [first - 1] if first and looks_damaged(lines[first - 1], row_format, columns, is_header=True) else []
    damaged += [row for row in range(last + 1, len(lines)) if looks_damaged(lines[row], row_format, columns)]
    if damaged:
        row = damaged[0]
        error = f"line {row + 1}: {quoted(lines[row])} looks like a damaged row"
        return Conversion(row_format, conversion.rows, error=error)
    return conversion


def _values_of_plain_rows(rows: list[str], row_format: RowFormat) -> Floats | None:
    """Return the values of rows that hold only finite numbers; None in case of doubt. Fast, for most files."""
    import numpy as np

    text = "\n".join(rows)
    mark = SEPARATORS[row_format.separator]
    if not text.isascii():
        return None
    if row_format.decimal == "comma":
        if "." in text or _STRAY_COMMA.search(text):
            return None
        rows = text.replace(",", ".").split("\n")
    if mark is not None and rows[0].rstrip(" ").endswith(mark):
        rows = [row.rstrip(" ") for row in rows]
        if not all(row.endswith(mark) for row in rows):
            return None
        rows = [row[:-1] for row in rows]
    try:
        values = np.loadtxt(rows, dtype=np.float64, delimiter=mark, comments=None, ndmin=2)
    except ValueError:
        return None
    return values if values.shape[1] > 1 and np.isfinite(values).all() else None


def _convert_by_cell(lines: list[str], rows: tuple[int, ...], row_format: RowFormat) -> Conversion:
    """Read rows cell by cell; report the first line that is not a row of the table."""
    import numpy as np

    number = NUMBER[row_format.decimal].fullmatch
    good = tuple(row for row in rows if is_row(lines[row], row_format))
    good_rows = set(good)
    bad = [row for row in rows if row not in good_rows]
    with_empty_end = {row: all_cells(lines[row], row_format.separator) for row in good}
    cells = {row: without_empty_end(with_empty_end[row]) for row in good}
    width = {row: len(cells[row]) for row in good}
    # If all rows have the same number of separators, every column with a value counts. Else the most common width.
    same_width = len({len(row_cells) for row_cells in with_empty_end.values()}) == 1
    columns = max(width.values()) if same_width else Counter(width.values()).most_common(1)[0][0]
    if columns < 2:
        return Conversion(row_format, good, error=f"line {good[0] + 1}: {quoted(lines[good[0]])} has only one column")
    for row in good:
        # Empty cells at the end of a row are missing values where other rows have values.
        if width[row] < columns <= len(with_empty_end[row]):
            cells[row] = with_empty_end[row][:columns]
    ragged = [row for row in good if len(cells[row]) != columns]
    if bad or ragged:
        return Conversion(row_format, good, error=_row_error(lines, bad, ragged, width, columns, row_format))
    values = np.full((len(good), columns), np.nan)
    missing = {}
    for index, row in enumerate(good):
        for column, cell in enumerate(cells[row]):
            if number(cell):
                values[index, column] = float(cell.replace(",", "."))
            else:
                missing[index, column] = cell
    for index, column in zip(*np.nonzero(np.isinf(values)), strict=True):
        values[index, column] = np.nan
        missing[int(index), int(column)] = cells[good[index]][column]
    return Conversion(row_format, good, values, missing)


def _row_error(
    lines: list[str], bad: list[int], ragged: list[int], width: dict[int, int], columns: int, row_format: RowFormat
) -> str:
    """Describe the first line that is not a row of numbers (`bad`) or has another number of columns (`ragged`)."""
    first = min(bad + ragged)
    line = lines[first]
    if first in bad:
        what = f"{quoted(line)} is not a row of numbers"
        if row_format.decimal == "point" and "," in line and row_format.separator != "comma":
            what += "; the file mixes decimal points and decimal commas"
        elif row_format.decimal == "comma" and "." in line:
            what += "; the file mixes decimal commas and decimal points"
    else:
        what = f"{quoted(line)} has {width[first]} columns, but most rows have {columns}"
        if row_format.separator == "comma":
            what += "; perhaps it has decimal commas, which cannot be distinguished from commas as separators"
    count = len(bad) + len(ragged)
    more = f" (and {count - 1} more such lines)" if count > 1 else ""
    return f"line {first + 1}: {what}{more}"
