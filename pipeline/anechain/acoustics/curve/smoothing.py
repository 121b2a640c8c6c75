"""Fractional-octave smoothing, and the frequency below which data are too coarse for it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_grid, check_levels, mean_over_log_frequency
from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["resolution_limit", "smooth"]


def _check_fraction(fraction: float) -> None:
    if not 0 < fraction < np.inf:
        raise ValueError(f"a window of 1/N octave needs an N above zero, not {fraction}")


def _smooth_segment(octaves: Floats, level: Floats, fraction: float) -> Floats:
    """Smooth levels of shape (rows, n) without NaN; `octaves` is log2 of the frequency."""
    result = level.copy()
    if octaves.size < 3:
        return result
    half = np.minimum(0.5 / fraction, np.minimum(octaves - octaves[0], octaves[-1] - octaves))
    gap = np.diff(octaves)
    larger_gap = np.maximum(gap[:-1], gap[1:])
    smoothed = 1 + np.flatnonzero(half[1:-1] >= larger_gap * (1 - 1e-9))
    if smoothed.size == 0:
        return result
    loudest = level.max(axis=1, keepdims=True)
    loudest[~np.isfinite(loudest)] = 0.0
    power = np.ascontiguousarray(power_of_level(level - loudest).T)
    low, high = octaves[smoothed] - half[smoothed], octaves[smoothed] + half[smoothed]
    means = mean_over_log_frequency(octaves, power, low, high)
    result[:, smoothed] = level_of_power(means).T + loudest
    return result


@method(
    "fractional-octave-smoothing",
    version=1,
    title="Smoothing of squared pressure over a fraction of an octave",
    formula="10 lg of the mean of squared pressure over a window in log frequency around each frequency",
    source="power smoothing as described in Hatziantoniou and Mourjopoulos 2000, J. Audio Eng. Soc. 48, 259-280; "
    "rectangular window, symmetric in log frequency",
    source_status="common practice, no source",
    limitations="Raises a steep slope: 24 dB per octave by 0.60 dB at 1/3 octave. Phase is not smoothed.",
)
def smooth(frequency: ArrayLike, level: ArrayLike, fraction: float) -> Floats:
    """Return the level of the mean squared pressure over a window of 1/`fraction` octave around each frequency.

    The window is rectangular and centred in log frequency; an octave is a ratio of 2. Squared pressure is interpolated
    linearly over log frequency and integrated exactly.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    level : array_like, shape (..., n)
        dB.
    fraction : float
        Windows per octave: 20 for 1/20 octave.

    Returns
    -------
    numpy.ndarray, shape (..., n)
        dB. Near the ends of the data the window becomes narrower, symmetrically. NaN stays NaN and divides a curve into
        segments that are smoothed separately. A point is not changed where half the window does not reach both its
        neighbours, since the window then contains that point only; see :func:`resolution_limit`.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the fraction is not above zero.
    """
    grid, array = check_levels(frequency, level)
    _check_fraction(fraction)
    octaves = np.log2(grid)
    rows = array.reshape(-1, grid.size)
    result = rows.copy()
    rows_by_gaps: dict[bytes, list[int]] = {}  # rows with the same missing frequencies are smoothed together
    for row, pattern in enumerate(np.isnan(rows)):
        rows_by_gaps.setdefault(pattern.tobytes(), []).append(row)
    for members in rows_by_gaps.values():
        missing = np.isnan(rows[members[0]])
        bounds = np.flatnonzero(np.diff(missing, prepend=True, append=True))
        for start, stop in zip(bounds[::2], bounds[1::2], strict=True):
            result[members, start:stop] = _smooth_segment(octaves[start:stop], rows[members, start:stop], fraction)
    return result.reshape(array.shape)


@method(
    "resolution-limit",
    version=1,
    title="Frequency below which the data are coarser than the smoothing",
    formula="Highest frequency up to which the spacing of the data exceeds f (2^(1 / (2 N)) - 2^(-1 / (2 N)))",
    source="less than one sample per window: spacing above f(2^(1/2N) - 2^(-1/2N))",
    source_status="common practice, no source",
    limitations="Considers the frequency grid only; a short time window also limits the resolution.",
)
def resolution_limit(frequency: ArrayLike, fraction: float) -> float:
    """Return the frequency below which samples are further apart than 1/`fraction` octave.

    Below it a curve has less resolution than its smoothing states. For 1/20 octave, samples every 2 Hz are too coarse
    below 57.7 Hz. Up to about twice that frequency a window contains one sample only, so that :func:`smooth` does not
    change the curve.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    fraction : float
        Windows per octave.

    Returns
    -------
    float
        Hz; 0 if the data are nowhere too coarse, the last frequency if they are too coarse up to the end. If there is a
        gap, the upper end of its part that is too wide.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the fraction is not above zero.
    """
    grid = check_grid(frequency)
    _check_fraction(fraction)
    width = 2.0 ** (0.5 / fraction) - 2.0 ** (-0.5 / fraction)
    coarse_below = [
        min(above, (above - below) / width)
        for below, above in pairwise(grid.tolist())
        if (above - below) / width > below
    ]
    return max(coarse_below, default=0.0)
