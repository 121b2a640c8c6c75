"""Where to point it: the direct sound at the listener for any toe-in, and the toe-in that follows a trend best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_grid
from anechain.acoustics.curve.segments import mean_over_octaves, part_in_band
from anechain.acoustics.curve.trends import fit_trend
from anechain.acoustics.directivity.directions import wrap_angle
from anechain.acoustics.directivity.orbits import interpolate_orbit, reachable
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["Aim", "AimedCurve", "aimed_curve", "best_aim"]


@dataclass(frozen=True)
class AimedCurve:
    """Direct sound at the listener for one toe-in.

    Attributes
    ----------
    toe_in_deg : float
        Degrees that the axis is turned inwards from parallel to the side walls.
    off_axis_deg : float
        Degrees on the horizontal orbit, positive to the left, that the listener is at.
    level_db : numpy.ndarray or None
        dB by frequency; None if not determined.
    interpolated : bool
        Whether the angle lies between measured ones.
    deviation_db : float or None
        Standard deviation in dB, over log frequency, from a trend line; None if not determined.
    slope_db_per_octave : float or None
        Slope of that line.
    reason : str
        Why something is not determined; empty if it is.
    """

    toe_in_deg: float
    off_axis_deg: float
    level_db: Floats | None
    interpolated: bool
    deviation_db: float | None
    slope_db_per_octave: float | None
    reason: str


@dataclass(frozen=True)
class Aim:
    """Toe-ins compared.

    Attributes
    ----------
    best : AimedCurve or None
        The one with the smallest deviation from the trend; the one that points nearest to the listener of equals.
    at_listener : AimedCurve
        The axis on the listener.
    parallel : AimedCurve
        The axis parallel to the side walls.
    candidates : tuple of AimedCurve
        All that were tried, by rising toe-in.
    low_hz, high_hz : float
        The band in which they were judged.
    trend : str
        What they were held against, in words.
    reason : str
        Why there is no best one; empty if there is.
    """

    best: AimedCurve | None
    at_listener: AimedCurve
    parallel: AimedCurve
    candidates: tuple[AimedCurve, ...]
    low_hz: float
    high_hz: float
    trend: str
    reason: str


def _against_trend(
    frequency: Floats, level: Floats, band: tuple[float, float], slope: float | None
) -> tuple[float | None, float | None, str]:
    if slope is None:
        line = fit_trend(frequency, level, *band)
        if line.slope_db_per_octave is None:
            return None, None, line.reason
        slope = line.slope_db_per_octave
    part = part_in_band(frequency, level, *band)
    if part.reason:
        return None, slope, part.reason
    rest = part.level - slope * np.log2(part.frequency / band[0])
    mean = mean_over_octaves(part.frequency, rest)
    return float(np.sqrt(mean_over_octaves(part.frequency, (rest - mean) ** 2))), slope, ""


@method(
    "aimed-curve",
    version=1,
    title="Direct sound at the listener for a toe-in",
    formula="The horizontal orbit's curve at the listener's angle less the toe-in; its deviation is the root mean "
    "square, over log frequency, of the curve less a line of the slope and the curve's own mean",
    source="the horizontal orbit's curve at the listener's angle less the toe-in",
    source_status="common practice, no source",
    limitations="Direct sound in the far field alone; the room's reflections change with the aim as well.",
)
def aimed_curve(
    frequency: ArrayLike,
    horizontal_angles: ArrayLike,
    level: ArrayLike,
    toe_in_deg: float,
    listener_deg: float = 30.0,
    band: tuple[float, float] = (300.0, 10000.0),
    slope_db_per_octave: float | None = None,
) -> AimedCurve:
    """Curve of the direct sound at the listener.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    horizontal_angles : array_like, shape (m,)
        Degrees on the horizontal orbit, positive to the left.
    level : array_like, shape (m, n)
        dB.
    toe_in_deg : float
        Degrees that the axis is turned towards the listener; 0 is parallel to the side walls.
    listener_deg : float
        Angle in degrees, on the orbit, at which the listener is seen with no toe-in: 30 for the right one of a pair
        in an equilateral triangle, -30 for the left one.
    band : tuple of float
        Hz; where the curve is held against a trend.
    slope_db_per_octave : float, optional
        The trend's slope; that of the curve's own line without one. The trend's level is free.

    Returns
    -------
    AimedCurve
        Interpolated over angle where needed; not determined where the neighbours lie further than 15 degrees apart.

    Raises
    ------
    ValueError
        If the shapes disagree or the band is none.
    """
    grid, values = check_grid(frequency), np.asarray(level, dtype=np.float64)
    angles = np.atleast_1d(np.asarray(horizontal_angles, dtype=np.float64))
    if values.shape != (angles.size, grid.size):
        raise ValueError(f"{angles.size} angles and {grid.size} frequencies for levels of shape {values.shape}")
    inwards = 1.0 if listener_deg >= 0 else -1.0
    off_axis = float(wrap_angle(listener_deg - inwards * toe_in_deg)) + 0.0
    kept = ~np.isnan(values).all(axis=1)
    if not kept.any() or not reachable(angles[kept], off_axis)[0]:
        words = f"needs the horizontal orbit around {off_axis:g}°"
        return AimedCurve(toe_in_deg, off_axis, None, False, None, slope_db_per_octave, words)
    found = interpolate_orbit(angles[kept], values[kept], [off_axis])
    deviation, slope, reason = _against_trend(grid, found.level[0], band, slope_db_per_octave)
    return AimedCurve(toe_in_deg, off_axis, found.level[0], bool(found.interpolated[0]), deviation, slope, reason)


@method(
    "best-aim",
    version=1,
    title="Toe-in whose direct sound follows a trend best",
    formula="Of the toe-ins from parallel to the listener in equal steps, the one whose curve deviates least from its "
    "trend",
    source="smallest standard deviation, over log frequency, from a line of the stated slope, or from the curve's own",
    source_status="common practice, no source",
    limitations="The direct sound alone, at one seat. A difference smaller than the repeatability is none.",
)
def best_aim(
    frequency: ArrayLike,
    horizontal_angles: ArrayLike,
    level: ArrayLike,
    listener_deg: float = 30.0,
    band: tuple[float, float] = (300.0, 10000.0),
    slope_db_per_octave: float | None = None,
    step_deg: float = 5.0,
) -> Aim:
    """Try toe-ins from parallel to pointing at the listener.

    Parameters
    ----------
    frequency, horizontal_angles, level, listener_deg, band, slope_db_per_octave
        As in :func:`aimed_curve`.
    step_deg : float
        Degrees between the toe-ins that are tried.

    Returns
    -------
    Aim

    Raises
    ------
    ValueError
        If the shapes disagree, the band is none or the step is not above zero.
    """
    if not step_deg > 0:
        raise ValueError(f"the step must be above zero, not {step_deg}")
    full = abs(listener_deg)
    toe_ins = np.unique(np.append(np.arange(0.0, full, step_deg), full)).tolist()
    tried = tuple(
        aimed_curve(frequency, horizontal_angles, level, toe_in, listener_deg, band, slope_db_per_octave)
        for toe_in in toe_ins
    )
    judged = [curve for curve in tried if curve.deviation_db is not None]
    best = min(judged, key=lambda curve: (round(curve.deviation_db or 0.0, 9), -curve.toe_in_deg), default=None)
    words = (
        "each curve's own line" if slope_db_per_octave is None else f"a line of {slope_db_per_octave:g} dB per octave"
    )
    reason = "" if best is not None else tried[-1].reason
    return Aim(best, tried[-1], tried[0], tried, *band, words, reason)
