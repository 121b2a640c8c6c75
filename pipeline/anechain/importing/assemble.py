"""Put single curves together into the datasets of the contract: what every importer ends with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from anechain.acoustics.directivity.directions import PLANES, wrap_angle
from anechain.acoustics.recording.takes import join_takes
from anechain.arrays import Floats
from anechain.errors import InputError, Problem

__all__ = ["Curve", "assemble_responses", "assemble_sphere"]


@dataclass(frozen=True)
class Curve:
    """One measured curve and where it was measured.

    Attributes
    ----------
    plane : str
        "horizontal" or "vertical".
    angle : float
        Degrees on that orbit, positive to the left or upwards.
    frequency, level : numpy.ndarray
        Hz and dB, of one length.
    phase : numpy.ndarray or None
        Degrees.
    source : str
        The file (or the part of it) the curve came from, for messages.
    arrival : float or None
        Seconds by which the sound arrives after the excitation, where the phase has that delay removed.
    take : str
        Word that tells repeated takes of one direction apart; empty for the only one.
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
class _Joined:
    """The curve of a direction, of one take or of several."""

    curve: Curve
    takes: int = 1
    spread: Floats | None = None


def _usual_grid(curves: Sequence[Curve]) -> Curve:
    """The first curve on the grid that most curves have, so that one odd file is named and not all others."""
    groups: list[list[Curve]] = []
    for curve in curves:
        for group in groups:
            known = group[0].frequency
            if curve.frequency.shape == known.shape and np.allclose(curve.frequency, known, rtol=1e-6, atol=0):
                group.append(curve)
                break
        else:
            groups.append([curve])
    return max(groups, key=len)[0]


def _grid_problems(curves: Sequence[Curve]) -> list[Problem]:
    first = _usual_grid(curves)
    problems = []
    for curve in curves:
        if curve.frequency.shape != first.frequency.shape:
            found = f"{curve.frequency.size} frequencies, but {first.source} has {first.frequency.size}"
        elif not np.allclose(curve.frequency, first.frequency, rtol=1e-6, atol=0):
            row = int(np.argmax(~np.isclose(curve.frequency, first.frequency, rtol=1e-6, atol=0)))
            found = (
                f"frequency {row + 1} is {curve.frequency[row]:g} Hz, but {first.frequency[row]:g} Hz in {first.source}"
            )
        else:
            continue
        problems.append(
            Problem(
                curve.source,
                found,
                "one frequency grid for all directions of a device",
                "export all directions alike, or ask for a recorded resampling in the importer's options",
            )
        )
    return problems


def _words(key: tuple[str, float]) -> str:
    return f"{key[0]} {key[1]:g}°"


def _some(words: Sequence[str], most: int = 8) -> str:
    return ", ".join(words[:most]) + (f" and {len(words) - most} more" if len(words) > most else "")


def _by_direction(curves: Sequence[Curve], problems: list[Problem]) -> dict[tuple[str, float], list[Curve]]:
    """Curves of each direction: one, or takes that are told apart."""
    placed: dict[tuple[str, float], list[Curve]] = {}
    for curve in curves:
        if curve.plane not in PLANES:
            raise ValueError(f"plane {curve.plane!r}")
        # Rounded before it is wrapped: what rounds to -180 is 180.
        key = (curve.plane, float(wrap_angle(round(curve.angle, 6))) + 0.0)
        there = placed.setdefault(key, [])
        same = next((one for one in there if not curve.take or not one.take or one.take == curve.take), None)
        if same is None:
            there.append(curve)
            continue
        which = f"take {curve.take!r} of {_words(key)}" if curve.take and same.take else _words(key)
        problems.append(
            Problem(
                curve.source,
                f"{which} is given twice, the first time by {same.source}",
                "each direction once, or each of its takes under a word of its own",
                "remove one of the two, correct its angle, or tell takes apart by {take}, where the importer has it",
            )
        )
    return placed


def _join(curves: Sequence[Curve]) -> _Joined:
    if len(curves) == 1:
        return _Joined(curves[0])
    levels = np.stack([curve.level for curve in curves])
    phases = [curve.phase for curve in curves if curve.phase is not None]
    arrivals = [curve.arrival for curve in curves if curve.arrival is not None]
    joined = join_takes(levels, np.stack(phases) if len(phases) == len(curves) else None)
    arrival = float(np.mean(arrivals)) if len(arrivals) == len(curves) else None
    curve = replace(curves[0], level=joined.level, phase=joined.phase, arrival=arrival, take="")
    return _Joined(curve, len(curves), joined.standard_deviation)


def _said_of_takes(placed: dict[tuple[str, float], _Joined]) -> list[str]:
    """Lines of the report on directions of several takes; none where there are none."""
    repeated = {key: one for key, one in placed.items() if one.takes > 1}
    if not repeated:
        return []
    counts = []
    for count in sorted({one.takes for one in placed.values()}, reverse=True):
        having = [_words(key) for key, one in placed.items() if one.takes == count]
        takes = "1 take" if count == 1 else f"{count} takes"
        counts.append(f"{takes} of {len(having)} of {len(placed)} directions ({_some(having)})")
    lines = [f"takes joined by their mean squared pressure: {'; '.join(counts)}"]
    spreads = {key: one.spread for key, one in repeated.items() if one.spread is not None}
    greatest = {key: float(np.nanmax(spread)) for key, spread in spreads.items() if np.isfinite(spread).any()}
    if greatest:
        key = max(greatest, key=lambda one: greatest[one])
        at = repeated[key].curve.frequency[int(np.nanargmax(spreads[key]))]
        lines.append(
            f"largest standard deviation of takes: {greatest[key]:.3g} dB, {_words(key)}, {at:.4g} Hz "
            f"({repeated[key].takes} takes); by direction and frequency in `level_std`"
        )
    astray = {
        _words(key): int(lost.sum())
        for key, one in repeated.items()
        if one.curve.phase is not None and (lost := np.isnan(one.curve.phase) & np.isfinite(one.curve.level)).any()
    }
    if astray:
        listed = _some([f"{words} at {count} frequencies" for words, count in astray.items()])
        lines.append(f"phase missing where takes do not agree on one: {listed}")
    return lines


def assemble_responses(curves: Sequence[Curve], report: list[str]) -> xr.Dataset:
    """Assemble curves into a `responses` dataset.

    Parameters
    ----------
    curves : sequence of Curve
        All of one device, in any order, on one frequency grid. Several of one direction are its takes if each has a
        word of its own in `take`; they are joined by :func:`anechain.acoustics.recording.takes.join_takes`.
    report : list of str
        The import report; a line is added for what had to be done.

    Returns
    -------
    xarray.Dataset
        `level`, and `phase` if every curve has one, with dims plane, angle, frequency; `arrival` (plane, angle) if
        every curve has one. A direction that one orbit has and the other has not is NaN there; `measured` (plane,
        angle) tells which were given. A curve at 0 or 180 degrees stands for both planes, since it is the same
        direction on both. Where a direction has several takes, `takes` (plane, angle) counts them and `level_std`
        holds the standard deviation of their levels, NaN for directions of a single take.

    Raises
    ------
    InputError
        Naming every duplicate direction and every curve on another frequency grid.
    """
    if not curves:
        raise ValueError("no curve to assemble")
    problems = _grid_problems(curves)
    by_direction = _by_direction(curves, problems)
    if problems:
        raise InputError(problems)
    placed = {key: _join(by_direction[key]) for key in sorted(by_direction)}
    report.extend(_said_of_takes(placed))
    with_phase = [one.curve.phase is not None for one in placed.values()]
    with_arrival = all(one.curve.arrival is not None for one in placed.values())
    present: list[str] = [plane for plane in PLANES if any(p == plane for p, _ in placed)]
    for pole in (0.0, 180.0):
        having = [plane for plane in present if (plane, pole) in placed]
        lacking = [plane for plane in present if (plane, pole) not in placed]
        if having and lacking:
            placed[lacking[0], pole] = placed[having[0], pole]
            report.append(
                f"{pole:g}° is given on the {having[0]} orbit only; it is the same direction on the {lacking[0]} orbit"
            )
    angles = sorted({angle for _, angle in placed})
    frequency = curves[0].frequency
    shape = (len(present), len(angles), frequency.size)
    level, phase, spread = (np.full(shape, np.nan) for _ in range(3))
    measured, takes = np.zeros(shape[:2], dtype=np.int8), np.zeros(shape[:2], dtype=np.int32)
    arrival = np.full(shape[:2], np.nan)
    for (plane, angle), one in placed.items():
        at = present.index(plane), angles.index(angle)
        curve = one.curve
        level[at], measured[at], takes[at] = curve.level, 1, one.takes
        if one.spread is not None:
            spread[at] = one.spread
        if curve.phase is not None:
            phase[at] = curve.phase
        if curve.arrival is not None:
            arrival[at] = curve.arrival
    dims = ("plane", "angle", "frequency")
    variables = {"level": (dims, level), "measured": (dims[:2], measured)}
    if (takes > 1).any():
        variables |= {"takes": (dims[:2], takes), "level_std": (dims, spread)}
    if all(with_phase):
        variables["phase"] = (dims, wrap_angle(phase))
    elif any(curve.phase is not None for curve in curves):
        report.append(f"phase dropped: only {sum(with_phase)} of {len(with_phase)} directions have one")
    if with_arrival:
        variables["arrival"] = (dims[:2], arrival)
    return xr.Dataset(variables, coords={"plane": present, "angle": angles, "frequency": frequency})


def assemble_sphere(azimuth: Floats, elevation: Floats, frequency: Floats, level: Floats, weight: Floats) -> xr.Dataset:
    """Assemble a `sphere` dataset: level (direction, frequency) with its directions and solid-angle weights.

    Parameters
    ----------
    azimuth, elevation : numpy.ndarray, shape (directions,)
        Degrees.
    frequency : numpy.ndarray
        Hz.
    level : numpy.ndarray, shape (directions, frequencies)
        dB.
    weight : numpy.ndarray, shape (directions,)
        Share of the sphere that each direction stands for; sums to 1.
    """
    return xr.Dataset(
        {"level": (("direction", "frequency"), level), "weight": ("direction", weight)},
        coords={
            "azimuth": ("direction", azimuth),
            "elevation": ("direction", elevation),
            "frequency": frequency,
        },
    )
