"""Tell whether a file is a table whose titles state directions."""

from __future__ import annotations

from pathlib import Path

from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, POSSIBLE, Verdict
from anechain.importing.text_decoding import whole_lines
from anechain_tables.options import TablesOptions
from anechain_tables.sheet import Sheet
from anechain_tables.sheets import source_kind, titles_of
from anechain_tables.titles import columns_by_kind, is_long, standard_direction

__all__ = ["identify"]

MAX_BYTES = 65536
"""Number of bytes of a text that are examined."""

_TITLES = LIKELY + 0.2
"""Confidence in titles that are angles: higher than that of importers that accept any table of numbers."""

_MIN_COLUMNS = 4
_PARTS = (b"[Content_Types].xml", b"xl/")


def identify(path: Path) -> Verdict:
    """Look for a row of titles that names a frequency and directions; never raises an exception."""
    try:
        with path.open("rb") as file:
            start = file.read(MAX_BYTES)
    except OSError as error:
        return Verdict(NO, f"cannot be read: {error.strerror}")
    kind = source_kind(start)
    if kind == "text":
        start = whole_lines(start, MAX_BYTES)
    if kind == "workbook" and not any(part in start for part in _PARTS):
        return Verdict(NO, "is an archive, but not a workbook")
    try:
        return _verdict(titles_of(path, start, TablesOptions()), kind)
    except InputError as input_error:
        return Verdict(NO if kind == "text" else POSSIBLE / 3, input_error.problems[0].what)


def _verdict(sheet: Sheet, kind: str) -> Verdict:
    options = TablesOptions()
    confidence_otherwise = NO if kind == "text" else POSSIBLE
    kind_name = {"text": "text", "workbook": "workbook", "parquet": "Parquet file"}[kind]
    try:
        columns = columns_by_kind(sheet, options)
    except InputError as input_error:
        return Verdict(confidence_otherwise, f"{kind_name}: {input_error.problems[0].what}")
    if is_long(columns):
        return Verdict(_TITLES, f"{kind_name} with a long table: columns {', '.join(columns)}")
    other_titles = [title for column, title in enumerate(sheet.titles) if column != columns["frequency"]]
    directions = [title for title in other_titles if standard_direction(title, set(options.planes)) is not None]
    if len(directions) > 1 and len(directions) * 2 > len(other_titles):
        return Verdict(_TITLES, f"{kind_name} with a wide table: {len(directions)} columns whose titles are directions")
    if len(other_titles) >= _MIN_COLUMNS or kind != "text":
        return Verdict(
            confidence_otherwise or POSSIBLE / 2,
            f"{kind_name} with a table of {len(other_titles) + 1} columns; it needs a `pattern`",
        )
    return Verdict(NO, f"text with titles that state no directions: {', '.join(sheet.titles[:4])}")
