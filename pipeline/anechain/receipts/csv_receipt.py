"""Receipt in a CSV file: lines that start with "#" at the end, after an empty line.

A spreadsheet takes the empty line for the end of the table. No line holds a comma or semicolon except as its last
character, so that none opens as more than two columns.
"""

from __future__ import annotations

import re

__all__ = ["BYTE_ORDER_MARK", "FIRST_LINE", "embed", "split"]

BYTE_ORDER_MARK = b"\xef\xbb\xbf"
"""Spreadsheets read a table without it in the machine's own character encoding."""
FIRST_LINE = b'# The receipt follows the table: remove "#: " from its lines and join them into one line of JSON.\n'
"""First line of every table with a receipt."""
_MARK = b"# receipt"
_PREFIX = b"#: "
_PIECE = re.compile(r"[^,;]{1,100}[,;]?|[,;]")


def embed(bare: bytes, text: str) -> bytes:
    """Return the table with a receipt."""
    lines = b"".join(_PREFIX + piece.encode() + b"\n" for piece in _PIECE.findall(text))
    return BYTE_ORDER_MARK + FIRST_LINE + bare + b"\n" + _MARK + b"\n" + lines


def split(data: bytes) -> tuple[bytes, str | None]:
    """Return the table without its receipt, and the receipt's text or None."""
    # No line of a receipt equals the mark, so the last mark starts the receipt, whatever the table holds.
    start = data.rfind(b"\n" + _MARK)
    if start < 0:
        return data, None
    mark, *lines = data[start + 1 :].splitlines(keepends=True)
    count = next((number for number, line in enumerate(lines) if not line.startswith(_PREFIX)), len(lines))
    if mark.rstrip(b"\r\n") != _MARK or not count:
        return data, None
    # Lines that were added after the receipt belong to the table.
    bare = data[:start].removeprefix(BYTE_ORDER_MARK).removeprefix(FIRST_LINE) + b"".join(lines[count:])
    return bare, b"".join(line.removeprefix(_PREFIX).rstrip(b"\r\n") for line in lines[:count]).decode()
