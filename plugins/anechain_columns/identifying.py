"""Tell whether a file is a table of an impedance or of harmonic orders."""

from __future__ import annotations

from pathlib import Path

from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, Verdict

__all__ = ["identify"]

HEAD = 65536
"""Bytes that are looked at."""

_NAMED = LIKELY + 0.25
"""More than is said of any table of numbers, or of one whose titles are angles: ohms and orders are no accident."""


def identify(path: Path) -> Verdict:
    """Look for a header that names an impedance or harmonic orders above numbers; never raises on junk."""
    from anechain_delimited.decoding import decode

    from anechain_columns.choosing import table_of
    from anechain_columns.names import name_an_impedance, name_orders
    from anechain_columns.options import ColumnsOptions

    try:
        with path.open("rb") as file:
            head = file.read(HEAD)
    except OSError as error:
        return Verdict(NO, f"cannot be read: {error.strerror}")
    # What was cut off in the middle of a line, or of a character, says nothing.
    end = max(head.rfind(b"\n"), head.rfind(b"\r")) + 1
    if len(head) == HEAD and end:
        # UTF-16 has two bytes to a character.
        head = head[: end + (end % 2 if b"\0" in head else 0)]
    try:
        table, cells = table_of(decode(head, path.name).text, path.name, ColumnsOptions())
    except InputError as input_error:
        return Verdict(NO, input_error.problems[0].what)
    rows, columns = table.values.shape
    ohms, orders = name_an_impedance(cells), name_orders(cells)
    if ohms == orders:
        what = "both an impedance and harmonic orders" if ohms else "neither an impedance nor harmonic orders"
        return Verdict(NO, f"{rows} rows of {columns} numbers whose header names {what}")
    names = ", ".join(cells[:6])
    return Verdict(_NAMED, f"{rows} rows with {'an impedance' if ohms else 'harmonic orders'} in the header: {names}")
