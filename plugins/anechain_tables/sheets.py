"""Open text files, workbooks and Parquet files, and read their tables."""

from __future__ import annotations

import warnings
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain.errors import InputError, Problem
from anechain.hooks import check_size
from anechain_tables.sheet import Sheet
from anechain_tables.text_sheets import read_text_sheet, text_titles
from anechain_tables.title_row import find_title_row, no_titles_error, titles_of_row

if TYPE_CHECKING:
    from anechain_tables.options import TablesOptions

__all__ = ["open_sheets", "source_kind", "titles_of"]

_MAX_ROWS = 1_048_576
"""Most rows of a sheet; common practice, no source."""
_OBJECTS_PER_TEXT = 4.0
"""Memory of the cells of a workbook re that of its unpacked parts; common practice, no source."""
_FIRST_ROWS = 100
"""Rows of each sheet of a workbook in which `titles_of` looks for titles."""


def source_kind(start: bytes) -> str:
    """Return the kind of a file according to its first bytes: "workbook", "parquet" or "text"."""
    if start.startswith(b"PK\x03\x04"):
        return "workbook"
    return "parquet" if start.startswith(b"PAR1") else "text"


def open_sheets(path: Path, label: str, options: TablesOptions) -> list[Sheet]:
    """Read the tables of a file.

    Parameters
    ----------
    path : Path
        The file; it is not changed.
    label : str
        Its name in messages.
    options : TablesOptions
        Sheets, row of the titles, encoding, separator and decimal mark.

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
            label,
            f"cannot be read: {error.strerror}",
            "a readable file",
            "check that it exists, and its permissions",
        ) from None
    if kind != "workbook" and options.sheets is not None:
        raise InputError.single(
            label, "the option `sheets` is set, but this is not a workbook", "an .xlsx file", "leave the option out"
        )
    names = (label, path.name)
    if kind == "text":
        return [read_text_sheet(data, label, names, options)]
    with _damage_as_input_error(label, kind):
        if kind == "parquet":
            return [_parquet_sheet(path, label, names)]
        with _open_workbook(path, label) as book:
            return list(_workbook_sheets(book, label, names, options))


def titles_of(path: Path, start: bytes, options: TablesOptions) -> Sheet:
    """Return the first table of a file that has titles, without its rows.

    Parameters
    ----------
    path : Path
        The file.
    start : bytes
        Its first bytes; for a text, no more is read.
    options : TablesOptions
        As for :func:`open_sheets`.

    Raises
    ------
    InputError
        If no table has titles, or the file cannot be read.
    """
    kind = source_kind(start)
    if kind == "text":
        return Sheet(path.name, (path.name,), text_titles(start, path.name, options), (), ())
    with _damage_as_input_error(path.name, kind):
        if kind == "parquet":
            import pyarrow.parquet

            return Sheet(path.name, (path.name,), tuple(pyarrow.parquet.read_schema(path).names), (), ())
        with _open_workbook(path, path.name) as book:
            for name in book.sheetnames:
                rows = _rows(book[name], path.name, _FIRST_ROWS)
                title_row = find_title_row(rows, options)
                if title_row is not None:
                    return Sheet(path.name, (path.name, name), titles_of_row(rows[title_row]), (), ())
    raise no_titles_error(path.name)


@contextmanager
def _damage_as_input_error(where: str, kind: str) -> Iterator[None]:
    """Turn any exception of a library into an InputError: damaged files raise exceptions of many types."""
    try:
        yield
    except InputError:
        raise
    except Exception as error:
        message = " ".join(str(error).split())[:200] or type(error).__name__
        begins_as = "Parquet" if kind == "parquet" else "a workbook"
        raise InputError.single(
            where,
            f"begins as {begins_as} but cannot be read (damaged, truncated, or another kind of archive): {message}",
            "a complete .xlsx or Parquet file",
            "copy or export it again",
        ) from None


# Workbooks


@contextmanager
def _open_workbook(path: Path, where: str) -> Iterator[Any]:
    import openpyxl

    with zipfile.ZipFile(path) as archive:
        # Cells as Python objects need several times the memory of their text.
        check_size(where, _OBJECTS_PER_TEXT * sum(member.file_size for member in archive.infolist()))

    with path.open("rb") as file, warnings.catch_warnings():
        # openpyxl warns about styles and extensions, which do not matter here.
        warnings.simplefilter("ignore")
        book = openpyxl.load_workbook(file, read_only=True, data_only=True)
        try:
            yield book
        finally:
            book.close()


def _workbook_sheets(book: Any, label: str, names: tuple[str, ...], options: TablesOptions) -> Iterator[Sheet]:
    wanted = options.sheets
    if wanted is None:
        wanted = tuple(book.sheetnames)
        if isinstance(options.plane, dict):
            wanted = tuple(name for name in wanted if name in options.plane) or wanted
        elif len(wanted) > 1:
            raise InputError.single(
                label,
                f"it has the sheets {', '.join(wanted)}",
                "one sheet",
                "list the sheets to read in the option `sheets`",
            )
    missing = [name for name in wanted if name not in book.sheetnames]
    if missing:
        raise InputError(
            Problem(label, f"it has no sheet {name!r}", ", ".join(book.sheetnames), "correct the option `sheets`")
            for name in missing
        )
    for name in wanted:
        where = f"{label}, sheet {name}" if len(book.sheetnames) > 1 else label
        yield _workbook_sheet(book[name], where, (*names, name), options)


def _rows(sheet: Any, where: str, first: int | None = None) -> list[list[Any]]:
    """Return the cells of all rows, or of the first ones; an empty row has no cells."""
    # The size of the sheet that the file declares may be smaller than it is.
    sheet.reset_dimensions()
    rows: list[list[Any]] = []
    for row in islice(sheet.iter_rows(values_only=True), first):
        if len(rows) == _MAX_ROWS:
            raise InputError.single(
                where, "it has cells below the last row of a sheet", f"at most {_MAX_ROWS} rows", "export it again"
            )
        rows.append(list(row) if any(cell not in (None, "") for cell in row) else [])
    while rows and not rows[-1]:
        rows.pop()
    return rows


def _workbook_sheet(sheet: Any, where: str, names: tuple[str, ...], options: TablesOptions) -> Sheet:
    rows = _rows(sheet, where)
    title_row = find_title_row(rows, options)
    if title_row is None:
        raise no_titles_error(where)
    titles = titles_of_row(rows[title_row])
    kept = [
        (row + 1, rows[row])
        for row in range(title_row + 1, len(rows))
        if any(cell not in (None, "") for cell in rows[row])
    ]
    untitled = [row for row, cells in kept if any(cell not in (None, "") for cell in cells[len(titles) :])]
    if untitled:
        raise InputError.single(
            where, f"row {untitled[0]} has cells beyond the last title", "a title for every column", "add the title"
        )
    columns = [[cells[column] if column < len(cells) else None for _, cells in kept] for column in range(len(titles))]
    notes = (f"rows before the titles, skipped: {title_row}",) if title_row else ()
    decimal = "point" if options.decimal == "auto" else options.decimal
    return Sheet(where, names, titles, columns, [row for row, _ in kept], decimal, notes)


# Parquet


def _parquet_sheet(path: Path, where: str, names: tuple[str, ...]) -> Sheet:
    import pyarrow.parquet

    file = pyarrow.parquet.ParquetFile(path)
    groups = [file.metadata.row_group(index) for index in range(file.metadata.num_row_groups)]
    # What the pages unpack to, and numbers of 8 bytes: a column of one repeated value is stored in a few bytes.
    numbers = 8.0 * file.metadata.num_rows * file.metadata.num_columns
    check_size(where, max(numbers, sum(each.total_byte_size for each in groups)))
    table = file.read()
    columns: list[Any] = []
    for column in table.columns:
        array = column.to_numpy()
        # Numbers stay arrays, in which a null is NaN; in other columns a null is None.
        columns.append(array if array.dtype.kind in "iuf" else column.to_pylist())
    return Sheet(where, names, tuple(map(str, table.column_names)), columns, [0] * table.num_rows)
