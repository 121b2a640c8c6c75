"""Curves of a wide table: a column of levels for each direction."""

from __future__ import annotations

import numpy as np

from anechain.arrays import Floats
from anechain.assemble import Curve
from anechain.errors import InputError, Problem
from anechain_tables.options import TablesOptions
from anechain_tables.sheet import Sheet
from anechain_tables.titles import wide_columns
from anechain_tables.values import (
    ZERO_HERTZ_DROPPED,
    check_rising,
    gap_notes,
    read_frequencies,
    read_levels,
    read_phases,
)

__all__ = ["curves_of_wide_table"]


def curves_of_wide_table(sheet: Sheet, frequency_column: int, options: TablesOptions, notes: list[str]) -> list[Curve]:
    """Read a wide table.

    Parameters
    ----------
    sheet : Sheet
        The table.
    frequency_column : int
        Its column of frequencies.
    options : TablesOptions
        Options of the campaign.
    notes : list of str
        A line is added for everything that is dropped, missing or assumed.

    Raises
    ------
    InputError
        With every column that cannot be read.
    """
    columns = wide_columns(sheet, frequency_column, options)
    notes.extend(columns.notes)
    frequency = read_frequencies(sheet, frequency_column, options)
    check_rising(sheet, frequency, np.arange(frequency.size))
    first = _first_above_zero(frequency, notes, sheet)
    frequency, used = frequency[first:], slice(first, None)
    phase_columns = {(direction.plane, direction.angle): column for column, direction in columns.phases.items()}
    curves: list[Curve] = []
    problems: list[Problem] = []
    for column, direction in columns.levels.items():
        title = sheet.titles[column]
        try:
            level = read_levels(sheet, column, f"column {title!r}", used, options)[used]
            phase = None
            phase_column = phase_columns.pop((direction.plane, direction.angle), None)
            if phase_column is not None:
                name = f"column {sheet.titles[phase_column]!r}"
                phase = read_phases(sheet, phase_column, name, used, options)[used]
                notes.extend(gap_notes("phase", repr(title), frequency, phase))
        except InputError as input_error:
            problems.extend(input_error.problems)
            continue
        notes.extend(gap_notes("level", repr(title), frequency, level))
        source = f"{sheet.where}, column {title!r}"
        curves.append(Curve(direction.plane, direction.angle, frequency, level, phase, source))
    problems.extend(
        Problem(sheet.where, f"column {sheet.titles[column]!r} is a phase without its level", "a level for each phase")
        for column in phase_columns.values()
    )
    if problems:
        raise InputError(problems)
    return curves


def _first_above_zero(frequency: Floats, notes: list[str], sheet: Sheet) -> int:
    """Return the index of the first frequency above 0 Hz."""
    first = int(frequency[0] == 0)
    if first:
        notes.append(ZERO_HERTZ_DROPPED)
    if frequency.size <= first:
        raise InputError.single(sheet.where, "no row above 0 Hz", "a response over frequency", "export the table again")
    return first
