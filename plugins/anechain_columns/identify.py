"""Identify files that are a table of an impedance or of harmonic orders."""

from __future__ import annotations

from pathlib import Path

from anechain.errors import InputError
from anechain.hooks import LIKELY, NO, Verdict

__all__ = ["identify"]

HEAD = 65536
"""Number of bytes that are read."""

_CONFIDENCE = LIKELY + 0.25
"""Above the confidence of importers for any table of numbers, or for titles that are angles, because names of an
impedance or of orders do not occur by chance."""


def identify(path: Path) -> Verdict:
    """Return whether a header above numbers names an impedance or harmonic orders.

    Never raises, whatever the content.
    """
    from anechain.importing.text_decoding import decode, whole_lines
    from anechain_columns.names import names_an_impedance, names_orders
    from anechain_columns.options import ColumnsOptions
    from anechain_columns.quantity import read_titled_table

    try:
        with path.open("rb") as file:
            head = whole_lines(file.read(HEAD), HEAD)
    except OSError as error:
        return Verdict(NO, f"cannot be read: {error.strerror}")
    try:
        table, cells = read_titled_table(decode(head, path.name).text, path.name, ColumnsOptions())
    except InputError as input_error:
        return Verdict(NO, input_error.problems[0].what)
    rows, columns = table.values.shape
    impedance, orders = names_an_impedance(cells), names_orders(cells)
    if impedance == orders:
        content = "both an impedance and harmonic orders" if impedance else "neither an impedance nor harmonic orders"
        return Verdict(NO, f"{rows} rows of {columns} numbers whose header names {content}")
    content = "an impedance" if impedance else "harmonic orders"
    return Verdict(_CONFIDENCE, f"{rows} rows with {content} in the header: {', '.join(cells[:6])}")
