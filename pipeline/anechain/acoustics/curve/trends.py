"""Trend lines of a curve over log frequency, and deviations from a trend line or a target curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import SAME_FREQUENCY, check_levels, resample
from anechain.acoustics.curve.segments import mean_over_octaves, segment_in_band
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "Trend",
    "TrendDeviation",
    "deviation_from_target",
    "deviation_from_trend",
    "fit_trend",
    "own_trend",
    "slopes_over_octaves",
    "trend_level",
]


POINTS_PER_OCTAVE = 20
"""Maximum number of points per octave that a trend is fitted to."""

MIN_POINTS = 3

SUM_OF_CORRELATIONS = 2.7
"""Sum of the correlations of residuals over the distance at which the correlation is one half."""
NORMAL_975 = 1.959964
"""Quantile of 97.5 % of the normal distribution."""


@dataclass(frozen=True)
class Trend:
    """A straight line in dB over log frequency.

    Attributes
    ----------
    slope_db_per_octave : float or None
        None if not determined.
    anchor_hz : float
        Frequency in Hz of `anchor_db`.
    anchor_db : float or None
        Level in dB of the line at the anchor.
    low_hz, high_hz : float or None
        Band in Hz of the fit; None for a line that was set.
    standard_error_db_per_octave : float or None
        Standard error of the slope if neighbouring residuals are independent.
    correlated_standard_error_db_per_octave : float or None
        The same for residuals that are correlated over frequency, as those of a curve are, so that the slope plus and
        minus twice this error contains the true slope in about 95 % of all curves.
    r_squared : float or None
        Share of the variance that the line explains; None if the curve has no variance.
    residual_db : float or None
        Standard deviation of the residuals, n - 2 degrees of freedom.
    points : int
        Number of points fitted.
    origin : str
        "least squares" or "set by the reviewer".
    reason : str
        For a line that was set, the reviewer's reason; else why the line is not determined, empty if it is.
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
    """Deviation of a curve from a trend line or a target curve.

    Attributes
    ----------
    deviation_db : numpy.ndarray or None
        dB by frequency; None if not determined.
    shift_db : float
        Shift of the target in dB to align it with the curve; 0 for a line.
    reason : str
        Why it is not determined; empty if it is.
    """

    deviation_db: Floats | None
    shift_db: float
    reason: str


def _bin_means(frequency: Floats, level: Floats, low_hz: float) -> tuple[Floats, Floats]:
    """Return octaves above the lower end and levels in dB, averaged in bins of 1/20 octave.

    So dense data have no more weight.
    """
    octaves = np.log2(frequency / low_hz)
    _, which = np.unique(np.floor(octaves * POINTS_PER_OCTAVE + 0.5 + 1e-9), return_inverse=True)
    count = np.bincount(which)
    return np.bincount(which, octaves) / count, np.bincount(which, level) / count


def _increase_by_correlation(residual: Floats) -> float:
    """Return by which factor correlated residuals increase the standard error of a slope.

    The sum of the correlations over all distances is 2.1 times the distance at which the correlation is one half if it
    is Gaussian over the distance, and 2.9 times if it is exponential.
    """
    from scipy.special import stdtrit

    count = residual.size
    correlation = np.correlate(residual, residual, "full")[count - 1 :] / (residual @ residual)
    above = int(np.argmax(correlation < 0.5)) - 1
    half = above + (correlation[above] - 0.5) / (correlation[above] - correlation[above + 1])
    independent = count / max(1.0, SUM_OF_CORRELATIONS * half)
    # A line takes two of the independent values.
    free = max(independent - 2.0, 0.5)
    student = float(stdtrit(max(independent - 2.0, 1.0), 0.975)) / NORMAL_975
    return float(np.sqrt((count - 2) / free)) * student


@method(
    "trend-line",
    version=2,
    title="Trend line: least squares in dB over log frequency",
    formula="Slope = sum of (x - mean x)(y - mean y) over sum of (x - mean x)², x in octaves, y in dB, one point per "
    "1/20 octave; standard error from the residuals; for correlated residuals, one independent value per 2.7 distances "
    "at which their correlation is one half, and Student's t for so few values",
    source="ordinary least squares and its standard error; one point per 1/20 octave, so that a linear grid does not "
    "overweight high frequencies; effective number of independent values from the autocorrelation of the residuals",
    source_status="common practice, no source",
    limitations="The line is fitted to everything in the band: leave roll-offs outside. The standard error for "
    "independent residuals is too small for a curve with correlated neighbouring values. Twice the one for correlated "
    "residuals covers 91 to 97 % for residuals that are independent after up to 2 octaves.",
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
        Not determined where the data do not cover the band, have a gap or have fewer than three points in it.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the band is empty.
    """
    part = segment_in_band(frequency, level, low_hz, high_hz)
    anchor = float(np.sqrt(low_hz * high_hz))
    grid, values = check_levels(frequency, level)
    inside = (grid >= low_hz * (1 - SAME_FREQUENCY)) & (grid <= high_hz * (1 + SAME_FREQUENCY)) & ~np.isnan(values)
    reason = part.reason
    x, y = (np.empty(0), np.empty(0)) if reason else _bin_means(grid[inside], values[inside], low_hz)
    if not reason and x.size < MIN_POINTS:
        reason = f"the band contains {x.size} points; a slope and its error need {MIN_POINTS}"
    if reason:
        return Trend(None, anchor, None, low_hz, high_hz, None, None, None, None, x.size, "least squares", reason)
    dx, dy = x - x.mean(), y - y.mean()
    spread = float((dx**2).sum())
    slope = float((dx * dy).sum()) / spread
    residual = dy - slope * dx
    residual_sum, total_sum = float((residual**2).sum()), float((dy**2).sum())
    deviation = float(np.sqrt(residual_sum / (x.size - 2)))
    error = deviation / float(np.sqrt(spread))
    increase = _increase_by_correlation(residual) if residual_sum > 1e-18 * x.size else 1.0
    return Trend(
        slope_db_per_octave=slope,
        anchor_hz=anchor,
        anchor_db=float(y.mean() + slope * (np.log2(anchor / low_hz) - x.mean())),
        low_hz=low_hz,
        high_hz=high_hz,
        standard_error_db_per_octave=error,
        correlated_standard_error_db_per_octave=error * increase,
        # A variance of the size of rounding errors counts as none.
        r_squared=1 - residual_sum / total_sum
        if total_sum > 1e-18 * x.size * (1 + float(np.abs(y).max()) ** 2)
        else None,
        residual_db=deviation,
        points=x.size,
        origin="least squares",
        reason="",
    )


def slopes_over_octaves(frequency: Floats, level: Floats) -> tuple[Floats, Floats]:
    """Return the slopes of the trend lines of several curves, and the standard deviations about the lines.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending; the band of the fit.
    level : numpy.ndarray, shape (..., n)
        dB.

    Returns
    -------
    slope : numpy.ndarray, shape (...)
        dB per octave, fitted as by :func:`fit_trend`, to one point per 1/20 octave.
    residual : numpy.ndarray, shape (...)
        dB, n - 2 degrees of freedom.
    """
    octaves = np.log2(frequency / frequency[0])
    _, which = np.unique(np.floor(octaves * POINTS_PER_OCTAVE + 0.5 + 1e-9), return_inverse=True)
    share = (which == np.arange(which.max() + 1)[:, np.newaxis]).astype(np.float64)
    share /= share.sum(axis=1, keepdims=True)
    x, y = share @ octaves, level @ share.T
    dx, dy = x - x.mean(), y - y.mean(axis=-1, keepdims=True)
    slope = dy @ dx / (dx @ dx)
    squares = ((dy - slope[..., np.newaxis] * dx) ** 2).sum(axis=-1)
    return np.asarray(slope), np.asarray(np.sqrt(squares / (x.size - 2)))


@method(
    "own-trend-line",
    version=1,
    title="Trend line set by the reviewer",
    formula="The stated slope through the anchor level at the anchor frequency; without an anchor level, the line is "
    "shifted so that the mean deviation of the curve from it, in dB over log frequency, is zero in the band",
    source="set by the reviewer in the campaign file, with a reason",
    source_status="common practice, no source",
    limitations="Not fitted: the slope says nothing about the curve. The deviation from the line does.",
)
def own_trend(
    frequency: ArrayLike,
    level: ArrayLike,
    slope_db_per_octave: float,
    anchor_hz: float,
    anchor_db: float | None,
    band: tuple[float, float],
    reason: str,
) -> Trend:
    """Return a trend line with a slope set by a reviewer.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Curve: Hz, ascending, and dB. Only used without an anchor level.
    slope_db_per_octave : float
    anchor_hz : float
        Frequency in Hz of the anchor.
    anchor_db : float or None
        Level in dB of the line at the anchor; None to align the line with the curve.
    band : tuple of float
        Band in Hz in which the line is aligned.
    reason : str
        The reviewer's reason.

    Returns
    -------
    Trend
        Not determined if the line is to be aligned and the curve does not cover the band.

    Raises
    ------
    ValueError
        If there is no reason, the anchor is not a frequency above zero or a number is not finite.
    """
    if not reason.strip():
        raise ValueError("a trend line that is set needs a reason")
    finite = np.isfinite([slope_db_per_octave, 0.0 if anchor_db is None else anchor_db]).all()
    if not 0 < anchor_hz < np.inf or not finite:
        raise ValueError("slope, anchor frequency (above zero) and anchor level must be finite")
    no_fit = (None,) * 4
    if anchor_db is None:
        ends = np.asarray(frequency, dtype=np.float64)[[0, -1]]
        line = slope_db_per_octave * np.log2(ends / anchor_hz)
        aligned = deviation_from_target(frequency, level, ends, line, band)
        if aligned.deviation_db is None:
            return Trend(None, anchor_hz, None, None, None, *no_fit, 0, "set by the reviewer", aligned.reason)
        anchor_db = aligned.shift_db
    return Trend(slope_db_per_octave, anchor_hz, anchor_db, None, None, *no_fit, 0, "set by the reviewer", reason)


def trend_level(trend: Trend, frequency: ArrayLike) -> Floats:
    """Return the level in dB of a trend line at frequencies in Hz; NaN if the line is not determined."""
    octaves = np.log2(np.asarray(frequency, dtype=np.float64) / trend.anchor_hz)
    if trend.slope_db_per_octave is None or trend.anchor_db is None:
        return np.full_like(octaves, np.nan)
    return np.asarray(trend.anchor_db + trend.slope_db_per_octave * octaves)


@method(
    "trend-deviation",
    version=1,
    title="Deviation from the trend line",
    formula="Curve minus line, in dB, at each frequency",
    source="difference of decibels",
    source_status="common practice, no source",
    limitations="Outside the band of the fit the line is extrapolated.",
)
def deviation_from_trend(frequency: ArrayLike, level: ArrayLike, trend: Trend) -> TrendDeviation:
    """Return the deviation of a curve from a trend line, at every frequency of the curve.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    trend : Trend

    Returns
    -------
    TrendDeviation

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
    title="Deviation from a target curve",
    formula="Curve minus target, in dB, minus the mean of that over log frequency in the alignment band",
    source="difference of decibels; the target is interpolated linearly over log frequency and may be shifted "
    "to the mean of the curve in a band",
    source_status="common practice, no source",
    limitations="Only at frequencies of the target. With a shifted target the deviation does not show the level.",
)
def deviation_from_target(
    frequency: ArrayLike,
    level: ArrayLike,
    target_frequency: ArrayLike,
    target_level: ArrayLike,
    alignment_band: tuple[float, float] | None = None,
) -> TrendDeviation:
    """Return the deviation of a curve from a target curve.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    target_frequency, target_level : array_like, shape (m,)
        Corner points of the target: Hz, ascending, and dB.
    alignment_band : tuple of float, optional
        Alignment band in Hz: the target is shifted so that the mean deviation (dB over log frequency) in it is zero. No
        shift if absent.

    Returns
    -------
    TrendDeviation
        NaN outside the target.

    Raises
    ------
    ValueError
        If frequencies are not ascending above zero, shapes disagree or the band is empty.
    """
    grid, values = check_levels(frequency, level)
    deviation = values - resample(target_frequency, target_level, grid)
    if alignment_band is None:
        return TrendDeviation(np.asarray(deviation), 0.0, "")
    part = segment_in_band(grid, deviation, *alignment_band)
    if part.reason:
        return TrendDeviation(None, 0.0, f"the target cannot be aligned with the curve: {part.reason}")
    shift = mean_over_octaves(part.frequency, part.level)
    return TrendDeviation(np.asarray(deviation - shift), shift, "")
