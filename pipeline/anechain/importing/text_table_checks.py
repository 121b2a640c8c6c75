"""Doubtful text tables: commas with two meanings, a last row that was cut, and why a text holds no table."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from anechain.errors import InputError, Problem
from anechain.importing.number_text import NUMBER
from anechain.importing.text_rows import SEPARATORS, RowFormat, cells_of, quoted, uncommented
from anechain.importing.text_table_values import best_conversion, possible_formats

__all__ = ["EXPECTED", "NoTableError", "check_commas", "cut_reason", "no_table_error"]

EXPECTED = "rows of at least two numbers, with the same number of columns, one separator and one decimal mark"
"""What a text table must have, for error messages."""
_QUOTED_NUMBER = re.compile(r"""["'][ \t]*[+-]?[0-9][0-9.,eE+-]*[ \t]*["']""")


class NoTableError(InputError):
    """The text holds no row of numbers."""


def _with_decimal_commas(lines: list[str], rows: tuple[int, ...], columns: int) -> str:
    """Return the first row read with decimal commas, cells separated by " | "; empty if that is not possible.

    A comma can be decimal if, in every row, a whole number is before it and digits only are after it.
    """
    split_rows = [lines[row].split(",") for row in rows]
    if columns < 3 or any(len(cells) < columns for cells in split_rows):
        return ""
    is_whole = [all(re.fullmatch(r"[ \t]*[+-]?[0-9]+", cells[at]) for cells in split_rows) for at in range(columns)]
    is_fraction = [all(re.fullmatch(r"[0-9]+[ \t]*", cells[at]) for cells in split_rows) for at in range(columns)]
    first = [cell.strip() for cell in split_rows[0][:columns]]
    merged: list[str] = []
    column = 0
    while column < columns:
        if column + 1 < columns and is_whole[column] and is_fraction[column + 1]:
            merged.append(f"{first[column]},{first[column + 1]}")
            column += 2
        else:
            merged.append(first[column])
            column += 1
    return " | ".join(merged) if len(merged) < columns else ""


def check_commas(
    lines: list[str],
    rows: tuple[int, ...],
    columns: int,
    names_columns: Callable[[Sequence[str]], bool],
    where: str,
) -> None:
    """Check that the commas of a comma-separated table can only be separators.

    A header with one name for each column decides that they are separators.

    Parameters
    ----------
    lines : list of str
        Lines of the file.
    rows : tuple of int
        Line of each row of the table, counted from 0.
    columns : int
    names_columns : callable
        Returns whether the cells of a line are names of columns.
    where : str
        File name for error messages.

    Raises
    ------
    InputError
        If commas could also be decimal.
    """
    other = _with_decimal_commas(lines, rows, columns)
    if not other:
        return
    for line in reversed(lines[: rows[0]]):
        cells = cells_of(uncommented(line), "comma")
        if names_columns(cells):
            if len(cells) == columns:
                return
            break
    line = lines[rows[0]]
    raise InputError.single(
        where,
        f"line {rows[0] + 1}: {quoted(line)} is either {columns} columns ({' | '.join(cells_of(line, 'comma'))}) or, "
        f"with a decimal comma, {len(other.split(' | '))} columns ({other}); nothing in the file decides which",
        "commas with one meaning; with a decimal comma, a tab, semicolon or blanks between columns",
        "set the option `decimal` to point if all commas are separators; else export with another separator",
    )


def cut_reason(lines: list[str], rows: tuple[int, ...], row_format: RowFormat) -> str | None:
    """Return why the last row looks cut.

    Returns
    -------
    str or None
        None if the row is complete, since a line end follows it; empty if it is not known.
    """
    if rows[-1] < len(lines) - 1:
        return None
    mark = SEPARATORS[row_format.separator]
    others = [lines[row].rstrip(" \t" if mark is None else " ") for row in rows[:-1]]
    last = lines[rows[-1]].rstrip(" \t" if mark is None else " ")
    if mark and others and last.count(mark) < min(row.count(mark) for row in others):
        return "it has fewer separators than any other row"
    if mark and others and last.endswith(mark) and not any(row.endswith(mark) for row in others):
        return "it ends with a separator, unlike all other rows"
    point = "." if row_format.decimal == "point" else ","
    decimals = re.compile(rf"\{point}([0-9eE+-]*)[ \t;,]*$", re.MULTILINE)
    decimals_of_others = decimals.findall("\n".join(others))
    lengths = set(map(len, decimals_of_others))
    if len(others) > 1 and len(decimals_of_others) == len(others) and len(lengths) == 1:
        match = decimals.search(last)
        if match and len(match[1]) >= max(lengths):
            return None
        return f"its last number has {len(match[1]) if match else 0} decimals, in all other rows {max(lengths)}"
    return ""


def _line_with_text(lines: list[str], formats: list[RowFormat]) -> int:
    """Return the number, from 1, of the first line with two numbers and other text; 0 if there is none."""
    for line_number, line in enumerate(lines, start=1):
        for row_format in formats:
            matches = [NUMBER[row_format.decimal].fullmatch(cell) for cell in cells_of(line, row_format.separator)]
            if len(matches) - matches.count(None) > 1:
                return line_number
    return 0


def no_table_error(lines: list[str], separator: str, decimal: str, where: str) -> NoTableError:
    """Return the error for a text without a row of numbers, with the likely reason.

    Parameters
    ----------
    lines : list of str
        Lines of the file.
    separator, decimal : str
        The options.
    where : str
        File name for error messages.
    """
    what, fix = "no row of at least two numbers", "check that the exported file holds the curve"
    if any(_QUOTED_NUMBER.match(line.strip()) for line in lines):
        what, fix = "the numbers are in quotation marks, like text", "export without quotation marks"
    elif decimal == "comma" and (comma_rows := best_conversion(lines, [RowFormat("comma", "point")])) is not None:
        line_number = comma_rows.rows[0] + 1
        what = f"line {line_number}: commas are the only separator, but by the option `decimal` they are decimal"
        fix = "export with another separator or a decimal point: a comma cannot be both"
    elif line_number := _line_with_text(lines, possible_formats("\n".join(lines), separator, decimal)):
        what = f"line {line_number}: {quoted(lines[line_number - 1])} has text besides numbers"
        fix = "export numbers only"
    elif (separator, decimal) != ("auto", "auto"):
        what += f" with the options `separator` {separator} and `decimal` {decimal}"
        fix = "correct or leave out these options"
    return NoTableError([Problem(where, what, EXPECTED, fix)])
