"""Turn the columns of a table into modulus and phase of an impedance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from anechain_delimited.table import Table

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain_columns.choosing import columns_of_impedance
from anechain_columns.numbers import frequencies_of, listed, refuse_missing, unit_in_force
from anechain_columns.options import ColumnsOptions

__all__ = ["Impedance", "impedance_of"]


@dataclass(frozen=True)
class Impedance:
    """One impedance.

    Attributes
    ----------
    frequency, magnitude : numpy.ndarray, shape (n,)
        Hz, rising, and ohm; NaN where it is missing.
    phase : numpy.ndarray or None
        Degrees in (-180, 180], inductive positive; None if the table has none.
    notes : tuple of str
        What was assumed, converted or dropped.
    """

    frequency: Floats
    magnitude: Floats
    phase: Floats | None
    notes: tuple[str, ...]


def impedance_of(table: Table, cells: list[str], options: ColumnsOptions, where: str) -> Impedance:
    """Read an impedance from a table.

    Parameters
    ----------
    table : Table
        The numbers of one file.
    cells : list of str
        Header of each column; empty if there is none.
    options : ColumnsOptions
        Columns, units, and what to do with missing values.
    where : str
        The file's name, for the refusal.

    Raises
    ------
    InputError
        If a column cannot be told, a value is missing or impossible, or the frequencies do not rise.
    """
    columns, notes = columns_of_impedance(cells, options, table.values.shape[1], where)

    def cell(kind: str) -> str:
        return cells[columns[kind]] if cells else ""

    refuse_missing(table, columns, options.missing == "keep", where)
    frequency, rows = frequencies_of(table, columns["frequency"], cell("frequency"), options, notes, where)
    values = {kind: table.values[rows, at] for kind, at in columns.items() if kind != "frequency"}
    phase: Floats | None
    first = "real" if "real" in columns else "magnitude"
    units = {kind: unit_in_force("impedance", cell(kind), options, notes) for kind in values if kind != "phase"}
    if len(set(units.values())) > 1:
        raise InputError.single(where, "real and imaginary part have different units", "one unit", "correct the header")
    if units[first] == "kilohm":
        values |= {kind: values[kind] * 1000.0 for kind in units}
        notes.append("impedance turned from kilohm into ohm")
    if first == "real":
        whole = values["real"] + 1j * values["imaginary"]
        magnitude = np.asarray(np.abs(whole))
        phase = np.where(np.isnan(whole), np.nan, np.rad2deg(np.angle(whole)))
        notes.append("modulus and phase from real and imaginary part")
    else:
        magnitude = values["magnitude"]
        phase = _degrees(values["phase"], cell("phase"), options, notes, where) if "phase" in values else None
    if (magnitude <= 0).any():
        row = int(np.argmax(magnitude <= 0))
        raise InputError.single(
            where,
            f"line {table.lines[rows][row]}: the modulus is {magnitude[row]:g} ohm",
            "a modulus above zero",
            "correct the option `columns`, or export the file again",
        )
    for kind, given in (("impedance", magnitude), ("phase", phase)):
        if given is None or not (gaps := np.isnan(given)).any():
            continue
        if gaps.all():
            raise InputError.single(where, f"the {kind} is missing in every row", f"a {kind}", "correct `columns`")
        notes.append(f"{kind} missing at {listed(frequency[gaps])}: kept as not measured")
    if phase is None:
        notes.append("phase missing: the table has none")
    elif (np.abs(phase[~np.isnan(phase)]) > 90.0).any():
        at = int(np.nanargmax(np.abs(phase)))
        notes.append(
            f"phase of {phase[at]:.1f}° at {frequency[at]:g} Hz: beyond ±90° no passive load goes; the polarity or the "
            "calibration of the measurement is in doubt"
        )
    return Impedance(frequency, magnitude, phase, tuple(notes))


def _degrees(values: Floats, cell: str, options: ColumnsOptions, notes: list[str], where: str) -> Floats:
    """Phase in degrees within (-180, 180].

    Raises
    ------
    InputError
        If nothing names the unit and the values would do for radians too.
    """
    said: list[str] = []
    unit = unit_in_force("phase", cell, options, said)
    largest = float(np.nanmax(np.abs(values), initial=0.0))
    if said and options.phase_unit == "auto" and largest <= np.pi / 2:
        raise InputError.single(
            where,
            f"nothing names the unit of the phase, and no value is beyond {largest:.3g}: degrees or radians",
            "a unit in the header",
            "set the option `phase_unit`",
        )
    notes.extend(said)
    degrees = np.rad2deg(values) if unit == "radian" else values
    if unit == "radian":
        notes.append("phase turned from radians into degrees")
    inside = 180.0 - (180.0 - degrees) % 360.0
    if (np.abs(inside - degrees) > 1.0).any():
        notes.append("phases outside (-180°, 180°] taken as the same angles inside it")
        return np.asarray(inside)
    return np.asarray(np.where(degrees <= -180.0, 180.0, degrees))
