"""Fractional-octave smoothing, and the frequency below which data are too coarse for it."""

from __future__ import annotations

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
    center = octaves[1:-1]
    half = np.minimum(0.5 / fraction, np.minimum(center - octaves[0], octaves[-1] - center))
    loudest = level.max(axis=1, keepdims=True)
    loudest[~np.isfinite(loudest)] = 0.0
    power = np.ascontiguousarray(power_of_level(level - loudest).T)
    means = mean_over_log_frequency(octaves, power, center - half, center + half)
    result[:, 1:-1] = level_of_power(means).T + loudest
    return result


@method(
    "fractional-octave-smoothing",
    version=2,
    title="Smoothing of squared pressure over a fraction of an octave",
    formula="10 lg of the mean of squared pressure over a window in log frequency around each frequency",
    source="power smoothing as described in Hatziantoniou and Mourjopoulos 2000, J. Audio Eng. Soc. 48, 259-280; "
    "rectangular window, symmetric in log frequency",
    source_status="common practice, no source",
    limitations="Raises a steep slope: 24 dB per octave by 0.60 dB at 1/3 octave. Phase is not smoothed. Where the "
    "data have fewer than two points per window, the result depends on where the points are; see resolution-limit.",
)
def smooth(frequency: ArrayLike, level: ArrayLike, fraction: float) -> Floats:
    """Return the level of the mean squared pressure over a window of 1/`fraction` octave around each frequency.

    The window is rectangular and centred in log frequency; an octave is a ratio of 2. Squared pressure is interpolated
    linearly over log frequency and integrated exactly, whatever the spacing of the data.

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
        dB. Near the ends of the data the window becomes narrower, symmetrically; the first and the last point are not
        changed. NaN stays NaN and divides a curve into segments that are smoothed separately.

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
    version=2,
    title="Frequency below which the data are too coarse for the smoothing",
    formula="Upper end of the highest interval between neighbouring data that is wider than 1/(2 N) octave",
    source="two samples per window of 1/N octave",
    source_status="common practice, no source",
    limitations="Considers the frequency grid only; a short time window also limits the resolution.",
)
def resolution_limit(frequency: ArrayLike, fraction: float) -> float:
    """Return the frequency below which samples are more than half of 1/`fraction` octave apart.

    Below it a smoothed curve has less resolution than its smoothing states. For 1/20 octave, samples every 2 Hz are too
    coarse below 116 Hz.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    fraction : float
        Windows per octave.

    Returns
    -------
    float
        Hz; 0 if the data are nowhere too coarse, the last frequency if they are too coarse up to the end.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the fraction is not above zero.

    Notes
    -----
    With two samples per window, the smoothed level at a resonance of 6 dB whose half-power bandwidth is the window
    is off by at most 0.2 dB, wherever the samples are; with one sample per window by 0.55 dB.
    """
    grid = check_grid(frequency)
    _check_fraction(fraction)
    too_wide = np.flatnonzero(np.diff(np.log2(grid)) > 0.5 / fraction * (1 + 1e-9))
    return float(grid[too_wide[-1] + 1]) if too_wide.size else 0.0
