"""Impedance of a table: modulus and phase."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.importing.report_lines import frequencies_text
from anechain.importing.text_table import TextTable
from anechain_columns.column_values import check_missing, degrees_of_column, frequencies_of_column, unit_of_column
from anechain_columns.columns import impedance_columns
from anechain_columns.options import ColumnsOptions

__all__ = ["Impedance", "impedance_of_table"]


@dataclass(frozen=True)
class Impedance:
    """Impedance over frequency.

    Attributes
    ----------
    frequency, magnitude : numpy.ndarray, shape (frequencies,)
        Hz, rising, and ohm; the magnitude is NaN where it is missing.
    phase : numpy.ndarray or None
        Degrees in (-180, 180], inductive positive; None if the table has none.
    notes : tuple of str
        What was assumed, converted or ignored.
    """

    frequency: Floats
    magnitude: Floats
    phase: Floats | None
    notes: tuple[str, ...]


def impedance_of_table(table: TextTable, cells: list[str], options: ColumnsOptions, where: str) -> Impedance:
    """Return the impedance that a table holds.

    Parameters
    ----------
    table : TextTable
        The numbers of one file.
    cells : list of str
        Header of each column; empty if there is none.
    options : ColumnsOptions
        Columns, units, and what to do with missing values.
    where : str
        File name for error messages.

    Raises
    ------
    InputError
        If a column is not known, a value is missing or impossible, or the frequencies do not rise.
    """
    columns, notes = impedance_columns(cells, options, table.values.shape[1], where)

    def cell(kind: str) -> str:
        return cells[columns[kind]] if cells else ""

    check_missing(table, columns, options.missing == "keep", where)
    frequency, rows = frequencies_of_column(table, columns["frequency"], cell("frequency"), options, notes, where)
    values = {kind: table.values[rows, column] for kind, column in columns.items() if kind != "frequency"}
    phase: Floats | None
    main = "real" if "real" in columns else "magnitude"
    units = {kind: unit_of_column("impedance", cell(kind), options, notes) for kind in values if kind != "phase"}
    if len(set(units.values())) > 1:
        raise InputError.single(where, "real and imaginary part have different units", "one unit", "correct the header")
    if units[main] == "kilohm":
        values |= {kind: values[kind] * 1000.0 for kind in units}
        notes.append("impedance converted from kilohm to ohm")
    if main == "real":
        impedance = values["real"] + 1j * values["imaginary"]
        magnitude = np.asarray(np.abs(impedance))
        phase = np.where(np.isnan(impedance), np.nan, np.rad2deg(np.angle(impedance)))
        notes.append("modulus and phase calculated from real and imaginary part")
    else:
        magnitude = values["magnitude"]
        phase = degrees_of_column(values["phase"], cell("phase"), options, notes, where) if "phase" in values else None
    if (magnitude <= 0).any():
        row = int(np.argmax(magnitude <= 0))
        raise InputError.single(
            where,
            f"line {table.lines[rows][row]}: the modulus is {magnitude[row]:g} ohm",
            "a modulus above zero",
            "correct the option `columns`, or export the file again",
        )
    for kind, curve in (("impedance", magnitude), ("phase", phase)):
        if curve is None or not (gaps := np.isnan(curve)).any():
            continue
        if gaps.all():
            raise InputError.single(where, f"the {kind} is missing in every row", f"a {kind}", "correct `columns`")
        notes.append(f"{kind} missing at {frequencies_text(frequency[gaps])}: kept as not measured")
    if phase is None:
        notes.append("phase missing: the table has none")
    elif (np.abs(phase[~np.isnan(phase)]) > 90.0).any():
        largest = int(np.nanargmax(np.abs(phase)))
        notes.append(
            f"phase of {phase[largest]:.1f}° at {frequency[largest]:g} Hz: the phase of a passive load is within ±90°; "
            "check polarity and calibration of the measurement"
        )
    return Impedance(frequency, magnitude, phase, tuple(notes))
