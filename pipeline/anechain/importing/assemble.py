"""Assemble the curves of directions into the datasets of the contract: the last step of every importer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from anechain.acoustics.directivity.directions import PLANES, wrap_angle
from anechain.acoustics.recording.takes import join_takes
from anechain.arrays import Floats
from anechain.errors import InputError, Problem
from anechain.importing.report_lines import shortened_list

__all__ = ["Curve", "assemble_responses", "assemble_sphere", "without_repeats"]

_MAX_LISTED = 8
"""Largest number of directions that a line of the report lists."""


@dataclass(frozen=True)
class Curve:
    """A measured curve and its direction.

    Attributes
    ----------
    plane : str
        "horizontal" or "vertical".
    angle : float
        Degrees on the orbit of that plane, positive to the left or upwards.
    frequency, level : numpy.ndarray
        Hz and dB, both of shape (frequencies,).
    phase : numpy.ndarray, shape (frequencies,), or None
        Degrees.
    source : str
        The file, or the part of it, that holds the curve; for messages.
    arrival : float or None
        Delay in seconds from the excitation to the arrival of the sound, if this delay has been removed from the phase.
    take : str
        Word that distinguishes repeated takes of one direction; empty for the only one.
    """

    plane: str
    angle: float
    frequency: Floats
    level: Floats
    phase: Floats | None = None
    source: str = ""
    arrival: float | None = None
    take: str = ""


@dataclass(frozen=True)
class _JoinedCurve:
    """The curve of a direction, joined from its takes.

    Attributes
    ----------
    curve : Curve
    takes : int
    deviation : numpy.ndarray or None
        Standard deviation of the levels of the takes in dB; None for a single take.
    """

    curve: Curve
    takes: int = 1
    deviation: Floats | None = None


def _same_frequencies(first: Floats, second: Floats) -> bool:
    return first.shape == second.shape and np.allclose(first, second, rtol=1e-6, atol=0)


def _reference_curve(curves: Sequence[Curve]) -> Curve:
    """Return the first curve of the largest group with equal frequencies, so that errors name the exceptions only."""
    groups: list[list[Curve]] = []
    for curve in curves:
        for group in groups:
            if _same_frequencies(curve.frequency, group[0].frequency):
                group.append(curve)
                break
        else:
            groups.append([curve])
    return max(groups, key=len)[0]


def _frequency_problems(curves: Sequence[Curve]) -> list[Problem]:
    reference = _reference_curve(curves)
    problems = []
    for curve in curves:
        if curve.frequency.shape != reference.frequency.shape:
            what = f"{curve.frequency.size} frequencies, but {reference.source} has {reference.frequency.size}"
        elif not np.allclose(curve.frequency, reference.frequency, rtol=1e-6, atol=0):
            row = int(np.argmax(~np.isclose(curve.frequency, reference.frequency, rtol=1e-6, atol=0)))
            what = (
                f"frequency {row + 1} is {curve.frequency[row]:g} Hz, but {reference.frequency[row]:g} Hz in "
                f"{reference.source}"
            )
        else:
            continue
        problems.append(
            Problem(
                curve.source,
                what,
                "the same frequencies for all directions of a device",
                "export all directions with the same settings, or set the importer's option for resampling",
            )
        )
    return problems


def _direction_text(direction: tuple[str, float]) -> str:
    return f"{direction[0]} {direction[1]:g}°"


def _by_direction(curves: Sequence[Curve], problems: list[Problem]) -> dict[tuple[str, float], list[Curve]]:
    """Return the curves of each direction: a single one, or takes with different words."""
    curves_of: dict[tuple[str, float], list[Curve]] = {}
    for curve in curves:
        if curve.plane not in PLANES:
            raise ValueError(f"plane {curve.plane!r}")
        # Rounded before it is wrapped: an angle that rounds to -180 becomes 180.
        direction = (curve.plane, float(wrap_angle(round(curve.angle, 6))) + 0.0)
        takes = curves_of.setdefault(direction, [])
        same = next((take for take in takes if not curve.take or not take.take or take.take == curve.take), None)
        if same is None:
            takes.append(curve)
            continue
        text = _direction_text(direction)
        if curve.take and same.take:
            text = f"take {curve.take!r} of {text}"
        problems.append(
            Problem(
                curve.source,
                f"{text} is given twice, the first time by {same.source}",
                "each direction once, or takes with different words",
                "remove one of the two, correct its angle, or distinguish takes by {take}, if the importer has it",
            )
        )
    return curves_of


def _join(curves: Sequence[Curve]) -> _JoinedCurve:
    if len(curves) == 1:
        return _JoinedCurve(curves[0])
    levels = np.stack([curve.level for curve in curves])
    phases = [curve.phase for curve in curves if curve.phase is not None]
    arrivals = [curve.arrival for curve in curves if curve.arrival is not None]
    joined = join_takes(levels, np.stack(phases) if len(phases) == len(curves) else None)
    arrival = float(np.mean(arrivals)) if len(arrivals) == len(curves) else None
    curve = replace(curves[0], level=joined.level, phase=joined.phase, arrival=arrival, take="")
    return _JoinedCurve(curve, len(curves), joined.standard_deviation)


def _take_notes(joined: dict[tuple[str, float], _JoinedCurve]) -> list[str]:
    """Return the lines of the report on directions with several takes."""
    repeated = {direction: entry for direction, entry in joined.items() if entry.takes > 1}
    if not repeated:
        return []
    counts = []
    for count in sorted({entry.takes for entry in joined.values()}, reverse=True):
        directions = [_direction_text(direction) for direction, entry in joined.items() if entry.takes == count]
        takes = "1 take" if count == 1 else f"{count} takes"
        listed = shortened_list(directions, _MAX_LISTED)
        counts.append(f"{takes} of {len(directions)} of {len(joined)} directions ({listed})")
    lines = [f"takes joined by their mean squared pressure: {'; '.join(counts)}"]
    deviations = {direction: entry.deviation for direction, entry in repeated.items() if entry.deviation is not None}
    largest = {
        direction: float(np.nanmax(deviation))
        for direction, deviation in deviations.items()
        if np.isfinite(deviation).any()
    }
    if largest:
        direction = max(largest, key=lambda key: largest[key])
        frequency = repeated[direction].curve.frequency[int(np.nanargmax(deviations[direction]))]
        lines.append(
            f"largest standard deviation of takes: {largest[direction]:.3g} dB, {_direction_text(direction)}, "
            f"{frequency:.4g} Hz ({repeated[direction].takes} takes); by direction and frequency in `level_std`"
        )
    without_phase = {
        _direction_text(direction): int(lost.sum())
        for direction, entry in repeated.items()
        if entry.curve.phase is not None
        and (lost := np.isnan(entry.curve.phase) & np.isfinite(entry.curve.level)).any()
    }
    if without_phase:
        listed = shortened_list(
            [f"{direction} at {count} frequencies" for direction, count in without_phase.items()], _MAX_LISTED
        )
        lines.append(f"phase missing where the phases of takes differ too much: {listed}")
    return lines


def _copied_takes(by_direction: dict[tuple[str, float], list[Curve]]) -> Iterator[str]:
    """Yield each take that has exactly the levels of another take of its direction."""
    for direction, takes in by_direction.items():
        for number, curve in enumerate(takes):
            for earlier in takes[:number]:
                if np.array_equal(earlier.level, curve.level, equal_nan=True):
                    yield f"{_direction_text(direction)}: {curve.source} as {earlier.source}"
                    break


def without_repeats(curves: Sequence[Curve], report: list[str]) -> list[Curve]:
    """Remove curves that repeat a direction with identical levels, such as 0° and 360° of a closed orbit.

    Takes with different words are not repeats. A repeated direction with other levels is kept, and
    :func:`assemble_responses` refuses it.

    Parameters
    ----------
    curves : sequence of Curve
        Curves of a device.
    report : list of str
        A line is added for each removed curve.
    """
    kept: list[Curve] = []
    known: dict[tuple[str, float, str], Curve] = {}
    for curve in curves:
        direction = curve.plane, float(wrap_angle(round(curve.angle, 6))) + 0.0
        first = known.setdefault((*direction, curve.take), curve)
        if first is curve or not np.array_equal(first.level, curve.level, equal_nan=True):
            kept.append(curve)
        else:
            report.append(f"{curve.source}: {_direction_text(direction)} is repeated with the same values, used once")
    return kept


def assemble_responses(curves: Sequence[Curve], report: list[str]) -> xr.Dataset:
    """Assemble curves into a `responses` dataset.

    Parameters
    ----------
    curves : sequence of Curve
        All curves of a device, in any order, at the same frequencies. Several curves of one direction are its takes,
        if each has a different word in `take`; they are joined by
        :func:`anechain.acoustics.recording.takes.join_takes`.
    report : list of str
        The import report; lines are added to it.

    Returns
    -------
    xarray.Dataset
        `level` in dB with dimensions plane, angle, frequency; `phase` in degrees, if every curve has one; `arrival`
        (plane, angle) in seconds, if every curve has one. A direction that only one orbit has is NaN on the other;
        `measured` (plane, angle) is 1 for the directions that were measured. A curve at 0 or 180 degrees is used for
        both planes, because it is the same direction on both. If a direction has several takes, `takes` (plane,
        angle) is their number and `level_std` the standard deviation of their levels in dB, NaN for a single take; the
        attribute `copied_takes` lists those with exactly the levels of another.

    Raises
    ------
    InputError
        With every repeated direction and every curve at other frequencies.
    """
    if not curves:
        raise ValueError("no curve to assemble")
    problems = _frequency_problems(curves)
    by_direction = _by_direction(curves, problems)
    if problems:
        raise InputError(problems)
    joined = {direction: _join(by_direction[direction]) for direction in sorted(by_direction)}
    report.extend(_take_notes(joined))
    copies = list(_copied_takes(by_direction))
    has_phase = [entry.curve.phase is not None for entry in joined.values()]
    all_have_arrival = all(entry.curve.arrival is not None for entry in joined.values())
    planes: list[str] = [plane for plane in PLANES if any(direction[0] == plane for direction in joined)]
    for pole in (0.0, 180.0):
        with_pole = [plane for plane in planes if (plane, pole) in joined]
        without_pole = [plane for plane in planes if (plane, pole) not in joined]
        if with_pole and without_pole:
            joined[without_pole[0], pole] = joined[with_pole[0], pole]
            report.append(
                f"{pole:g}° is measured on the {with_pole[0]} orbit only; it is the same direction on the "
                f"{without_pole[0]} orbit"
            )
    angles = sorted({angle for _, angle in joined})
    frequency = curves[0].frequency
    shape = (len(planes), len(angles), frequency.size)
    level, phase, deviation = (np.full(shape, np.nan) for _ in range(3))
    measured, takes = np.zeros(shape[:2], dtype=np.int8), np.zeros(shape[:2], dtype=np.int32)
    arrival = np.full(shape[:2], np.nan)
    for (plane, angle), entry in joined.items():
        index = planes.index(plane), angles.index(angle)
        curve = entry.curve
        level[index], measured[index], takes[index] = curve.level, 1, entry.takes
        if entry.deviation is not None:
            deviation[index] = entry.deviation
        if curve.phase is not None:
            phase[index] = curve.phase
        if curve.arrival is not None:
            arrival[index] = curve.arrival
    dims = ("plane", "angle", "frequency")
    variables = {"level": (dims, level), "measured": (dims[:2], measured)}
    if (takes > 1).any():
        variables |= {"takes": (dims[:2], takes), "level_std": (dims, deviation)}
    if all(has_phase):
        variables["phase"] = (dims, wrap_angle(phase))
    elif any(curve.phase is not None for curve in curves):
        report.append(f"phase dropped: only {sum(has_phase)} of {len(has_phase)} directions have one")
    if all_have_arrival:
        variables["arrival"] = (dims[:2], arrival)
    attributes = {"copied_takes": "\n".join(copies)} if copies else {}
    return xr.Dataset(variables, {"plane": planes, "angle": angles, "frequency": frequency}, attributes)


def assemble_sphere(azimuth: Floats, elevation: Floats, frequency: Floats, level: Floats, weight: Floats) -> xr.Dataset:
    """Assemble a `sphere` dataset.

    Parameters
    ----------
    azimuth, elevation : numpy.ndarray, shape (directions,)
        Degrees.
    frequency : numpy.ndarray, shape (frequencies,)
        Hz.
    level : numpy.ndarray, shape (directions, frequencies)
        dB.
    weight : numpy.ndarray, shape (directions,)
        Fraction of the sphere that each direction represents; the sum is 1.

    Returns
    -------
    xarray.Dataset
        `level` (direction, frequency) and `weight` (direction), with the coordinates of the directions.
    """
    return xr.Dataset(
        {"level": (("direction", "frequency"), level), "weight": ("direction", weight)},
        coords={
            "azimuth": ("direction", azimuth),
            "elevation": ("direction", elevation),
            "frequency": frequency,
        },
    )
