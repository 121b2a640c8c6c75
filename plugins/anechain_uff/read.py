"""Read the universal files of one device and put their functions together."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.acoustics.recording.transforms import level_and_phase, spectrum_of_impulse_response
from anechain.arrays import Complexes, Floats
from anechain.assemble import Curve, assemble_responses
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain.importing.assemble import without_repeats
from anechain.importing.direction_lookup import directions_of_files, without_manifest
from anechain.importing.direction_names import Direction, direction_of_title
from anechain.importing.direction_options import naming_problems
from anechain.importing.file_labels import labelled
from anechain.importing.report_lines import gathered_notes
from anechain_uff.options import UffOptions
from anechain_uff.records import Function, functions_of

__all__ = ["read"]


HERE = "importer uff"
_SPECTRUM = 12
_RESPONSES = (4, _SPECTRUM)  # frequency response function, spectrum
_TIME = (1, 25)  # time response, finite impulse response filter
_TIME_AXIS, _FREQUENCY_AXIS, _UNKNOWN, _GENERAL = 17, 18, 0, 1
_HERTZ = ("hz", "hertz", "1/s")
_ORDINATES = {2: "stress", 3: "strain", 8: "displacement", 9: "force", 11: "velocity", 12: "acceleration", 13: "force"}


def read(paths: Sequence[Path], options: UffOptions) -> Reading:
    """Read the files of one device, one function to each direction.

    Parameters
    ----------
    paths : sequence of Path
        Files with one function or many; the manifest may be among them.
    options : UffOptions
        How the functions say their direction, and what they are.

    Returns
    -------
    Reading
        `level_kind` is "spl" for pascals, else "relative".

    Raises
    ------
    InputError
        With a problem for every function that is damaged, is no response, or has no direction.
    """
    if not paths:
        raise InputError.single(HERE, "no files", "at least one file", "correct the device's files in the campaign")
    problems = [] if options.nodes is not None else naming_problems(options, HERE)
    if problems:
        raise InputError(problems)
    folder, files = labelled(paths)
    files = without_manifest(files, folder, options)
    by_file: dict[str, Direction] = {}
    if options.nodes is None and options.direction_from == "file":
        by_file, problems = directions_of_files(files, folder, options)
    curves: list[Curve] = []
    notes: dict[str, list[str]] = {}
    for label, path in files.items():
        try:
            data = path.read_bytes()
        except OSError as error:
            problems.append(Problem(label, f"cannot be read: {error.strerror}", "a readable file", "check its rights"))
            continue
        functions, damaged, said = functions_of(data, label)
        problems.extend(damaged)
        notes[label] = said
        used = 0
        for function in functions:
            own = notes[function.where] = list(function.notes)
            if options.others == "leave out" and function.kind not in (_UNKNOWN, *_RESPONSES, *_TIME):
                own.append(f"left out: a {function.kind_words} is no response")
                continue
            used += 1
            try:
                frequency, pressure = _spectrum(function, options, own)
                direction = _direction(function, by_file.get(label), options, own)
            except InputError as input_error:
                problems.extend(input_error.problems)
                continue
            if direction is not None:
                level, phase = _levels(pressure, options, own)
                place = direction.plane, direction.angle
                curves.append(Curve(*place, frequency, level, phase, function.where, take=direction.take))
        if used > 1 and label in by_file:
            problems.append(
                Problem(
                    label,
                    f"holds {used} functions, but its name gives one direction",
                    "one function to a file where the file gives the direction",
                    "say by the options `direction_from` or `nodes` how each function gives its direction",
                )
            )
    if not curves and not problems:
        problems.append(Problem(HERE, "no response is in the files", "frequency responses", "correct the files"))
    if problems:
        raise InputError(problems)
    report = gathered_notes(notes)
    report.append(
        "levels in dB re 20 µPa of the pressures in the files"
        if options.quantity == "pascal"
        else "levels are relative: 20 lg of the bare numbers in the files, as declared by quantity"
    )
    responses = assemble_responses(without_repeats(curves, report), report)
    responses.attrs["level_kind"] = "spl" if options.quantity == "pascal" else "relative"
    responses.attrs["source_convention"] = "universal file, dataset 58"
    return Reading(responses=responses, report=tuple(report))


def _direction(
    function: Function, by_file: Direction | None, options: UffOptions, notes: list[str]
) -> Direction | None:
    """Direction of a function; None where its file has none, which is told elsewhere."""
    if options.nodes is not None:
        place = options.nodes.get(function.response_node)
        if place is None:
            known = ", ".join(map(str, sorted(options.nodes)))
            raise InputError.single(
                function.where,
                f"its response node {function.response_node} is not among the option `nodes`",
                known or "nodes with their directions",
                "add the node, or leave the file out",
            )
        return Direction(place.plane, place.angle)
    if options.direction_from == "file":
        found = by_file
    else:
        title = function.texts[options.direction_from]
        found = direction_of_title(title, options.direction_from, function.where, options)
    notes.extend(() if found is None else found.notes)
    return found


def _spectrum(function: Function, options: UffOptions, notes: list[str]) -> tuple[Floats, Complexes]:
    """Frequencies above 0 Hz and complex values of a function; refuses what is no response."""
    problems: list[Problem] = []

    def refuse(what: str, expected: str, fix: str) -> None:
        problems.append(Problem(function.where, what, expected, fix))

    _check_unit(function, options, refuse_into=problems, notes=notes)
    time = function.kind in _TIME or (function.kind == _UNKNOWN and function.abscissa_kind == _TIME_AXIS)
    if time and options.time_data == "refuse":
        refuse(
            f"it is a {function.kind_words}: over time, which tells a response only if it is an impulse response",
            "frequency responses",
            'set `time_data: "impulse response"` if it is one; else have the instrument compute the frequency response',
        )
    elif not time and function.kind not in _RESPONSES and not _unnamed_response(function):
        refuse(
            f"it is a {function.kind_words}: it holds no response from the device's input to its output",
            "frequency response functions (type 4) or spectra (type 12)",
            'export the frequency response function, or set `others: "leave out"`',
        )
    elif not time:
        _check_frequencies(function, problems)
    if not np.isfinite(function.values).all():
        refuse("it holds values that are no finite numbers", "finite numbers", "export the file again")
    if time and not problems and (function.step is None or not function.step > 0 or np.iscomplexobj(function.values)):
        refuse("its samples are not real and evenly spaced", "real samples at one rate", "export it with even spacing")
    if problems:
        raise InputError(problems)
    if time:
        assert function.step is not None
        frequency, values = spectrum_of_impulse_response(function.values.real, 1 / function.step)
        values = values * np.exp(-2j * np.pi * frequency * function.abscissa[0])
        notes.append(
            f"impulse response of {function.values.size} samples at {1 / function.step:.6g} Hz (its step has "
            f"six digits) transformed whole, as declared, to {frequency.size} frequencies"
        )
    else:
        frequency, values = function.abscissa, np.asarray(function.values, dtype=np.complex128)
        if _unnamed_response(function):
            notes.append("function type 0, unknown: taken as a frequency response, being complex over frequency")
        if function.kind == _SPECTRUM:
            notes.append(
                "a spectrum is taken as the response: it is one only if the drive was alike at all frequencies"
            )
    if frequency[0] == 0:
        notes.append("0 Hz dropped: it has no place on a logarithmic frequency axis")
        frequency, values = frequency[1:], values[1:]
    if not np.iscomplexobj(function.values) and not time:
        notes.append("phase dropped: the values are real, magnitudes only")
    if not frequency.size or not values.any():
        raise InputError.single(
            function.where, "it is zero everywhere, or has no frequency above 0 Hz", "a response", "export it again"
        )
    return frequency, values


def _unnamed_response(function: Function) -> bool:
    """Whether a function whose type is not said can be a frequency response."""
    return function.kind == _UNKNOWN and function.abscissa_kind == _FREQUENCY_AXIS and np.iscomplexobj(function.values)


def _check_unit(function: Function, options: UffOptions, refuse_into: list[Problem], notes: list[str]) -> None:
    unit = function.ordinate_unit
    whole = unit + (f" over {function.denominator_unit}" if function.denominator_unit else "")
    notes.append(f"unit of the values as written: {whole or 'none'}")
    if options.quantity == "relative":
        return
    plain = unit.replace(" ", "").strip("()").casefold()
    is_pascal = plain in ("pa", "pascal") or plain.startswith(("pa/", "pascal/"))
    if is_pascal:
        if "/" in plain or function.denominator_unit:
            notes.append(
                f"the values are {whole}: the level holds at 1 of what they are divided by (drive: 1 for volts)"
            )
        return
    said = f"in {whole}" if unit else f"without a unit{_of_type(function)}"
    refuse_into.append(
        Problem(
            function.where,
            f"its values are {said}, which is no sound pressure in pascal",
            "Pa, or Pa over something",
            "export sound pressure in pascal, or set `quantity: relative` to take the bare numbers",
        )
    )


def _of_type(function: Function) -> str:
    name = "pressure" if function.ordinate_kind == 15 else _ORDINATES.get(function.ordinate_kind, "")
    return f" ({name})" if name else ""


def _check_frequencies(function: Function, problems: list[Problem]) -> None:
    fix = "export the response over frequency in hertz"
    unit = function.abscissa_unit.casefold()
    if function.abscissa_kind not in (_FREQUENCY_AXIS, _UNKNOWN, _GENERAL) or (unit and unit not in _HERTZ):
        found = f"type {function.abscissa_kind}, unit {function.abscissa_unit or 'none'}"
        problems.append(Problem(function.where, f"its abscissa is no frequency in hertz: {found}", "type 18, Hz", fix))
        return
    steps = np.diff(function.abscissa)
    if not np.isfinite(function.abscissa).all() or function.abscissa[0] < 0 or (steps <= 0).any():
        at = int(np.argmax(~(steps > 0))) if steps.size else 0
        problems.append(
            Problem(
                function.where,
                f"its frequencies do not rise from 0 Hz or above: {function.abscissa[at]:g} Hz at point {at + 1}",
                "finite frequencies, each above the one before",
                fix,
            )
        )


def _levels(pressure: Complexes, options: UffOptions, notes: list[str]) -> tuple[Floats, Floats | None]:
    level, phase = level_and_phase(pressure, REFERENCE_PRESSURE if options.quantity == "pascal" else 1.0)
    zero = ~np.isfinite(level)
    if zero.any():
        notes.append(f"{int(zero.sum())} values are zero and have no level: kept as missing")
    level = np.where(zero, np.nan, level)
    if any(note.startswith("phase dropped") for note in notes):
        return level, None
    return level, np.where(zero, np.nan, phase)
