"""Aim of a loudspeaker: direct sound at the listener by toe-in, and the toe-in whose curve follows a trend best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_grid
from anechain.acoustics.curve.segments import mean_over_octaves, segment_in_band
from anechain.acoustics.curve.trends import fit_trend, slopes_over_octaves
from anechain.acoustics.directivity.directions import wrap_angle
from anechain.acoustics.directivity.orbit_interpolation import interpolate_orbit
from anechain.acoustics.directivity.orbits import can_interpolate
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["Aim", "AimedCurve", "aimed_curve", "best_aim", "deviations_from_trend"]


@dataclass(frozen=True)
class AimedCurve:
    """Direct sound at the listener for one toe-in.

    Attributes
    ----------
    toe_in_deg : float
        Degrees by which the axis is turned inwards from parallel to the side walls.
    off_axis_deg : float
        Angle of the listener on the horizontal orbit in degrees, positive to the left.
    level_db : numpy.ndarray or None
        dB by frequency; None if not determined.
    interpolated : bool
        True if the angle is between measured ones.
    deviation_db : float or None
        Standard deviation over log frequency from a trend line in dB; None if not determined.
    slope_db_per_octave : float or None
        Slope of the trend line.
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
        Toe-in with the smallest deviation from the trend; among equal ones the largest toe-in.
    at_listener : AimedCurve
        Axis towards the listener.
    parallel : AimedCurve
        Axis parallel to the side walls.
    candidates : tuple of AimedCurve
        All toe-ins that were compared, ascending.
    low_hz, high_hz : float
        Band of the comparison in Hz.
    trend : str
        The trend, in words.
    reason : str
        Why there is no best toe-in; empty if there is.
    """

    best: AimedCurve | None
    at_listener: AimedCurve
    parallel: AimedCurve
    candidates: tuple[AimedCurve, ...]
    low_hz: float
    high_hz: float
    trend: str
    reason: str


def _deviation_from_trend(
    frequency: Floats, level: Floats, band: tuple[float, float], slope: float | None
) -> tuple[float | None, float | None, str]:
    """Return the deviation from the trend in dB, its slope in dB per octave, and why one of them is missing."""
    if slope is None:
        line = fit_trend(frequency, level, *band)
        if line.slope_db_per_octave is None:
            return None, None, line.reason
        slope = line.slope_db_per_octave
    part = segment_in_band(frequency, level, *band)
    if part.reason:
        return None, slope, part.reason
    rest = part.level - slope * np.log2(part.frequency / band[0])
    mean = mean_over_octaves(part.frequency, rest)
    return float(np.sqrt(mean_over_octaves(part.frequency, (rest - mean) ** 2))), slope, ""


def deviations_from_trend(frequency: Floats, level: Floats, slope: float | None) -> tuple[Floats, Floats]:
    """Return the deviations of several curves from a trend, and the slopes of the trend lines.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending; the band.
    level : numpy.ndarray, shape (..., n)
        dB.
    slope : float or None
        dB per octave; None for a line through each curve.

    Returns
    -------
    deviation, slope : numpy.ndarray, shape (...)
        dB, and dB per octave.
    """
    octaves = np.log2(frequency / frequency[0])
    slopes = slopes_over_octaves(frequency, level)[0] if slope is None else np.full(level.shape[:-1], slope)
    rest = level - slopes[..., np.newaxis] * octaves
    weight = np.gradient(octaves)
    weight[[0, -1]] /= 2
    weight /= weight.sum()
    mean = rest @ weight
    return np.asarray(np.sqrt((rest - mean[..., np.newaxis]) ** 2 @ weight)), slopes


@method(
    "aimed-curve",
    version=1,
    title="Direct sound at the listener for a toe-in",
    formula="The curve of the horizontal orbit at the angle of the listener minus the toe-in; its deviation is the "
    "root mean square over log frequency of the curve minus a line with the slope of the trend and the mean of the "
    "curve",
    source="the curve of the horizontal orbit at the angle of the listener minus the toe-in",
    source_status="common practice, no source",
    limitations="Only the direct sound in the far field; the reflections of the room also change with the aim.",
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
    """Return the curve of the direct sound at the listener.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    horizontal_angles : array_like, shape (m,)
        Degrees on the horizontal orbit, positive to the left.
    level : array_like, shape (m, n)
        dB.
    toe_in_deg : float
        Degrees by which the axis is turned towards the listener; 0 is parallel to the side walls.
    listener_deg : float
        Angle of the listener on the orbit in degrees without toe-in: 30 for the right loudspeaker of a pair in an
        equilateral triangle, -30 for the left one.
    band : tuple of float
        Band in Hz in which the curve is compared with a trend.
    slope_db_per_octave : float, optional
        Slope of the trend; by default that of a line through the curve. The level of the trend is free.

    Returns
    -------
    AimedCurve
        Interpolated over angle where needed; not determined if the neighbours are more than 15 degrees apart.

    Raises
    ------
    ValueError
        If the shapes disagree or the band is empty.
    """
    grid, values = check_grid(frequency), np.asarray(level, dtype=np.float64)
    angles = np.atleast_1d(np.asarray(horizontal_angles, dtype=np.float64))
    if values.shape != (angles.size, grid.size):
        raise ValueError(f"{angles.size} angles and {grid.size} frequencies for levels of shape {values.shape}")
    inwards = 1.0 if listener_deg >= 0 else -1.0
    off_axis = float(wrap_angle(listener_deg - inwards * toe_in_deg)) + 0.0
    measured = ~np.isnan(values).all(axis=1)
    if not measured.any() or not can_interpolate(angles[measured], off_axis)[0]:
        reason = f"needs the horizontal orbit around {off_axis:g}°"
        return AimedCurve(toe_in_deg, off_axis, None, False, None, slope_db_per_octave, reason)
    curve = interpolate_orbit(angles[measured], values[measured], [off_axis])
    deviation, slope, reason = _deviation_from_trend(grid, curve.level[0], band, slope_db_per_octave)
    return AimedCurve(toe_in_deg, off_axis, curve.level[0], bool(curve.interpolated[0]), deviation, slope, reason)


@method(
    "best-aim",
    version=1,
    title="Toe-in whose direct sound follows a trend best",
    formula="Among toe-ins in equal steps from parallel to the listener, the one whose curve has the smallest "
    "deviation from its trend",
    source="smallest standard deviation over log frequency from a line of the stated slope, or from a line through the "
    "curve",
    source_status="common practice, no source",
    limitations="Only the direct sound, at one seat. A difference smaller than the repeatability has no meaning.",
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
    """Compare toe-ins from parallel to the side walls to pointing at the listener.

    Parameters
    ----------
    frequency, horizontal_angles, level, listener_deg, band, slope_db_per_octave
        As in :func:`aimed_curve`.
    step_deg : float
        Step of the toe-ins in degrees.

    Returns
    -------
    Aim

    Raises
    ------
    ValueError
        If the shapes disagree, the band is empty or the step is not above zero.
    """
    if not step_deg > 0:
        raise ValueError(f"the step must be above zero, not {step_deg}")
    largest = abs(listener_deg)
    toe_ins = np.unique(np.append(np.arange(0.0, largest, step_deg), largest)).tolist()
    curves = tuple(
        aimed_curve(frequency, horizontal_angles, level, toe_in, listener_deg, band, slope_db_per_octave)
        for toe_in in toe_ins
    )
    determined = [curve for curve in curves if curve.deviation_db is not None]
    best = min(determined, key=lambda curve: (round(curve.deviation_db or 0.0, 9), -curve.toe_in_deg), default=None)
    trend = (
        "each curve's own line" if slope_db_per_octave is None else f"a line of {slope_db_per_octave:g} dB per octave"
    )
    reason = "" if best is not None else curves[-1].reason
    return Aim(best, curves[-1], curves[0], curves, *band, trend, reason)
