"""At which heights the sound is that of the axis: the vertical listening window at a stated distance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_grid, resample
from anechain.acoustics.curve.segments import mean_over_octaves, part_in_band
from anechain.acoustics.directivity.orbits import interpolate_orbit, reachable
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["ListeningHeight", "listening_height"]

Measure = Literal["largest", "mean"]

STEP = 0.5
FARTHEST = 60.0
"""Degrees: step and end of the search."""


@dataclass(frozen=True)
class ListeningHeight:
    """Heights, relative to the reference axis, within a tolerance of the sound on it.

    Attributes
    ----------
    up_deg, down_deg : float or None
        Degrees above and below the axis, both positive; None if not determined.
    up_m, down_m : float or None
        The same as heights in m at the distance.
    distance_m, tolerance_db : float
        Distance from the loudspeaker in m, allowed deviation in dB.
    low_hz, high_hz : float
        The band.
    measure : str
        "largest" or "mean" absolute deviation in the band.
    reason : str
        Why one of them is not determined; empty if they are.
    """

    up_deg: float | None
    down_deg: float | None
    up_m: float | None
    down_m: float | None
    distance_m: float
    tolerance_db: float
    low_hz: float
    high_hz: float
    measure: str
    reason: str


def _edge(angle: Floats, deviation: Floats, tolerance: float) -> tuple[float | None, str]:
    """First angle, going outwards from 0, at which the deviation exceeds the tolerance."""
    beyond = np.flatnonzero(deviation > tolerance)
    if beyond.size == 0:
        return None, f"within the tolerance up to the last angle, {angle[-1]:g}°"
    row = int(beyond[0])
    t = (tolerance - deviation[row - 1]) / (deviation[row] - deviation[row - 1])
    return float(angle[row - 1] + t * (angle[row] - angle[row - 1])), ""


def _in_band(frequency: Floats, curves: Floats, band: tuple[float, float]) -> tuple[Floats, Floats, str]:
    """Frequencies and values of several curves in a band, or why one of them does not cover it."""
    # All at once where none has a gap of its own; NaN before the first and after the last value is the end of the data.
    there = np.flatnonzero(~np.isnan(curves).all(axis=0))
    ends = slice(there[0], there[-1] + 1) if there.size else slice(0, 0)
    if not there.size or np.isnan(curves[:, ends]).any():
        parts = [part_in_band(frequency, curve, *band) for curve in curves]
        if reason := next((part.reason for part in parts if part.reason), ""):
            return np.empty(0), np.empty((len(curves), 0)), reason
        return parts[0].frequency, np.stack([part.level for part in parts]), ""
    first = part_in_band(frequency[ends], curves[0, ends], *band)
    if first.reason:
        return first.frequency, np.empty((len(curves), 0)), first.reason
    return first.frequency, resample(frequency[ends], curves[:, ends], first.frequency), ""


def _height(angle: float | None, distance_m: float) -> float | None:
    return None if angle is None else distance_m * float(np.tan(np.deg2rad(angle)))


@method(
    "listening-height",
    version=1,
    title="Vertical listening window: heights within a tolerance of the axis",
    formula="Distance times the tangent of the first angle, up and down, at which the largest (or mean) absolute "
    "difference from the axis in the band exceeds the tolerance",
    source="largest or mean absolute deviation of the vertical orbit's curves from the axis in a band, interpolated "
    "over angle; height = distance times tangent",
    source_status="common practice, no source",
    limitations="Far-field curves: at a short distance the paths from the drivers differ more. A lobe between two "
    "measured angles is lost.",
)
def listening_height(
    frequency: ArrayLike,
    vertical_angles: ArrayLike,
    level: ArrayLike,
    distance_m: float = 3.0,
    tolerance_db: float = 3.0,
    band: tuple[float, float] = (300.0, 10000.0),
    measure: Measure = "largest",
) -> ListeningHeight:
    """Search, upwards and downwards, the angle at which the sound leaves a tolerance about that of the axis.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    vertical_angles : array_like, shape (m,)
        Degrees on the vertical orbit, up positive, 0 among them.
    level : array_like, shape (m, n)
        dB.
    distance_m, tolerance_db : float
        Distance in m and allowed deviation in dB.
    band : tuple of float
        Hz.
    measure : {"largest", "mean"}
        Largest absolute deviation in the band, or its mean over log frequency.

    Returns
    -------
    ListeningHeight

    Raises
    ------
    ValueError
        If shapes disagree, a number is not above zero or an option has no such value.
    """
    grid, values = check_grid(frequency), np.asarray(level, dtype=np.float64)
    angles = np.atleast_1d(np.asarray(vertical_angles, dtype=np.float64))
    if values.shape != (angles.size, grid.size):
        raise ValueError(f"{angles.size} angles and {grid.size} frequencies for levels of shape {values.shape}")
    if not distance_m > 0 or not tolerance_db > 0:
        raise ValueError("distance and tolerance must be above zero")
    if measure not in ("largest", "mean"):
        raise ValueError(f'measure is "largest" or "mean", not {measure!r}')
    stated = distance_m, tolerance_db, *band, measure
    kept = ~np.isnan(values).all(axis=1)
    if not (np.abs(angles[kept]) < 0.01).any():
        return ListeningHeight(None, None, None, None, *stated, "needs the axis")
    found: list[tuple[float | None, str]] = []
    for side, name in ((1.0, "up"), (-1.0, "down")):
        wanted = np.arange(0.0, FARTHEST + STEP / 2, STEP)
        bridged = reachable(angles[kept], side * wanted)
        wanted = wanted[: int(np.argmin(bridged)) if not bridged.all() else wanted.size]
        if wanted.size < 2:
            found.append((None, f"{name}: needs vertical directions next to the axis"))
            continue
        curves = interpolate_orbit(angles[kept], values[kept], side * wanted).level
        with np.errstate(invalid="ignore"):
            inside, apart, reason = _in_band(grid, np.abs(curves - curves[0]), band)
        if reason:
            found.append((None, f"{name}: {reason}"))
            continue
        deviation = (
            apart.max(axis=1)
            if measure == "largest"
            else np.array([mean_over_octaves(inside, curve) for curve in apart])
        )
        edge, reason = _edge(wanted, deviation, tolerance_db)
        found.append((edge, f"{name}: {reason}" if reason else ""))
    (up, why_up), (down, why_down) = found
    return ListeningHeight(
        up,
        down,
        _height(up, distance_m),
        _height(down, distance_m),
        *stated,
        "; ".join(filter(None, (why_up, why_down))),
    )
