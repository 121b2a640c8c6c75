"""Spectra, levels and phases of the functions of a universal file."""

from __future__ import annotations

import numpy as np

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.acoustics.recording.transforms import level_and_phase, spectrum_of_impulse_response
from anechain.arrays import Complexes, Floats
from anechain.errors import InputError, Problem
from anechain_uff.functions import Function
from anechain_uff.options import UffOptions

__all__ = ["KNOWN_KINDS", "level_and_phase_of", "spectrum_of"]

_UNKNOWN_KIND, _FREQUENCY_RESPONSE, _SPECTRUM = 0, 4, 12
_RESPONSES = (_FREQUENCY_RESPONSE, _SPECTRUM)
_TIME_RECORDS = (1, 25)
"""Time response, finite impulse response filter."""
KNOWN_KINDS = (_UNKNOWN_KIND, *_RESPONSES, *_TIME_RECORDS)
"""Function types that may be responses."""
_TIME_AXIS, _FREQUENCY_AXIS, _UNKNOWN_AXIS, _GENERAL_AXIS = 17, 18, 0, 1
_HERTZ = ("hz", "hertz", "1/s")
_ORDINATES = {
    2: "stress",
    3: "strain",
    8: "displacement",
    9: "force",
    11: "velocity",
    12: "acceleration",
    13: "force",
    15: "pressure",
}
"""Names of the ordinate's specific data types."""


def spectrum_of(function: Function, options: UffOptions, notes: list[str]) -> tuple[Floats, Complexes, bool]:
    """Return the spectrum of a function that is a response.

    Parameters
    ----------
    function : Function
        The function.
    options : UffOptions
        What the campaign declares.
    notes : list of str
        A line is added for everything assumed or dropped.

    Returns
    -------
    frequency : numpy.ndarray, shape (frequencies,)
        Hz, above 0.
    values : numpy.ndarray of complex, shape (frequencies,)
        In the unit of the file.
    has_phase : bool
        False if the file has magnitudes only.

    Raises
    ------
    InputError
        If the function is not a response, or its values or frequencies are not valid.
    """
    is_time = function.kind in _TIME_RECORDS or (
        function.kind == _UNKNOWN_KIND and function.abscissa_kind == _TIME_AXIS
    )
    problems = [*_unit_problems(function, options, notes), *_kind_problems(function, options, is_time)]
    if not np.isfinite(function.values).all():
        problems.append(
            Problem(function.where, "it contains values that are not finite", "finite numbers", "export the file again")
        )
    if (
        is_time
        and not problems
        and (function.step is None or not function.step > 0 or np.iscomplexobj(function.values))
    ):
        problems.append(
            Problem(
                function.where,
                "its samples are not real and evenly spaced",
                "real samples at one rate",
                "export it with even spacing",
            )
        )
    if problems:
        raise InputError(problems)
    if is_time:
        frequency, values = _transformed(function, notes)
    else:
        frequency, values = function.abscissa, np.asarray(function.values, dtype=np.complex128)
        if _is_unnamed_response(function):
            notes.append("function type 0, unknown: read as a frequency response, because it is complex over frequency")
        if function.kind == _SPECTRUM:
            notes.append("a spectrum is read as the response: correct only if the drive was equal at all frequencies")
    if frequency[0] == 0:
        notes.append("0 Hz dropped: a logarithmic frequency axis cannot show it")
        frequency, values = frequency[1:], values[1:]
    has_phase = is_time or np.iscomplexobj(function.values)
    if not has_phase:
        notes.append("phase dropped: the values are real, magnitudes only")
    if not frequency.size or not values.any():
        raise InputError.single(
            function.where, "it is zero everywhere, or has no frequency above 0 Hz", "a response", "export it again"
        )
    return frequency, values, has_phase


def _transformed(function: Function, notes: list[str]) -> tuple[Floats, Complexes]:
    """Return the spectrum of an impulse response; its start on the time axis is included in the phase."""
    assert function.step is not None
    frequency, values = spectrum_of_impulse_response(function.values.real, 1 / function.step)
    values = values * np.exp(-2j * np.pi * frequency * function.abscissa[0])
    notes.append(
        f"impulse response of {function.values.size} samples at {1 / function.step:.6g} Hz (its step has six digits) "
        f"transformed as a whole, as declared, to {frequency.size} frequencies"
    )
    return frequency, values


def _kind_problems(function: Function, options: UffOptions, is_time: bool) -> list[Problem]:
    if is_time and options.time_data == "refuse":
        return [
            Problem(
                function.where,
                f"it is a {function.type_name}: a time record, which is a response only if it is an impulse response",
                "frequency responses",
                'set `time_data: "impulse response"` if it is one; otherwise export the frequency response',
            )
        ]
    if is_time:
        return []
    if function.kind not in _RESPONSES and not _is_unnamed_response(function):
        return [
            Problem(
                function.where,
                f"it is a {function.type_name}: not a response from the input of the device to its output",
                "frequency response functions (type 4) or spectra (type 12)",
                'export the frequency response function, or set `others: "leave out"`',
            )
        ]
    return _frequency_problems(function)


def _is_unnamed_response(function: Function) -> bool:
    """Return whether a function of unknown type can be a frequency response."""
    return (
        function.kind == _UNKNOWN_KIND
        and function.abscissa_kind == _FREQUENCY_AXIS
        and np.iscomplexobj(function.values)
    )


def _unit_problems(function: Function, options: UffOptions, notes: list[str]) -> list[Problem]:
    unit, denominator = function.ordinate_unit, function.denominator_unit
    text = unit + (f" over {denominator}" if denominator else "")
    notes.append(f"unit of the values as written: {text or 'none'}")
    if options.quantity == "relative":
        return []
    plain = unit.replace(" ", "").strip("()").casefold()
    if plain in ("pa", "pascal") or plain.startswith(("pa/", "pascal/")):
        if "/" in plain or denominator:
            notes.append(f"the values are in {text}: levels hold for a denominator of 1 (drive: 1 for volts)")
        return []
    ordinate = _ORDINATES.get(function.ordinate_kind)
    described = f"in {text}" if unit else "without a unit" + (f" ({ordinate})" if ordinate else "")
    return [
        Problem(
            function.where,
            f"its values are {described}, not a sound pressure in pascal",
            "Pa, or Pa over another unit",
            "export sound pressure in pascal, or set `quantity: relative` to read the numbers without a unit",
        )
    ]


def _frequency_problems(function: Function) -> list[Problem]:
    fix = "export the response over frequency in hertz"
    unit = function.abscissa_unit.casefold()
    known_axes = (_FREQUENCY_AXIS, _UNKNOWN_AXIS, _GENERAL_AXIS)
    if function.abscissa_kind not in known_axes or (unit and unit not in _HERTZ):
        axis = f"type {function.abscissa_kind}, unit {function.abscissa_unit or 'none'}"
        return [Problem(function.where, f"its abscissa is not a frequency in hertz: {axis}", "type 18, Hz", fix)]
    steps = np.diff(function.abscissa)
    if np.isfinite(function.abscissa).all() and function.abscissa[0] >= 0 and not (steps <= 0).any():
        return []
    index = int(np.argmax(~(steps > 0))) if steps.size else 0
    return [
        Problem(
            function.where,
            f"its frequencies do not rise from 0 Hz or above: {function.abscissa[index]:g} Hz at point {index + 1}",
            "finite frequencies, each above the one before",
            fix,
        )
    ]


def level_and_phase_of(values: Complexes, options: UffOptions, notes: list[str]) -> tuple[Floats, Floats]:
    """Return level and phase of a spectrum.

    Returns
    -------
    level : numpy.ndarray
        dB re 20 µPa for pascals, else re 1; NaN where the value is zero.
    phase : numpy.ndarray
        Degrees; NaN where the value is zero.
    """
    level, phase = level_and_phase(values, REFERENCE_PRESSURE if options.quantity == "pascal" else 1.0)
    is_zero = ~np.isfinite(level)
    if is_zero.any():
        notes.append(f"{int(is_zero.sum())} values are zero and have no level: kept as missing")
    return np.where(is_zero, np.nan, level), np.where(is_zero, np.nan, phase)
