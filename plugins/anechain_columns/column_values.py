"""Values of single columns: units, missing cells and frequencies."""

from __future__ import annotations

import numpy as np

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.importing.text_table import TextTable
from anechain_columns.names import unit_of
from anechain_columns.options import ColumnsOptions

__all__ = ["check_missing", "degrees_of_column", "frequencies_of_column", "unit_of_column"]


_ASSUMED = {"frequency": "hertz", "phase": "degree", "impedance": "ohm"}


def unit_of_column(kind: str, cell: str, options: ColumnsOptions, notes: list[str]) -> str:
    """Return the unit of a column: of the option, else of the header, else assumed, with a note.

    Parameters
    ----------
    kind : {"frequency", "phase", "impedance"}
    cell : str
        Header of the column.
    options : ColumnsOptions
    notes : list of str
        Notes are appended to it.
    """
    option_unit: str = getattr(options, f"{kind}_unit")
    header_unit = unit_of(cell, kind)
    if option_unit != "auto":
        if header_unit not in (None, option_unit):
            notes.append(f"{kind} read as {option_unit}, by the option, although the header has {header_unit}")
        return option_unit
    if header_unit is None:
        notes.append(f"{kind} read as {_ASSUMED[kind]}: the header has no unit")
    return header_unit or _ASSUMED[kind]


def check_missing(table: TextTable, columns: dict[str, int], keep: bool, where: str) -> None:
    """Check that no cell of the columns is missing.

    Parameters
    ----------
    table : TextTable
    columns : dict of str to int
        Columns, from 0, by name.
    keep : bool
        Whether cells may be missing in all columns but the frequency.
    where : str
        File name for error messages.

    Raises
    ------
    InputError
        With the first missing cell.
    """
    for name, column in columns.items():
        rows = [row for row, missing_column in table.missing if missing_column == column]
        if not rows or (keep and name != "frequency"):
            continue
        cell = table.missing[rows[0], column]
        more = f" (and {len(rows) - 1} more)" if len(rows) > 1 else ""
        raise InputError.single(
            where,
            f"line {table.lines[rows[0]]}: the {name} {f'is {cell!r}' if cell else 'is empty'}{more}",
            "a finite number in every row",
            "export the file again"
            + ("" if name == "frequency" else ", or set the option `missing` to keep for a gap"),
        )


def frequencies_of_column(
    table: TextTable, column: int, cell: str, options: ColumnsOptions, notes: list[str], where: str
) -> tuple[Floats, slice]:
    """Return the frequencies of a table, without a row at 0 Hz.

    Parameters
    ----------
    table : TextTable
    column : int
        Column of the frequency, from 0.
    cell : str
        Header of the column.
    options : ColumnsOptions
    notes : list of str
        Notes are appended to it.
    where : str
        File name for error messages.

    Returns
    -------
    frequency : numpy.ndarray, shape (frequencies,)
        Hz, above zero, strictly rising.
    rows : slice
        Rows of the table with these frequencies.

    Raises
    ------
    InputError
        If frequencies do not rise or are not above zero, or if there are fewer than two.
    """
    unit = unit_of_column("frequency", cell, options, notes)
    values = table.values[:, column] * (1000.0 if unit == "kilohertz" else 1.0)
    if unit == "kilohertz":
        notes.append("frequencies converted from kHz to Hz")
    rows = slice(0, None)
    if values[0] == 0.0:
        rows = slice(1, None)
        notes.append("row at 0 Hz removed")
    values, lines = values[rows], table.lines[rows]
    if values.size < 2:
        raise InputError.single(
            where, f"{values.size} rows above 0 Hz", "two or more", "check that the exported file is complete"
        )
    bad = np.flatnonzero(np.r_[values[0] <= 0, np.diff(values) <= 0])
    if bad.size:
        row = int(bad[0])
        after = f" after {values[row - 1]:g} Hz" if row else ""
        raise InputError.single(
            where,
            f"line {lines[row]}: the frequency is {values[row]:g} Hz{after}",
            "frequencies above 0 Hz, each above the previous one",
            "export one table per file, sorted by frequency; check the options `columns` and `decimal`",
        )
    return values, rows


def degrees_of_column(values: Floats, cell: str, options: ColumnsOptions, notes: list[str], where: str) -> Floats:
    """Return the phase in degrees, within (-180, 180].

    Raises
    ------
    InputError
        If the header has no unit, and the values could also be radians.
    """
    unit_notes: list[str] = []
    unit = unit_of_column("phase", cell, options, unit_notes)
    largest = float(np.nanmax(np.abs(values), initial=0.0))
    if unit_notes and options.phase_unit == "auto" and largest <= np.pi / 2:
        raise InputError.single(
            where,
            f"the header has no unit of the phase, and values up to {largest:.3g} could be degrees or radians",
            "a unit in the header",
            "set the option `phase_unit`",
        )
    notes.extend(unit_notes)
    degrees = np.rad2deg(values) if unit == "radian" else values
    if unit == "radian":
        notes.append("phase converted from radians to degrees")
    wrapped = 180.0 - (180.0 - degrees) % 360.0
    if (np.abs(wrapped - degrees) > 1.0).any():
        notes.append("phases outside (-180°, 180°] converted to the same angles inside this range")
        return np.asarray(wrapped)
    return np.asarray(np.where(degrees <= -180.0, 180.0, degrees))
