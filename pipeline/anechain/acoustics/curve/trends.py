"""Which way a curve leans: trend lines over log frequency, and what is left of a curve beside a line or a target."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import SAME_FREQUENCY, check_levels, resample
from anechain.acoustics.curve.segments import mean_over_octaves, part_in_band
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "Trend",
    "TrendDeviation",
    "deviation_from_target",
    "deviation_from_trend",
    "fit_trend",
    "set_trend",
    "trend_level",
]


POINTS_PER_OCTAVE = 20
"""Points per octave, at most, that a trend is fitted to."""

FEWEST_POINTS = 3


@dataclass(frozen=True)
class Trend:
    """A straight line in dB over log frequency.

    Attributes
    ----------
    slope_db_per_octave : float or None
        None if not determined.
    anchor_hz : float
        Frequency at which `anchor_db` holds.
    anchor_db : float or None
        dB.
    low_hz, high_hz : float or None
        The band it was fitted in; None for a line that was set.
    standard_error_db_per_octave : float or None
        Of the slope by the textbook's rule, which takes neighbouring residuals as independent.
    correlated_standard_error_db_per_octave : float or None
        The same widened by sqrt((1 + r) / (1 - r)), r being the correlation of neighbouring residuals: that of a curve
        is high, and the textbook's error then too small.
    r_squared : float or None
        Share of the variance that the line accounts for; None where the curve has no variance.
    residual_db : float or None
        Standard deviation of the residuals, n - 2 degrees of freedom.
    points : int
        Number of points fitted.
    origin : str
        "least squares" or "set by the reviewer".
    reason : str
        The reviewer's reason for a line that was set; why it is not determined otherwise; empty if it is.
    """

    slope_db_per_octave: float | None
    anchor_hz: float
    anchor_db: float | None
    low_hz: float | None
    high_hz: float | None
    standard_error_db_per_octave: float | None
    correlated_standard_error_db_per_octave: float | None
    r_squared: float | None
    residual_db: float | None
    points: int
    origin: str
    reason: str


@dataclass(frozen=True)
class TrendDeviation:
    """A curve less a line or a target.

    Attributes
    ----------
    deviation_db : numpy.ndarray or None
        dB by frequency; None if not determined.
    shift_db : float
        dB that the target was moved by to meet the curve; 0 for a line.
    reason : str
        Why it is not determined; empty if it is.
    """

    deviation_db: Floats | None
    shift_db: float
    reason: str


def _one_per_bin(frequency: Floats, level: Floats, low_hz: float) -> tuple[Floats, Floats]:
    """Octaves above the lower end, and decibels, averaged in bins 1/20 octave wide: dense data weigh no more."""
    octaves = np.log2(frequency / low_hz)
    _, which = np.unique(np.floor(octaves * POINTS_PER_OCTAVE + 0.5 + 1e-9), return_inverse=True)
    count = np.bincount(which)
    return np.bincount(which, octaves) / count, np.bincount(which, level) / count


@method(
    "trend-line",
    version=1,
    title="Trend line: least squares in dB over log frequency",
    formula="Slope = sum of (x - mean x)(y - mean y) over sum of (x - mean x)², x in octaves, y in dB, one point per "
    "1/20 octave; standard error by the residuals, widened by sqrt((1 + r) / (1 - r)) with r the correlation "
    "of neighbours",
    source="ordinary least squares and its standard error; one point per 1/20 octave, so that a linear grid does not "
    "overweight the top; widened error by the first-order autocorrelation of the residuals",
    source_status="common practice, no source",
    limitations="A line through whatever lies in the band: leave roll-offs outside. The textbook's standard error is "
    "too "
    "small for a curve whose neighbouring values go together.",
)
def fit_trend(frequency: ArrayLike, level: ArrayLike, low_hz: float, high_hz: float) -> Trend:
    """Fit a straight line to a curve in a band.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    low_hz, high_hz : float
        The band. The anchor is its geometric mean.

    Returns
    -------
    Trend
        Not determined where the data do not reach across the band, have a gap or hold fewer than three points in it.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the band is none.
    """
    part = part_in_band(frequency, level, low_hz, high_hz)
    anchor = float(np.sqrt(low_hz * high_hz))
    grid, values = check_levels(frequency, level)
    inside = (grid >= low_hz * (1 - SAME_FREQUENCY)) & (grid <= high_hz * (1 + SAME_FREQUENCY)) & ~np.isnan(values)
    reason = part.reason
    x, y = (np.empty(0), np.empty(0)) if reason else _one_per_bin(grid[inside], values[inside], low_hz)
    if not reason and x.size < FEWEST_POINTS:
        reason = f"the band holds {x.size} points; a slope and its error need {FEWEST_POINTS}"
    if reason:
        return Trend(None, anchor, None, low_hz, high_hz, None, None, None, None, x.size, "least squares", reason)
    dx, dy = x - x.mean(), y - y.mean()
    spread = float((dx**2).sum())
    slope = float((dx * dy).sum()) / spread
    residual = dy - slope * dx
    left, total = float((residual**2).sum()), float((dy**2).sum())
    deviation = float(np.sqrt(left / (x.size - 2)))
    error = deviation / float(np.sqrt(spread))
    alike = float(np.clip((residual[1:] * residual[:-1]).sum() / left, 0.0, 0.99)) if left > 1e-18 * x.size else 0.0
    return Trend(
        slope_db_per_octave=slope,
        anchor_hz=anchor,
        anchor_db=float(y.mean() + slope * (np.log2(anchor / low_hz) - x.mean())),
        low_hz=low_hz,
        high_hz=high_hz,
        standard_error_db_per_octave=error,
        correlated_standard_error_db_per_octave=error * float(np.sqrt((1 + alike) / (1 - alike))),
        # A variance that is rounding alone is none.
        r_squared=1 - left / total if total > 1e-18 * x.size * (1 + float(np.abs(y).max()) ** 2) else None,
        residual_db=deviation,
        points=x.size,
        origin="least squares",
        reason="",
    )


def set_trend(slope_db_per_octave: float, anchor_hz: float, anchor_db: float, reason: str) -> Trend:
    """Make a trend line of a reviewer's own slope and anchor.

    Raises
    ------
    ValueError
        If no reason is given, the anchor is not a frequency above zero or a number is not finite.
    """
    if not reason.strip():
        raise ValueError("a trend line that is set needs its reason in words")
    if not 0 < anchor_hz < np.inf or not np.isfinite([slope_db_per_octave, anchor_db]).all():
        raise ValueError("slope, anchor frequency (above zero) and anchor level must be finite")
    return Trend(
        slope_db_per_octave, anchor_hz, anchor_db, None, None, None, None, None, None, 0, "set by the reviewer", reason
    )


def trend_level(trend: Trend, frequency: ArrayLike) -> Floats:
    """Level in dB of a trend line at frequencies in Hz; NaN if the line is not determined."""
    octaves = np.log2(np.asarray(frequency, dtype=np.float64) / trend.anchor_hz)
    if trend.slope_db_per_octave is None or trend.anchor_db is None:
        return np.full_like(octaves, np.nan)
    return np.asarray(trend.anchor_db + trend.slope_db_per_octave * octaves)


@method(
    "trend-deviation",
    version=1,
    title="Curve less its trend line",
    formula="Curve less line, in dB, at each frequency",
    source="difference of decibels",
    source_status="common practice, no source",
    limitations="Beyond the band that the line was fitted in it is an extrapolation.",
)
def deviation_from_trend(frequency: ArrayLike, level: ArrayLike, trend: Trend) -> TrendDeviation:
    """Take a trend line from a curve, at every frequency of the curve.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    grid, values = check_levels(frequency, level)
    if trend.slope_db_per_octave is None:
        return TrendDeviation(None, 0.0, trend.reason)
    return TrendDeviation(np.asarray(values - trend_level(trend, grid)), 0.0, "")


@method(
    "target-deviation",
    version=1,
    title="Curve less a target curve",
    formula="Curve less target, in dB, less the mean of that over log frequency in the band where they meet",
    source="difference of decibels; the target is read linearly over log frequency and may be moved to meet the "
    "mean of the curve in a band",
    source_status="common practice, no source",
    limitations="Only where the target is given. A target that was moved says nothing of the level.",
)
def deviation_from_target(
    frequency: ArrayLike,
    level: ArrayLike,
    target_frequency: ArrayLike,
    target_level: ArrayLike,
    alignment_band_hz: tuple[float, float] | None = None,
) -> TrendDeviation:
    """Take a target curve from a curve.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    target_frequency, target_level : array_like, shape (m,)
        Corner points of the target: Hz, ascending, and dB.
    alignment_band_hz : tuple of float, optional
        Band in which the mean deviation (dB over log frequency) is made zero; the target stands as it is without one.

    Returns
    -------
    TrendDeviation
        NaN outside the target.

    Raises
    ------
    ValueError
        If frequencies are not ascending above zero, shapes disagree or the band is none.
    """
    grid, values = check_levels(frequency, level)
    deviation = values - resample(target_frequency, target_level, grid)
    if alignment_band_hz is None:
        return TrendDeviation(np.asarray(deviation), 0.0, "")
    part = part_in_band(grid, deviation, *alignment_band_hz)
    if part.reason:
        return TrendDeviation(None, 0.0, f"the target cannot be moved to meet the curve: {part.reason}")
    shift = mean_over_octaves(part.frequency, part.level)
    return TrendDeviation(np.asarray(deviation - shift), shift, "")
