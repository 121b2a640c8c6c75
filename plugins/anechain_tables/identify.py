"""Tell whether a file is a table whose titles give directions."""

from __future__ import annotations

from pathlib import Path

from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, POSSIBLE, Verdict
from anechain.importing.text_decoding import whole_lines
from anechain_tables.options import TablesOptions
from anechain_tables.sheets import Sheet, source_kind, titles_of
from anechain_tables.titles import is_long, kinds_of, plain_direction

__all__ = ["identify"]

HEAD = 65536
"""Bytes of a text that are looked at."""

_TITLES = LIKELY + 0.2
"""More than what is said of any table of numbers: titles that are angles are no accident."""

_MANY = 4
_PARTS = (b"[Content_Types].xml", b"xl/")


def identify(path: Path) -> Verdict:
    """Look for a row of titles that names a frequency and directions; never raises on junk."""
    try:
        with path.open("rb") as file:
            head = file.read(HEAD)
    except OSError as error:
        return Verdict(NO, f"cannot be read: {error.strerror}")
    kind = source_kind(head)
    if kind == "text":
        head = whole_lines(head, HEAD)
    if kind == "workbook" and not any(part in head for part in _PARTS):
        return Verdict(NO, "is an archive, but no workbook")
    try:
        return _judged(titles_of(path, head, TablesOptions()), kind)
    except InputError as input_error:
        return Verdict(NO if kind == "text" else POSSIBLE / 3, input_error.problems[0].what)


def _judged(sheet: Sheet, kind: str) -> Verdict:
    options = TablesOptions()
    other = NO if kind == "text" else POSSIBLE
    words = {"text": "text", "workbook": "workbook", "parquet": "Parquet file"}[kind]
    try:
        kinds = kinds_of(sheet, options)
    except InputError as input_error:
        return Verdict(other, f"{words}: {input_error.problems[0].what}")
    if is_long(kinds):
        return Verdict(_TITLES, f"{words} with a long table: columns {', '.join(kinds)}")
    rest = [title for column, title in enumerate(sheet.titles) if column != kinds["frequency"]]
    directions = [title for title in rest if plain_direction(title, set(options.planes)) is not None]
    if len(directions) > 1 and len(directions) * 2 > len(rest):
        return Verdict(_TITLES, f"{words} with a wide table: {len(directions)} columns whose titles are directions")
    if len(rest) >= _MANY or kind != "text":
        return Verdict(other or POSSIBLE / 2, f"{words} with a table of {len(rest) + 1} columns; needs a `pattern`")
    return Verdict(NO, f"text with titles that give no directions: {', '.join(sheet.titles[:4])}")
