"""Tables in text files."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from anechain.errors import InputError
from anechain.importing.number_text import LENIENT_DECIMAL_COMMA, NUMBER_WITH_POINT
from anechain.importing.text_decoding import decode
from anechain_tables.sheet import Sheet
from anechain_tables.title_row import find_title_row, no_titles_error, titles_of_row

if TYPE_CHECKING:
    from anechain_tables.options import TablesOptions

__all__ = ["read_text_sheet", "text_titles"]

_SEPARATORS = {"tab": "\t", "semicolon": ";", "comma": ","}
_COMMENT_MARKS = ("#", "//", "%")


@dataclass(frozen=True)
class _SplitText:
    """A text that is split into cells.

    Attributes
    ----------
    separator : str
        Name of the separator.
    title_row : int
        Index of the row of titles.
    rows : list of list of str
        All rows.
    titles : tuple of str
        Titles of the columns.
    has_line_end : bool
        Whether the last line has a line end.
    notes : tuple of str
        Notes on the decoding.
    """

    separator: str
    title_row: int
    rows: list[list[str]]
    titles: tuple[str, ...]
    has_line_end: bool
    notes: tuple[str, ...]


def _split_rows(text: str, separator: str) -> list[list[str]]:
    # Line by line, so that an unclosed quotation mark does not include the rest of the file.
    return [next(csv.reader([line], delimiter=_SEPARATORS[separator]), []) for line in text.split("\n")]


def _split_text(data: bytes, where: str, options: TablesOptions) -> _SplitText:
    """Split a text by the separator that yields the most titles."""
    decoded = decode(data, where, options.encoding)
    candidates = []
    for separator in _SEPARATORS:
        if options.separator in ("auto", separator):
            rows = _split_rows(decoded.text, separator)
            title_row = find_title_row(rows, options)
            if title_row is not None and len(rows[title_row]) > 1:
                candidates.append((separator, title_row, rows))
    if not candidates:
        raise no_titles_error(where)
    separator, title_row, rows = max(candidates, key=lambda candidate: len(candidate[2][candidate[1]]))
    titles = [cell.strip() for cell in rows[title_row]]
    titles[0] = titles[0].lstrip("#").strip()
    return _SplitText(separator, title_row, rows, titles_of_row(titles), decoded.text.endswith("\n"), decoded.notes)


def text_titles(data: bytes, where: str, options: TablesOptions) -> tuple[str, ...]:
    """Return the titles of a text.

    Raises
    ------
    InputError
        If the text has no row of titles, or cannot be decoded.
    """
    return _split_text(data, where, options).titles


def read_text_sheet(data: bytes, where: str, names: tuple[str, ...], options: TablesOptions) -> Sheet:
    """Read the table of a text file.

    Parameters
    ----------
    data : bytes
        The file.
    where : str
        Its label, for messages.
    names : tuple of str
        Names for it in the options.
    options : TablesOptions
        Encoding, separator, decimal mark and row of the titles.

    Raises
    ------
    InputError
        If it has no row of titles, rows with more or fewer cells than titles, or two decimal marks, or is truncated.
    """
    split = _split_text(data, where, options)
    kept: list[tuple[int, list[str]]] = []
    comments = 0
    for row in range(split.title_row + 1, len(split.rows)):
        cells = [cell.strip() for cell in split.rows[row]]
        if not any(cells):
            continue
        if cells[0].startswith(_COMMENT_MARKS):
            comments += 1
            continue
        kept.append((row + 1, cells))
    width = len(split.titles)
    _check_widths(kept, width, where)
    notes = [*split.notes, f"text separated by {split.separator}s"]
    if split.title_row:
        notes.append(f"lines before the titles, skipped: {split.title_row}")
    if comments:
        notes.append(f"comment lines, skipped: {comments}")
    if not split.has_line_end and kept:
        _check_last_number(kept, where)
        notes.append("no line end after the last row: its last number may be incomplete")
    columns = [[cells[column] if column < len(cells) else "" for _, cells in kept] for column in range(width)]
    decimal = options.decimal if options.decimal != "auto" else _decimal_mark(columns, where)
    return Sheet(where, names, split.titles, columns, [row for row, _ in kept], decimal, tuple(notes))


def _check_widths(kept: Sequence[tuple[int, list[str]]], width: int, where: str) -> None:
    wrong = [(row, len(cells)) for row, cells in kept if len(cells) < width or any(cells[width:])]
    if wrong:
        more = f" (and {len(wrong) - 1} more such rows)" if len(wrong) > 1 else ""
        row, cells_in_row = wrong[0]
        raise InputError.single(
            where,
            f"row {row} has {cells_in_row} cells for {width} titles{more}",
            "as many cells in each row as there are titles",
            "export the complete table again; if commas are both separator and decimal mark, use another separator",
        )


def _check_last_number(kept: Sequence[tuple[int, list[str]]], where: str) -> None:
    """Refuse a text whose last number has fewer decimals than all others, which have the same number of them."""
    decimals = [len(re.split("[.,]", cells[-1])[1]) if re.search("[.,]", cells[-1]) else 0 for _, cells in kept]
    if len(decimals) > 2 and len(set(decimals[:-1])) == 1 and decimals[-1] < decimals[0]:
        raise InputError.single(
            where,
            f"row {kept[-1][0]}: the last number has {decimals[-1]} decimals, all others {decimals[0]}, and the line "
            "has no line end: the file seems truncated",
            "a complete file",
            "copy or export the file again",
        )


def _decimal_mark(columns: Sequence[Sequence[str]], where: str) -> str:
    """Return the decimal mark of all cells that are numbers."""
    with_comma = with_point = ""
    for cells in columns:
        for cell in cells:
            if "," in cell and LENIENT_DECIMAL_COMMA.fullmatch(cell):
                with_comma = with_comma or cell
            elif "." in cell and NUMBER_WITH_POINT.fullmatch(cell):
                with_point = with_point or cell
    if with_comma and with_point:
        raise InputError.single(
            where,
            f"it contains decimal points ({with_point}) and decimal commas ({with_comma})",
            "one decimal mark",
            "export the file with one decimal mark",
        )
    return "comma" if with_comma else "point"
