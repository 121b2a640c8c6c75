"""Put single curves together into the datasets of the contract: what every importer ends with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from anechain.acoustics.directions import PLANES, wrap_angle
from anechain.errors import Problem, Refusal

__all__ = ["Curve", "assemble_responses", "assemble_sphere"]

Floats = NDArray[np.float64]


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
    """

    plane: str
    angle: float
    frequency: Floats
    level: Floats
    phase: Floats | None = None
    source: str = ""
    arrival: float | None = None


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


def assemble_responses(curves: Sequence[Curve], report: list[str]) -> xr.Dataset:
    """Assemble curves into a `responses` dataset.

    Parameters
    ----------
    curves : sequence of Curve
        All of one device, in any order, on one frequency grid.
    report : list of str
        The import report; a line is added for what had to be done.

    Returns
    -------
    xarray.Dataset
        `level`, and `phase` if every curve has one, with dims plane, angle, frequency; `arrival` (plane, angle) if
        every curve has one. A direction that one orbit has and the other has not is NaN there; `measured` (plane,
        angle) tells which were given. A curve at 0 or 180 degrees stands for both planes, since it is the same
        direction on both.

    Raises
    ------
    Refusal
        Naming every duplicate direction and every curve on another frequency grid.
    """
    if not curves:
        raise ValueError("no curve to assemble")
    problems = _grid_problems(curves)
    placed: dict[tuple[str, float], Curve] = {}
    for curve in curves:
        if curve.plane not in PLANES:
            raise ValueError(f"plane {curve.plane!r}")
        # Rounded before it is wrapped: what rounds to -180 is 180.
        key = (curve.plane, float(wrap_angle(round(curve.angle, 6))) + 0.0)
        if key in placed:
            problems.append(
                Problem(
                    curve.source,
                    f"{key[0]} {key[1]:g}° is given twice, the first time by {placed[key].source}",
                    "each direction once",
                    "remove one of the two, or correct its angle",
                )
            )
        placed.setdefault(key, curve)
    if problems:
        raise Refusal(problems)
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
    level, phase = np.full(shape, np.nan), np.full(shape, np.nan)
    measured, arrival = np.zeros(shape[:2], dtype=np.int8), np.full(shape[:2], np.nan)
    for (plane, angle), curve in placed.items():
        at = present.index(plane), angles.index(angle)
        level[at], measured[at] = curve.level, 1
        if curve.phase is not None:
            phase[at] = curve.phase
        if curve.arrival is not None:
            arrival[at] = curve.arrival
    with_phase = [curve.phase is not None for curve in curves]
    dims = ("plane", "angle", "frequency")
    variables = {"level": (dims, level), "measured": (dims[:2], measured)}
    if all(with_phase):
        variables["phase"] = (dims, wrap_angle(phase))
    elif any(with_phase):
        report.append(f"phase dropped: only {sum(with_phase)} of {len(curves)} directions have one")
    if all(curve.arrival is not None for curve in curves):
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
