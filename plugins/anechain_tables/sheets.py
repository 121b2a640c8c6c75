"""Open text, workbooks and Parquet alike: titles and columns of cells."""

from __future__ import annotations

import csv
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.arrays import Floats
from anechain.errors import InputError, Problem
from anechain.importing.header_words import UNITS, words_of
from anechain.importing.number_text import LENIENT_DECIMAL_COMMA, NUMBER_WITH_POINT
from anechain.importing.text_decoding import decode

if TYPE_CHECKING:
    from anechain_tables.options import TablesOptions

__all__ = ["Sheet", "names_frequency", "open_sheets", "source_kind", "titles_of"]


_SEPARATORS = {"tab": "\t", "semicolon": ";", "comma": ","}
_FREQUENCY = {"frequency", "freq", "frequencies"}
_FIRST_ROWS = 100
_COMMENT = ("#", "//", "%")
_MISSING = re.compile(r"|[+-]?nan|[+-]?inf(?:inity)?|-+|n/?a|#n/a|null|none", re.IGNORECASE)


@dataclass(frozen=True)
class Sheet:
    """One table.

    Attributes
    ----------
    where : str
        File, and sheet where it has several, for messages.
    names : tuple of str
        By which options can name it: its file's label, its file's name, its sheet.
    titles : tuple of str
        One for each column.
    columns : sequence of sequences
        Cells below the titles: numbers, texts, None.
    rows : sequence of int
        Line or row of each cell, from 1; 0 where the format has none.
    decimal : str
        "point" or "comma", of numbers written as text.
    notes : tuple of str
        What was passed over.
    """

    where: str
    names: tuple[str, ...]
    titles: tuple[str, ...]
    columns: Sequence[Sequence[Any]]
    rows: Sequence[int]
    decimal: str = "point"
    notes: tuple[str, ...] = ()

    def place(self, row: int) -> str:
        """Words for a row: "row 12"."""
        return f"row {self.rows[row] or row + 1}"

    def numbers(self, column: int) -> Floats:
        """Numbers of a column; NaN where a cell is empty or says that there is none.

        Raises
        ------
        InputError
            If a cell holds something else.
        """
        cells = self.columns[column]
        if isinstance(cells, np.ndarray) and cells.dtype.kind in "iuf":
            plain = cells.astype(np.float64)
            return np.where(np.isfinite(plain), plain, np.nan)
        pattern = NUMBER_WITH_POINT if self.decimal == "point" else LENIENT_DECIMAL_COMMA
        values = np.full(len(cells), np.nan)
        bad: list[int] = []
        for row, cell in enumerate(cells):
            if isinstance(cell, int | float) and not isinstance(cell, bool):
                values[row] = cell if np.isfinite(cell) else np.nan
            elif isinstance(cell, str) and pattern.fullmatch(cell.strip()):
                values[row] = float(cell.strip().replace(",", "."))
            elif cell is not None and not (isinstance(cell, str) and _MISSING.fullmatch(cell.strip())):
                bad.append(row)
        if bad:
            more = f" (and {len(bad) - 1} more)" if len(bad) > 1 else ""
            raise InputError.single(
                self.where,
                f"{self.place(bad[0])}, column {self.titles[column]!r}: {str(cells[bad[0]])[:40]!r} is no number{more}",
                f"numbers with a decimal {self.decimal}, or empty cells",
                "correct the cell, or the options `decimal` and `ignore`",
            )
        return values

    def texts(self, column: int) -> list[str]:
        """Texts of a column, without blanks around them."""
        return ["" if cell is None else str(cell).strip() for cell in self.columns[column]]


def names_frequency(title: str) -> bool:
    """Whether a title names the frequency, or is its unit."""
    words = words_of(title)
    return bool(words & _FREQUENCY) or (bool(words) and words <= {"f", *UNITS["frequency"]})


def source_kind(head: bytes) -> str:
    """Kind of file by its first bytes: "workbook", "parquet" or "text"."""
    if head.startswith(b"PK\x03\x04"):
        return "workbook"
    return "parquet" if head.startswith(b"PAR1") else "text"


def open_sheets(path: Path, label: str, options: TablesOptions) -> list[Sheet]:
    """Tables of a file.

    Parameters
    ----------
    path : Path
        The file; never written.
    label : str
        Its name in messages.
    options : TablesOptions
        Sheets, row of the titles, encoding and marks.

    Returns
    -------
    list of Sheet

    Raises
    ------
    InputError
        If the file cannot be read, or a table has no row of titles.
    """
    try:
        with path.open("rb") as file:
            kind = source_kind(file.read(8))
            file.seek(0)
            data = file.read() if kind == "text" else b""
    except OSError as error:
        raise InputError.single(
            label, f"cannot be read: {error.strerror}", "a readable file", "check its rights and that it exists"
        ) from None
    if kind != "workbook" and options.sheets is not None:
        raise InputError.single(
            label, "the option `sheets` is given, but this is no workbook", "an .xlsx file", "leave the option out"
        )
    names = (label, path.name)
    if kind == "text":
        return [_of_text(data, label, names, options)]
    with _damage_told(label, kind):
        if kind == "parquet":
            return [_of_parquet(path, label, names)]
        with _book(path) as book:
            return list(_of_book(book, label, names, options))


@contextmanager
def _damage_told(where: str, kind: str) -> Iterator[None]:
    """Turn whatever a library raises on a damaged file into a refusal: their kinds of exception are many."""
    try:
        yield
    except InputError:
        raise
    except Exception as error:
        said = " ".join(str(error).split())[:200] or type(error).__name__
        words = "Parquet" if kind == "parquet" else "a workbook"
        raise InputError.single(
            where,
            f"begins as {words} but cannot be read (damaged, or cut short, or another kind of archive): {said}",
            "a whole .xlsx or Parquet file",
            "copy or export it again",
        ) from None


@contextmanager
def _book(path: Path) -> Iterator[Any]:
    import openpyxl

    with path.open("rb") as file, warnings.catch_warnings():
        # What openpyxl warns of (styles, extensions) is about the look of a workbook.
        warnings.simplefilter("ignore")
        book = openpyxl.load_workbook(file, read_only=True, data_only=True)
        try:
            yield book
        finally:
            book.close()


def _rows_of_text(text: str, separator: str) -> list[list[str]]:
    # Line by line: a quotation mark that is never closed does not swallow the rest of the file.
    return [next(csv.reader([line], delimiter=_SEPARATORS[separator]), []) for line in text.split("\n")]


def _title_row(rows: Sequence[Sequence[Any]], options: TablesOptions) -> int | None:
    """Row of the titles: the one given, or the first with several cells of which one names the frequency."""
    if options.title_row is not None:
        return options.title_row - 1 if options.title_row <= len(rows) else None
    wanted = options.columns.get("frequency")
    for at, cells in enumerate(rows):
        titles = [str(cell).strip().lstrip("#").strip() for cell in cells if cell is not None and str(cell).strip()]
        if len(titles) > 1 and any(title == wanted if wanted else names_frequency(title) for title in titles):
            return at
    return None


def _no_titles(where: str) -> InputError:
    return InputError.single(
        where,
        "no row of titles names a frequency",
        "a row of titles, one of them frequency, freq, f or Hz",
        "give the option `title_row`, or the title of the frequencies in `columns`",
    )


@dataclass(frozen=True)
class _TitledText:
    """A text split into cells, with its row of titles found."""

    separator: str
    at: int
    rows: list[list[str]]
    titles: tuple[str, ...]
    whole: bool
    notes: tuple[str, ...]


def _titled(data: bytes, where: str, options: TablesOptions) -> _TitledText:
    decoded = decode(data, where, options.encoding)
    found = []
    for separator in _SEPARATORS:
        if options.separator in ("auto", separator):
            rows = _rows_of_text(decoded.text, separator)
            at = _title_row(rows, options)
            if at is not None and len(rows[at]) > 1:
                found.append((len(rows[at]), separator, at, rows))
    if not found:
        raise _no_titles(where)
    _, separator, at, rows = max(found, key=lambda one: one[0])
    titles = [cell.strip() for cell in rows[at]]
    titles[0] = titles[0].lstrip("#").strip()
    return _TitledText(separator, at, rows, _named(titles), decoded.text.endswith("\n"), decoded.notes)


def _named(titles: Sequence[Any]) -> tuple[str, ...]:
    """Titles without the empty ones at the end."""
    named = ["" if title is None else str(title).strip() for title in titles]
    while named and not named[-1]:
        named.pop()
    return tuple(named)


def titles_of(path: Path, head: bytes, options: TablesOptions) -> Sheet:
    """Titles of a file's first table that has any, without its rows.

    Raises
    ------
    InputError
        If there are none, or the file cannot be read.
    """
    kind = source_kind(head)
    if kind == "text":
        return Sheet(path.name, (path.name,), _titled(head, path.name, options).titles, (), ())
    with _damage_told(path.name, kind):
        if kind == "parquet":
            import pyarrow.parquet

            return Sheet(path.name, (path.name,), tuple(pyarrow.parquet.read_schema(path).names), (), ())
        with _book(path) as book:
            for name in book.sheetnames:
                rows = [list(row) for row in islice(book[name].iter_rows(values_only=True), _FIRST_ROWS)]
                at = _title_row(rows, options)
                if at is not None:
                    return Sheet(path.name, (path.name, name), _named(rows[at]), (), ())
    raise _no_titles(path.name)


def _of_text(data: bytes, where: str, names: tuple[str, ...], options: TablesOptions) -> Sheet:
    titled = _titled(data, where, options)
    at, rows, titles = titled.at, titled.rows, titled.titles
    kept, comments = [], 0
    for row in range(at + 1, len(rows)):
        cells = [cell.strip() for cell in rows[row]]
        if not any(cells):
            continue
        if cells[0].startswith(_COMMENT):
            comments += 1
            continue
        kept.append((row + 1, cells))
    _check_widths(kept, len(titles), where)
    notes = [*titled.notes, f"text separated by {titled.separator}s"]
    if at:
        notes.append(f"lines before the titles, passed over: {at}")
    if comments:
        notes.append(f"comment lines, passed over: {comments}")
    if not titled.whole and kept:
        notes.append(_last_number(kept, where))
    columns = [[cells[column] if column < len(cells) else "" for _, cells in kept] for column in range(len(titles))]
    decimal = options.decimal if options.decimal != "auto" else _decimal(columns, where)
    return Sheet(where, names, titles, columns, [row for row, _ in kept], decimal, tuple(notes))


def _check_widths(kept: Sequence[tuple[int, list[str]]], width: int, where: str) -> None:
    wrong = [(row, len(cells)) for row, cells in kept if len(cells) < width or any(cells[width:])]
    if wrong:
        more = f" (and {len(wrong) - 1} more such rows)" if len(wrong) > 1 else ""
        raise InputError.single(
            where,
            f"row {wrong[0][0]} has {wrong[0][1]} cells for {width} titles{more}",
            "as many cells in each row as there are titles",
            "export it again whole; a decimal comma between commas looks like this too: use another separator",
        )


def _last_number(kept: Sequence[tuple[int, list[str]]], where: str) -> str:
    """Refuse a last number that lacks places which all others have; else the note that it cannot be vouched for."""
    places = [len(re.split("[.,]", cells[-1])[1]) if re.search("[.,]", cells[-1]) else 0 for _, cells in kept]
    if len(places) > 2 and len(set(places[:-1])) == 1 and places[-1] < places[0]:
        raise InputError.single(
            where,
            f"row {kept[-1][0]}: the last number has {places[-1]} places, all others {places[0]}, and the line has no "
            "end: it looks cut short",
            "a whole file",
            "copy or export the file again",
        )
    return "no line end after the last row: whether its last number is whole cannot be told"


def _decimal(columns: Sequence[Sequence[str]], where: str) -> str:
    """Decimal mark of all cells that are numbers."""
    commas = points = ""
    for cells in columns:
        for cell in cells:
            if "," in cell and LENIENT_DECIMAL_COMMA.fullmatch(cell):
                commas = commas or cell
            elif "." in cell and NUMBER_WITH_POINT.fullmatch(cell):
                points = points or cell
    if commas and points:
        raise InputError.single(
            where,
            f"it holds decimal points ({points}) and decimal commas ({commas})",
            "one decimal mark",
            "export the file with one mark",
        )
    return "comma" if commas else "point"


def _of_parquet(path: Path, where: str, names: tuple[str, ...]) -> Sheet:
    import pyarrow.parquet

    table = pyarrow.parquet.ParquetFile(path).read()
    columns: list[Any] = []
    for column in table.columns:
        plain = column.to_numpy()
        # Whole and floating numbers stay arrays; a null makes NaN of a number and None of anything else.
        columns.append(plain if plain.dtype.kind in "iuf" else column.to_pylist())
    return Sheet(where, names, tuple(map(str, table.column_names)), columns, [0] * table.num_rows)


def _of_book(book: Any, label: str, names: tuple[str, ...], options: TablesOptions) -> Iterator[Sheet]:
    wanted = options.sheets
    if wanted is None:
        wanted = tuple(book.sheetnames)
        if isinstance(options.plane, dict):
            wanted = tuple(name for name in wanted if name in options.plane) or wanted
        elif len(wanted) > 1:
            raise InputError.single(
                label, f"it has the sheets {', '.join(wanted)}", "one sheet", "say by the option `sheets` which to read"
            )
    lacking = [name for name in wanted if name not in book.sheetnames]
    if lacking:
        raise InputError(
            Problem(label, f"it has no sheet {name!r}", ", ".join(book.sheetnames), "correct the option `sheets`")
            for name in lacking
        )
    for name in wanted:
        yield _of_sheet(
            book[name], f"{label}, sheet {name}" if len(book.sheetnames) > 1 else label, (*names, name), options
        )


def _of_sheet(sheet: Any, where: str, names: tuple[str, ...], options: TablesOptions) -> Sheet:
    rows = [list(row) for row in sheet.iter_rows(values_only=True)]
    at = _title_row(rows, options)
    if at is None:
        raise _no_titles(where)
    titles = _named(rows[at])
    kept = [
        (row + 1, rows[row]) for row in range(at + 1, len(rows)) if any(cell not in (None, "") for cell in rows[row])
    ]
    beyond = [row for row, cells in kept if any(cell not in (None, "") for cell in cells[len(titles) :])]
    if beyond:
        raise InputError.single(
            where, f"row {beyond[0]} has cells beyond the last title", "a title above every column", "add the title"
        )
    columns = [[cells[column] if column < len(cells) else None for _, cells in kept] for column in range(len(titles))]
    notes = (f"rows before the titles, passed over: {at}",) if at else ()
    decimal = "point" if options.decimal == "auto" else options.decimal
    return Sheet(where, names, titles, columns, [row for row, _ in kept], decimal, notes)
