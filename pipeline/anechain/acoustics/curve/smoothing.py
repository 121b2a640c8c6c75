"""Smoothing over a fraction of an octave."""

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


def _smooth_run(octaves: Floats, level: Floats, fraction: float) -> Floats:
    """Smooth levels of shape (rows, n) that are free of NaN; `octaves` is the base-2 log frequency."""
    result = level.copy()
    if octaves.size < 3:
        return result
    half = np.minimum(0.5 / fraction, np.minimum(octaves - octaves[0], octaves[-1] - octaves))
    gap = np.diff(octaves)
    reach = np.maximum(gap[:-1], gap[1:])
    chosen = 1 + np.flatnonzero(half[1:-1] >= reach * (1 - 1e-9))
    if chosen.size == 0:
        return result
    loudest = level.max(axis=1, keepdims=True)
    loudest[~np.isfinite(loudest)] = 0.0
    power = np.ascontiguousarray(power_of_level(level - loudest).T)
    low, high = octaves[chosen] - half[chosen], octaves[chosen] + half[chosen]
    means = mean_over_log_frequency(octaves, power, low, high)
    result[:, chosen] = level_of_power(means).T + loudest
    return result


@method(
    "fractional-octave-smoothing",
    version=1,
    title="Smoothing of squared pressure over a fraction of an octave",
    formula="10 lg of the mean of squared pressure over a window in log frequency around each frequency",
    source="power smoothing as described in Hatziantoniou and Mourjopoulos 2000, J. Audio Eng. Soc. 48, 259-280; "
    "rectangular window, symmetric in log frequency",
    source_status="common practice, no source",
    limitations="Raises a steep slope: 24 dB per octave by 0.60 dB at 1/3 octave. Says nothing of phase.",
)
def smooth(frequency: ArrayLike, level: ArrayLike, fraction: float) -> Floats:
    """Level of the mean squared pressure over a window 1/`fraction` octave wide around each frequency.

    The window is rectangular and centred in log frequency, an octave being a ratio of 2. Squared pressure is taken as
    linear in log frequency between samples and integrated exactly.

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
        dB. Towards the ends of the data the window shrinks, alike on both sides. NaN stays NaN and splits a curve into
        runs that are smoothed apart. A point whose half-window does not reach both its neighbours is left as it is,
        since the window then holds that point alone; see :func:`resolution_limit`.

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
    alike: dict[bytes, list[int]] = {}  # rows by which of their frequencies are missing
    for row, pattern in enumerate(np.isnan(rows)):
        alike.setdefault(pattern.tobytes(), []).append(row)
    for members in alike.values():
        missing = np.isnan(rows[members[0]])
        bounds = np.flatnonzero(np.diff(missing, prepend=True, append=True))
        for start, stop in zip(bounds[::2], bounds[1::2], strict=True):
            result[members, start:stop] = _smooth_run(octaves[start:stop], rows[members, start:stop], fraction)
    return result.reshape(array.shape)


@method(
    "resolution-limit",
    version=1,
    title="Frequency below which the data are coarser than the smoothing",
    formula="Highest frequency up to which the spacing of the data exceeds f (2^(1 / (2 N)) - 2^(-1 / (2 N)))",
    source="fewer than one sample per window: spacing above f(2^(1/2N) - 2^(-1/2N))",
    source_status="common practice, no source",
    limitations="Looks at the frequency grid only; a short time window limits the resolution too and is not seen here.",
)
def resolution_limit(frequency: ArrayLike, fraction: float) -> float:
    """Frequency below which samples lie further apart than 1/`fraction` octave.

    There a curve does not have the resolution that its smoothing names. Samples every 2 Hz are that coarse below
    57.7 Hz for 1/20 octave. Up to about twice that frequency a window holds one sample only, so that :func:`smooth`
    leaves the curve as it is there too.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    fraction : float
        Windows per octave.

    Returns
    -------
    float
        Hz; 0 where the data are nowhere that coarse, the last frequency where they are so up to the end. Above a gap
        in the data it is the upper end of the part of the gap that is too wide.

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
