"""Curve of a file: columns of a table in Hz, dB and degrees."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.importing.report_lines import frequencies_text
from anechain.importing.text_table import TextTable
from anechain_delimited.columns import CurveColumns

if TYPE_CHECKING:
    from anechain_delimited.options import DelimitedOptions

__all__ = ["curve_of_table"]

_UNIT_OPTIONS = {"frequency": "frequency_unit", "level": "level_scale", "phase": "phase_unit"}
_LISTED_GAPS = 20
"""Number of gaps whose frequencies the report lists."""


def curve_of_table(
    table: TextTable, columns: CurveColumns, options: DelimitedOptions, where: str
) -> tuple[Floats, Floats, Floats | None, list[str]]:
    """Return the curve that the columns of a table hold.

    Parameters
    ----------
    table : TextTable
        The numbers of one file.
    columns : CurveColumns
        Which column is which.
    options : DelimitedOptions
        Units, and what to do with missing values.
    where : str
        File name for error messages.

    Returns
    -------
    frequency, level : numpy.ndarray, shape (frequencies,)
        Hz, strictly rising, and dB (re 20 µPa for pascals, re 1 for a linear magnitude). A missing level is NaN.
    phase : numpy.ndarray or None
        Degrees.
    notes : list of str
        What was removed, converted or kept as a gap.

    Raises
    ------
    InputError
        If a value is missing or impossible, or if the frequencies do not rise.
    """
    keep = options.missing == "keep"
    notes = _check_units(columns.units, options, where)
    _check_missing(table, columns, keep, where)
    lines = table.lines
    frequency = table.values[:, columns.frequency] * (1000.0 if options.frequency_unit == "kilohertz" else 1.0)
    level = table.values[:, columns.level]
    phase = None if columns.phase is None else table.values[:, columns.phase]
    if frequency[0] == 0.0:
        frequency, level, lines = frequency[1:], level[1:], lines[1:]
        phase = None if phase is None else phase[1:]
        notes.append("row at 0 Hz removed")
    _check_frequency(frequency, level, lines, columns, where)
    level = _level(level, options.level_scale, lines, keep, where)
    if options.frequency_unit == "kilohertz":
        notes.append("frequencies converted from kHz to Hz")
    if options.level_scale != "decibel":
        unit = "dB re 20 µPa" if options.level_scale == "pascal" else "dB re 1"
        notes.append(f"levels converted from {options.level_scale} to {unit}")
    if phase is not None and options.phase_unit == "radian":
        phase = np.rad2deg(phase)
        notes.append("phases converted from radians to degrees")
    for kind, values in (("level", level), ("phase", phase)):
        if values is None or not (gaps := np.isnan(values)).any():
            continue
        if gaps.all():
            raise InputError.single(
                where, f"the {kind} is missing in every row", f"a {kind}", "correct the option `columns` or `separator`"
            )
        notes.append(f"{kind} missing at {frequencies_text(frequency[gaps], _LISTED_GAPS)}: kept as not measured")
    return frequency, level, phase, notes


def _check_units(units: dict[str, str], options: DelimitedOptions, where: str) -> list[str]:
    """Check that the units in the header are those of the options. An option that was set overrides the header."""
    notes = []
    for kind, unit in units.items():
        option = _UNIT_OPTIONS[kind]
        option_unit = getattr(options, option)
        if unit == option_unit:
            continue
        if option not in options.model_fields_set:
            raise InputError.single(
                where,
                f"the header has the {kind} in {unit}, but the option `{option}` is {option_unit}",
                "the same unit in header and options",
                f"set the option `{option}` to {unit}; or to {option_unit}, if the header is wrong",
            )
        notes.append(f"{kind} read as {option_unit}, by the option, although the header has {unit}")
    return notes


def _check_missing(table: TextTable, columns: CurveColumns, keep: bool, where: str) -> None:
    """Check that no cell is missing; with `keep`, level and phase may have missing cells."""
    for kind, column in (("frequency", columns.frequency), ("level", columns.level), ("phase", columns.phase)):
        rows = [row for row, missing_column in table.missing if missing_column == column]
        if column is None or not rows or (keep and kind != "frequency"):
            continue
        cell = table.missing[rows[0], column]
        what = f"is {cell!r}" if cell else "is empty"
        more = f" (and {len(rows) - 1} more)" if len(rows) > 1 else ""
        raise InputError.single(
            where,
            f"line {table.lines[rows[0]]}: the {kind} {what}{more}",
            "a finite number in every row",
            "export the file again"
            if kind == "frequency"
            else "export the file again, or set the option `missing` to keep for a gap; if several separators stand "
            "for one, set the option `separator`",
        )


def _rises(values: Floats) -> bool:
    return values.size > 1 and bool((np.diff(values) > 0).all())


def _check_frequency(
    frequency: Floats, level: Floats, lines: NDArray[np.int64], columns: CurveColumns, where: str
) -> None:
    """Check that frequencies are above zero and rise strictly."""
    if frequency.size < 2:
        raise InputError.single(
            where, f"{frequency.size} row above 0 Hz", "two or more", "check that the exported file is complete"
        )
    steps = np.diff(frequency)
    if columns.assumed and frequency.size > 2 and frequency[0] == 1 and (steps == 1).all() and _rises(level):
        raise InputError.single(
            where,
            "column 1 counts 1, 2, 3 to the end and column 2 rises: probably row numbers before the frequency",
            "a header that names the columns, or the option `columns`",
            "name the columns in the option `columns`",
        )
    if _rises(frequency) and frequency[0] > 0:
        return
    if not _rises(frequency) and _rises(level) and level[0] > 0:
        raise InputError.single(
            where,
            f"columns look swapped: column {columns.level + 1}, read as the level, rises from {level[0]:g} to "
            f"{level[-1]:g}; column {columns.frequency + 1}, read as the frequency, does not",
            "strictly rising frequencies",
            "name the columns in the option `columns`",
        )
    if (steps < 0).all() and frequency[-1] > 0:
        what = f"the frequencies fall from {frequency[0]:g} to {frequency[-1]:g} Hz"
    elif (frequency <= 0).any():
        row = int(np.argmax(frequency <= 0))
        what = f"line {lines[row]}: the frequency is {frequency[row]:g} Hz"
    else:
        row = int(np.argmax(steps <= 0))
        what = f"line {lines[row + 1]}: the frequency is {frequency[row + 1]:g} Hz after {frequency[row]:g} Hz"
    raise InputError.single(
        where,
        what,
        "frequencies above 0 Hz, each above the previous one",
        "export one curve per file, sorted by frequency; check the options `columns` and `decimal`",
    )


def _level(values: Floats, scale: str, lines: NDArray[np.int64], keep: bool, where: str) -> Floats:
    """Return the level in dB; NaN for a magnitude of zero."""
    if scale == "decibel":
        return values
    not_positive = values <= 0
    if not_positive.any() and not (keep and not (values < 0).any()):
        row = int(np.argmax(not_positive))
        raise InputError.single(
            where,
            f"line {lines[row]}: the magnitude is {values[row]:g}, which has no level",
            "magnitudes above zero",
            "set the option `level_scale` to decibel if these are levels"
            if values[row] < 0
            else "export the file again, or set the option `missing` to keep for a gap",
        )
    reference = REFERENCE_PRESSURE if scale == "pascal" else 1.0
    level = np.full(values.shape, np.nan)
    np.log10(values / reference, out=level, where=values > 0)
    return 20.0 * level
