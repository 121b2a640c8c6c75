"""Frequencies, levels, phases and angles of a table, checked."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.importing.report_lines import frequencies_text
from anechain.importing.scales import level_from_scale, refuse_missing
from anechain_tables.options import TablesOptions
from anechain_tables.sheet import Sheet

__all__ = ["check_rising", "gap_notes", "read_angles", "read_frequencies", "read_levels", "read_phases"]

ZERO_HERTZ_DROPPED = "0 Hz dropped: a logarithmic frequency axis cannot show it"


def read_frequencies(sheet: Sheet, column: int, options: TablesOptions) -> Floats:
    """Return the frequencies of a column in Hz.

    Raises
    ------
    InputError
        If one is missing or negative.
    """
    values = sheet.numbers(column) * (1000.0 if options.frequency_unit == "kilohertz" else 1.0)
    missing = np.isnan(values)
    if missing.any() or (values < 0).any():
        row = int(np.argmax(missing | (values < 0)))
        problem = "is empty" if missing[row] else f"is {values[row]:g} Hz"
        raise InputError.single(
            sheet.where,
            f"{sheet.row_name(row)}: the frequency {problem}",
            "0 Hz or above in each row",
            "export it again",
        )
    return values


def check_rising(sheet: Sheet, frequency: Floats, rows: NDArray[np.intp], of_direction: str = "") -> None:
    """Refuse frequencies that do not rise.

    Parameters
    ----------
    sheet : Sheet
        The table.
    frequency : numpy.ndarray
        Hz.
    rows : numpy.ndarray of int
        Their rows.
    of_direction : str
        The direction, such as " of horizontal 30°", for the message.
    """
    falling = np.diff(frequency) <= 0
    if falling.any():
        index = int(np.argmax(falling))
        row = sheet.row_name(int(rows[index + 1]))
        raise InputError.single(
            sheet.where,
            f"{row}: frequency{of_direction} {frequency[index + 1]:g} Hz after {frequency[index]:g} Hz",
            "rising frequencies, each once",
            "sort the rows, and remove repeated ones",
        )


def read_levels(
    sheet: Sheet, column: int, name: str, rows: slice | NDArray[np.bool_], options: TablesOptions
) -> Floats:
    """Return the levels of a column in dB.

    Parameters
    ----------
    sheet : Sheet
        The table.
    column : int
        Its column.
    name : str
        Name of the column in messages.
    rows : slice or numpy.ndarray of bool
        Rows in which a missing value is refused, unless the option `missing` keeps it.
    options : TablesOptions
        With the scale.
    """
    level = level_from_scale(sheet.numbers(column), options.level_scale, repr(sheet.titles[column]), sheet.where)
    refuse_missing(level[rows], "level", name, sheet.where, options.missing == "keep")
    return level


def read_phases(
    sheet: Sheet, column: int, name: str, rows: slice | NDArray[np.bool_], options: TablesOptions
) -> Floats:
    """Return the phases of a column in degrees; parameters as for :func:`read_levels`."""
    values = sheet.numbers(column)
    phase = np.asarray(np.rad2deg(values) if options.phase_unit == "radian" else values)
    refuse_missing(phase[rows], "phase", name, sheet.where, options.missing == "keep")
    return phase


def read_angles(sheet: Sheet, column: int, name: str, limit: float) -> Floats:
    """Return the angles of a column in degrees, rounded to 1e-6.

    Raises
    ------
    InputError
        If one is missing, or its magnitude exceeds `limit`.
    """
    values = sheet.numbers(column)
    wrong = ~(np.abs(values) <= limit + 1e-6)
    if wrong.any():
        row = int(np.argmax(wrong))
        problem = "is empty" if np.isnan(values[row]) else f"is {values[row]:g}°"
        raise InputError.single(
            sheet.where,
            f"{sheet.row_name(row)}: the {name} {problem}",
            f"degrees within ±{limit:g}",
            "correct the table",
        )
    # Adding 0 turns -0 into 0, so that both are one direction.
    return np.round(values, 6) + 0.0


def gap_notes(quantity: str, name: str, frequency: Floats, values: Floats) -> list[str]:
    """Return the line of the report on missing values of a direction; no line if none is missing."""
    missing = np.isnan(values)
    if not missing.any():
        return []
    return [f"{quantity} of {name} missing at {frequencies_text(frequency[missing])}: kept as not measured"]
