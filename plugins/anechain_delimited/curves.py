"""Turn the columns of a table into a curve in hertz, decibels and degrees."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.arrays import Floats
from anechain.errors import InputError
from anechain_delimited.columns import Chosen
from anechain_delimited.table import Table

if TYPE_CHECKING:
    from anechain_delimited.options import DelimitedOptions

__all__ = ["curve_of"]

_UNIT_OPTIONS = {"frequency": "frequency_unit", "level": "level_scale", "phase": "phase_unit"}


def _listed(values: Floats, limit: int = 20) -> str:
    shown = ", ".join(f"{value:g} Hz" for value in values[:limit])
    return shown + (f" and {values.size - limit} more" if values.size > limit else "")


def _check_units(units: dict[str, str], options: DelimitedOptions, where: str) -> list[str]:
    """Refuse a header whose unit is another than the options' default; an option that was set is believed."""
    notes = []
    for kind, unit in units.items():
        option = _UNIT_OPTIONS[kind]
        used = getattr(options, option)
        if unit == used:
            continue
        if option not in options.model_fields_set:
            raise InputError.single(
                where,
                f"the header gives the {kind} in {unit}, but the option `{option}` is {used}",
                "header and options in agreement",
                f"set the option `{option}` to {unit}; or to {used}, if the header is wrong",
            )
        notes.append(f"{kind} taken as {used}, as the option says, though the header says {unit}")
    return notes


def _refuse_missing(table: Table, chosen: Chosen, keep: bool, where: str) -> None:
    for kind, column in (("frequency", chosen.frequency), ("level", chosen.level), ("phase", chosen.phase)):
        at = [row for row, of in table.missing if of == column]
        if not at or (keep and kind != "frequency"):
            continue
        cell = table.missing[at[0], column]  # type: ignore[index] # a column of None has no missing cells
        found = f"is {cell!r}" if cell else "is empty"
        more = f" (and {len(at) - 1} more)" if len(at) > 1 else ""
        raise InputError.single(
            where,
            f"line {table.lines[at[0]]}: the {kind} {found}{more}",
            "a finite number in every row",
            "export the file again"
            if kind == "frequency"
            else "export the file again, or set the option `missing` to keep for a gap; if several separators stand "
            "for one, say which by the option `separator`",
        )


def _rises(values: Floats) -> bool:
    return values.size > 1 and bool((np.diff(values) > 0).all())


def _check_frequency(frequency: Floats, level: Floats, lines: NDArray[np.int64], chosen: Chosen, where: str) -> None:
    """Refuse frequencies that are not above zero and strictly rising."""
    if frequency.size < 2:
        raise InputError.single(
            where, f"{frequency.size} row above 0 Hz", "two or more", "check that the export is whole"
        )
    steps = np.diff(frequency)
    if chosen.assumed and frequency.size > 2 and frequency[0] == 1 and (steps == 1).all() and _rises(level):
        raise InputError.single(
            where,
            "column 1 counts 1, 2, 3 to the end and column 2 rises: row numbers, it seems, before the frequency",
            "a header that names the columns, or the option `columns`",
            "say by the option `columns` which is which",
        )
    if _rises(frequency) and frequency[0] > 0:
        return
    if not _rises(frequency) and _rises(level) and level[0] > 0:
        raise InputError.single(
            where,
            f"columns look swapped: column {chosen.level + 1}, taken as the level, rises from {level[0]:g} to "
            f"{level[-1]:g}; column {chosen.frequency + 1}, taken as the frequency, does not",
            "strictly rising frequencies",
            "say by the option `columns` which is which",
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
        "frequencies above 0 Hz, each above the one before",
        "export one curve to a file, sorted by frequency; check the options `columns` and `decimal`",
    )


def _decibels(values: Floats, scale: str, lines: NDArray[np.int64], keep: bool, where: str) -> Floats:
    """Level in dB of a magnitude; one that is zero has none."""
    if scale == "decibel":
        return values
    below = values <= 0
    if below.any() and not (keep and not (values < 0).any()):
        row = int(np.argmax(below))
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


def curve_of(
    table: Table, chosen: Chosen, options: DelimitedOptions, where: str
) -> tuple[Floats, Floats, Floats | None, list[str]]:
    """Turn the columns of a table into a curve.

    Parameters
    ----------
    table : Table
        The numbers of one file.
    chosen : Chosen
        Which column is what.
    options : DelimitedOptions
        Units, and what to do with missing values.
    where : str
        The file's name, for the refusal.

    Returns
    -------
    frequency, level : numpy.ndarray
        Hz, strictly rising, and dB (re 20 µPa for pascals, re 1 for a linear magnitude); a missing level is NaN.
    phase : numpy.ndarray or None
        Degrees.
    notes : list of str
        What was dropped, converted or kept as a gap.

    Raises
    ------
    InputError
        If a value is missing or impossible, or if the frequencies do not rise.
    """
    notes = _check_units(chosen.units, options, where)
    keep = options.missing == "keep"
    _refuse_missing(table, chosen, keep, where)
    lines = table.lines
    frequency = table.values[:, chosen.frequency] * (1000.0 if options.frequency_unit == "kilohertz" else 1.0)
    level = table.values[:, chosen.level]
    phase = None if chosen.phase is None else table.values[:, chosen.phase]
    if frequency[0] == 0.0:
        frequency, level, lines = frequency[1:], level[1:], lines[1:]
        phase = None if phase is None else phase[1:]
        notes.append("the row at 0 Hz dropped")
    _check_frequency(frequency, level, lines, chosen, where)
    level = _decibels(level, options.level_scale, lines, keep, where)
    if options.frequency_unit == "kilohertz":
        notes.append("frequencies turned from kHz into Hz")
    if options.level_scale != "decibel":
        unit = "dB re 20 µPa" if options.level_scale == "pascal" else "dB re 1"
        notes.append(f"levels turned from {options.level_scale} into {unit}")
    if phase is not None and options.phase_unit == "radian":
        phase = np.rad2deg(phase)
        notes.append("phases turned from radians into degrees")
    for kind, values in (("level", level), ("phase", phase)):
        if values is None or not (gaps := np.isnan(values)).any():
            continue
        if gaps.all():
            raise InputError.single(
                where, f"the {kind} is missing in every row", f"a {kind}", "correct the option `columns` or `separator`"
            )
        notes.append(f"{kind} missing at {_listed(frequency[gaps])}: kept as not measured")
    return frequency, level, phase, notes
