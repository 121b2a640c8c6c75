"""Vertical listening window: heights at which the direct sound is within a tolerance of the axis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_grid, resample
from anechain.acoustics.curve.segments import mean_over_octaves, segment_in_band
from anechain.acoustics.directivity.orbit_interpolation import interpolate_orbit
from anechain.acoustics.directivity.orbits import can_interpolate
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["ListeningHeight", "listening_height"]

Measure = Literal["largest", "mean"]

ANGLE_STEP = 0.5
MAX_ANGLE = 60.0
"""Step and end of the search in degrees."""


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
        Distance from the loudspeaker in m, and tolerance in dB.
    low_hz, high_hz : float
        Band in Hz.
    measure : str
        "largest" or "mean" absolute deviation in the band.
    reason : str
        Why one of them is not determined; empty if both are.
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
    """Return the first angle outwards from 0 at which the deviation exceeds the tolerance, or why there is none."""
    beyond = np.flatnonzero(deviation > tolerance)
    if beyond.size == 0:
        return None, f"within the tolerance up to the last angle, {angle[-1]:g}°"
    row = int(beyond[0])
    t = (tolerance - deviation[row - 1]) / (deviation[row] - deviation[row - 1])
    return float(angle[row - 1] + t * (angle[row] - angle[row - 1])), ""


def _in_band(frequency: Floats, curves: Floats, band: tuple[float, float]) -> tuple[Floats, Floats, str]:
    """Return frequencies and values of several curves in a band, and why one of them does not cover it."""
    # All curves at once, unless a curve has its own gap. NaN at both ends is outside the data.
    with_value = np.flatnonzero(~np.isnan(curves).all(axis=0))
    ends = slice(with_value[0], with_value[-1] + 1) if with_value.size else slice(0, 0)
    if not with_value.size or np.isnan(curves[:, ends]).any():
        parts = [segment_in_band(frequency, curve, *band) for curve in curves]
        if reason := next((part.reason for part in parts if part.reason), ""):
            return np.empty(0), np.empty((len(curves), 0)), reason
        return parts[0].frequency, np.stack([part.level for part in parts]), ""
    first = segment_in_band(frequency[ends], curves[0, ends], *band)
    if first.reason:
        return first.frequency, np.empty((len(curves), 0)), first.reason
    return first.frequency, resample(frequency[ends], curves[:, ends], first.frequency), ""


def _height(angle: float | None, distance_m: float) -> float | None:
    return None if angle is None else distance_m * float(np.tan(np.deg2rad(angle)))


@method(
    "listening-height",
    version=1,
    title="Vertical listening window: heights at which the sound is within a tolerance of the axis",
    formula="Distance times the tangent of the first angle, up and down, at which the largest (or mean) absolute "
    "difference from the axis in the band exceeds the tolerance",
    source="largest or mean absolute deviation of the curves of the vertical orbit from the axis in a band, "
    "interpolated over angle; height = distance times tangent",
    source_status="common practice, no source",
    limitations="For far-field curves: at a short distance the paths from the drivers differ more. A lobe between two "
    "measured angles is not included.",
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
    """Find the angles upwards and downwards at which the sound deviates from the axis by more than a tolerance.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    vertical_angles : array_like, shape (m,)
        Degrees on the vertical orbit, up positive, 0 among them.
    level : array_like, shape (m, n)
        dB.
    distance_m, tolerance_db : float
        Distance in m and tolerance in dB.
    band : tuple of float
        Band in Hz.
    measure : {"largest", "mean"}
        Largest absolute deviation in the band, or its mean over log frequency.

    Returns
    -------
    ListeningHeight

    Raises
    ------
    ValueError
        If shapes disagree, a number is not above zero or an option has an unknown value.
    """
    grid, values = check_grid(frequency), np.asarray(level, dtype=np.float64)
    angles = np.atleast_1d(np.asarray(vertical_angles, dtype=np.float64))
    if values.shape != (angles.size, grid.size):
        raise ValueError(f"{angles.size} angles and {grid.size} frequencies for levels of shape {values.shape}")
    if not distance_m > 0 or not tolerance_db > 0:
        raise ValueError(f"distance and tolerance must be above zero, not {distance_m} and {tolerance_db}")
    if measure not in ("largest", "mean"):
        raise ValueError(f'measure must be "largest" or "mean", not {measure!r}')
    options = distance_m, tolerance_db, *band, measure
    measured = ~np.isnan(values).all(axis=1)
    if not (np.abs(angles[measured]) < 0.01).any():
        return ListeningHeight(None, None, None, None, *options, "needs the axis")
    edges: list[tuple[float | None, str]] = []
    for side, name in ((1.0, "up"), (-1.0, "down")):
        wanted = np.arange(0.0, MAX_ANGLE + ANGLE_STEP / 2, ANGLE_STEP)
        known = can_interpolate(angles[measured], side * wanted)
        wanted = wanted[: int(np.argmin(known)) if not known.all() else wanted.size]
        if wanted.size < 2:
            edges.append((None, f"{name}: needs vertical directions next to the axis"))
            continue
        curves = interpolate_orbit(angles[measured], values[measured], side * wanted).level
        with np.errstate(invalid="ignore"):
            frequencies, difference, reason = _in_band(grid, np.abs(curves - curves[0]), band)
        if reason:
            edges.append((None, f"{name}: {reason}"))
            continue
        deviation = (
            difference.max(axis=1)
            if measure == "largest"
            else np.array([mean_over_octaves(frequencies, curve) for curve in difference])
        )
        edge, reason = _edge(wanted, deviation, tolerance_db)
        edges.append((edge, f"{name}: {reason}" if reason else ""))
    (up, no_up), (down, no_down) = edges
    return ListeningHeight(
        up,
        down,
        _height(up, distance_m),
        _height(down, distance_m),
        *options,
        "; ".join(filter(None, (no_up, no_down))),
    )
