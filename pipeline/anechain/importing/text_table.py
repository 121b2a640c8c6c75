"""Tables of numbers in a text: finds where the numbers start and end, their separator and their decimal mark."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from anechain.errors import InputError
from anechain.importing.header_words import names_a_curve
from anechain.importing.text_rows import SEPARATORS, RowFormat, cells_of, is_comment, quoted, uncommented
from anechain.importing.text_table_checks import EXPECTED, NoTableError, check_commas, cut_reason, no_table_error
from anechain.importing.text_table_values import best_conversion, possible_formats

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from anechain.arrays import Floats

__all__ = ["NoTableError", "TextTable", "cells_of_line", "header_cells", "read_table"]

_NAME_WITH_UNIT = re.compile(r"[^\s(\[]+(?:[ \t]*(?:\([^)]*\)|\[[^\]]*\]))?")


@dataclass(frozen=True)
class TextTable:
    """The numbers of a text.

    Attributes
    ----------
    row_format : RowFormat
        Separator and decimal mark.
    values : numpy.ndarray, shape (rows, columns)
        NaN where a cell is empty or not finite.
    lines : numpy.ndarray of int, shape (rows,)
        Line of each row, counted from 1.
    header : tuple of str
        Lines before the numbers, comments included.
    missing : dict of (int, int) to str
        Text of each cell that is NaN, by row and column from 0.
    notes : tuple of str
        Lines that were ignored, and what is not known.
    """

    row_format: RowFormat
    values: Floats
    lines: NDArray[np.int64]
    header: tuple[str, ...]
    missing: dict[tuple[int, int], str]
    notes: tuple[str, ...]


def read_table(
    text: str,
    where: str,
    separator: str = "auto",
    decimal: str = "auto",
    skip_lines: int = 0,
    skip_last_lines: int = 0,
    names_columns: Callable[[Sequence[str]], bool] = names_a_curve,
) -> TextTable:
    """Find the table of numbers in a text.

    Parameters
    ----------
    text : str
        Lines that end with line feeds.
    where : str
        File name for error messages.
    separator : {"auto", "comma", "tab", "semicolon", "blank"}
        Separator of columns.
    decimal : {"auto", "point", "comma"}
        Decimal mark.
    skip_lines, skip_last_lines : int
        Number of lines to ignore at the start and at the end.
    names_columns : callable
        Returns whether the cells of a line are names of columns. A line of names gives the number of columns where
        commas could be decimal.

    Returns
    -------
    TextTable

    Raises
    ------
    InputError
        If there is no table (:class:`NoTableError`), if a line among the numbers is not a row, if the last row looks
        cut, or if commas could be both separators and decimal marks.

    Notes
    -----
    The row format is the one that fits the most rows of the whole file. A file that was cut at the end of a row looks
    like a shorter measurement: only a comparison with the frequencies of the other directions shows it. A file that
    was cut inside its last number is refused if all other rows have the same number of decimals. Otherwise a note
    reports that it is not known.
    """
    import numpy as np

    lines = text.split("\n")
    end = len(lines)
    if skip_last_lines:
        end -= skip_last_lines + (lines[-1] == "")
    lines = [""] * min(skip_lines, len(lines)) + lines[skip_lines : max(end, 0)] + [""] * bool(skip_last_lines)
    best = best_conversion(lines, possible_formats("\n".join(lines), separator, decimal))
    if best is None:
        raise no_table_error(lines, separator, decimal, where)
    if best.values is None or best.missing is None:
        fix = "export the file again; lines that are no rows can be ignored by `skip_lines` or `skip_last_lines`"
        raise InputError.single(where, best.error, EXPECTED, fix)
    rows, columns = best.rows, best.values.shape[1]
    if best.row_format.separator == "comma" and decimal == "auto" and not any("." in lines[row] for row in rows):
        check_commas(lines, rows, columns, names_columns, where)
    cut = cut_reason(lines, rows, best.row_format)
    if cut:
        raise InputError.single(
            where,
            f"line {rows[-1] + 1}: the last row {quoted(lines[rows[-1]])} looks cut: {cut}",
            "a complete file",
            "copy or export the file again",
        )
    notes = [f"read as {best.row_format}"]
    header = tuple(line for line in lines[: rows[0]] if line.strip())
    footer = [line for line in lines[rows[-1] + 1 :] if line.strip()]
    comments = sum(1 for line in lines[rows[0] : rows[-1] + 1] if is_comment(line, best.row_format))
    if skip_lines or skip_last_lines:
        notes.append(f"lines ignored by the options: first {skip_lines}, last {skip_last_lines}")
    if header:
        notes.append(f"lines before the numbers, ignored: {len(header)}")
    if comments:
        notes.append(f"comment lines between the numbers, ignored: {comments}")
    if footer:
        notes.append(f"lines after the numbers, ignored: {len(footer)}, the first is {quoted(footer[0])}")
    if cut == "":
        notes.append("no line end after the last row: it is not known whether its last number is complete")
    return TextTable(best.row_format, best.values, np.array(rows) + 1, header, best.missing, tuple(notes))


def cells_of_line(line: str, separator: str, columns: int) -> list[str] | None:
    """Return the cells of a header line; None if it cannot be split into the given number of columns.

    Parameters
    ----------
    line : str
    separator : str
        Separator of the numbers. If it does not give the right number of cells, other separators are tried.
    columns : int
    """
    plain = uncommented(line)
    splits = [cells_of(plain, separator)]
    splits += [cells_of(plain, other) for other in SEPARATORS if other not in (separator, "blank")]
    splits += [re.split(r"\t+|[ \t]{2,}", plain), _NAME_WITH_UNIT.findall(plain), cells_of(plain, "blank")]
    return next((cells for cells in splits if len(cells) == columns), None)


def header_cells(table: TextTable, names_columns: Callable[[Sequence[str]], bool] = names_a_curve) -> list[str]:
    """Return one header text for each column; an empty list if there is no header.

    The header is the last line of names before the numbers, with any line of units below it. If no line is a line of
    names, the last line before the numbers is the header, unless it holds digits, as settings do.

    Parameters
    ----------
    table : TextTable
    names_columns : callable
        Returns whether the cells of a line are names of columns.
    """
    columns = table.values.shape[1]
    split = [cells_of_line(line, table.row_format.separator, columns) for line in table.header]
    start = next((row for row in reversed(range(len(split))) if (cells := split[row]) and names_columns(cells)), None)
    if start is not None:
        names_and_units = [cells for cells in split[start:] if cells]
        return [" ".join(column).strip() for column in zip(*names_and_units, strict=True)]
    last = split[-1] if split else None
    return last if last and not any(c.isdigit() for c in "".join(last)) else []
