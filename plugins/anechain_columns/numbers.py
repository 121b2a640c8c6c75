"""Check and convert the numbers of single columns."""

from __future__ import annotations

import numpy as np
from anechain_delimited.table import Table

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain_columns.names import unit_of
from anechain_columns.options import ColumnsOptions

__all__ = ["frequencies_of", "listed", "refuse_missing", "unit_in_force"]


_ASSUMED = {"frequency": "hertz", "phase": "degree", "impedance": "ohm"}


def listed(values: Floats, limit: int = 8) -> str:
    """Frequencies in words, for the report."""
    shown = ", ".join(f"{value:g} Hz" for value in values[:limit])
    return shown + (f" and {values.size - limit} more" if values.size > limit else "")


def unit_in_force(kind: str, cell: str, options: ColumnsOptions, notes: list[str]) -> str:
    """Unit of a frequency, phase or impedance: the option's, else the header's, else assumed and said so."""
    wanted: str = getattr(options, f"{kind}_unit")
    given = unit_of(cell, kind)
    if wanted != "auto":
        if given not in (None, wanted):
            notes.append(f"{kind} taken as {wanted}, as the option says, though the header says {given}")
        return wanted
    if given is None:
        notes.append(f"{kind} taken as {_ASSUMED[kind]}: nothing names its unit")
    return given or _ASSUMED[kind]


def refuse_missing(table: Table, columns: dict[str, int], keep: bool, where: str) -> None:
    """Refuse cells without a number in the columns named: in the frequency always, elsewhere unless they are kept.

    Raises
    ------
    InputError
        Naming the first of them.
    """
    for name, column in columns.items():
        at = [row for row, of in table.missing if of == column]
        if not at or (keep and name != "frequency"):
            continue
        cell = table.missing[at[0], column]
        more = f" (and {len(at) - 1} more)" if len(at) > 1 else ""
        raise InputError.single(
            where,
            f"line {table.lines[at[0]]}: the {name} {f'is {cell!r}' if cell else 'is empty'}{more}",
            "a finite number in every row",
            "export the file again"
            + ("" if name == "frequency" else ", or set the option `missing` to keep for a gap"),
        )


def frequencies_of(
    table: Table, column: int, cell: str, options: ColumnsOptions, notes: list[str], where: str
) -> tuple[Floats, slice]:
    """Frequencies in Hz, above zero and strictly rising, and the rows they are in: a row at 0 Hz is dropped.

    Raises
    ------
    InputError
        If they are not, or fewer than two are left.
    """
    unit = unit_in_force("frequency", cell, options, notes)
    values = table.values[:, column] * (1000.0 if unit == "kilohertz" else 1.0)
    if unit == "kilohertz":
        notes.append("frequencies turned from kHz into Hz")
    rows = slice(0, None)
    if values[0] == 0.0:
        rows = slice(1, None)
        notes.append("the row at 0 Hz dropped")
    values, lines = values[rows], table.lines[rows]
    if values.size < 2:
        raise InputError.single(
            where, f"{values.size} rows above 0 Hz", "two or more", "check that the export is whole"
        )
    bad = np.flatnonzero(np.r_[values[0] <= 0, np.diff(values) <= 0])
    if bad.size:
        row = int(bad[0])
        after = f" after {values[row - 1]:g} Hz" if row else ""
        raise InputError.single(
            where,
            f"line {lines[row]}: the frequency is {values[row]:g} Hz{after}",
            "frequencies above 0 Hz, each above the one before",
            "export one table to a file, sorted by frequency; check the options `columns` and `decimal`",
        )
    return values, rows
