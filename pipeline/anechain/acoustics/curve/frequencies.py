"""Frequency grids: checks, levels on another grid, and means over log frequency."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["SAME_FREQUENCY", "check_grid", "check_levels", "mean_over_log_frequency", "resample"]

SAME_FREQUENCY = 1e-9
"""Relative difference within which two frequencies are the same."""


def check_grid(frequency: ArrayLike) -> Floats:
    """Check a frequency grid.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz.

    Returns
    -------
    numpy.ndarray, shape (n,)

    Raises
    ------
    ValueError
        If there are no frequencies, or they are not finite, above zero and strictly ascending.
    """
    grid = np.asarray(frequency, dtype=np.float64)
    if grid.ndim != 1 or grid.size == 0:
        raise ValueError(f"frequencies must be a non-empty one-dimensional array, not of shape {grid.shape}")
    if not np.isfinite(grid).all() or not grid[0] > 0 or not (np.diff(grid) > 0).all():
        raise ValueError("frequencies must be finite, above 0 Hz and strictly ascending")
    return grid


def check_levels(frequency: ArrayLike, level: ArrayLike) -> tuple[Floats, Floats]:
    """Check a frequency grid and the levels on it.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz.
    level : array_like, shape (..., n)
        dB.

    Returns
    -------
    frequency, level : numpy.ndarray

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, or are not the last axis of the levels.
    """
    grid, array = check_grid(frequency), np.asarray(level, dtype=np.float64)
    if array.ndim == 0 or array.shape[-1] != grid.size:
        raise ValueError(f"{grid.size} frequencies for levels of shape {array.shape}")
    return grid, array


@method(
    "resample-log-frequency",
    version=1,
    title="Level on another frequency grid",
    formula="Straight line in dB between the two neighbours over the logarithm of frequency",
    source="linear interpolation of decibels over the logarithm of frequency",
    source_status="common practice, no source",
    limitations="A finer grid adds no detail; a coarser grid drops detail without averaging.",
)
def resample(frequency: ArrayLike, level: ArrayLike, target: ArrayLike) -> Floats:
    """Interpolate levels in dB linearly over log frequency; no extrapolation.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    level : array_like, shape (..., n)
        dB.
    target : array_like, shape (m,)
        Hz.

    Returns
    -------
    numpy.ndarray, shape (..., m)
        dB; NaN outside the data and next to a NaN. At a frequency of the data the level is unchanged.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    grid, array = check_levels(frequency, level)
    targets = np.atleast_1d(np.asarray(target, dtype=np.float64))
    result = np.full((*array.shape[:-1], targets.size), np.nan)
    above = np.minimum(np.searchsorted(grid, targets), grid.size - 1)
    below = np.maximum(above - 1, 0)
    nearest = np.where(np.abs(targets - grid[below]) <= np.abs(targets - grid[above]), below, above)
    same = np.abs(targets - grid[nearest]) <= SAME_FREQUENCY * grid[nearest]
    result[..., same] = array[..., nearest[same]]
    inside = ~same & (targets > grid[0]) & (targets < grid[-1])
    lo, hi = below[inside], above[inside]
    t = np.log(targets[inside] / grid[lo]) / np.log(grid[hi] / grid[lo])
    result[..., inside] = (1 - t) * array[..., lo] + t * array[..., hi]
    return result


def mean_over_log_frequency(octaves: Floats, power: Floats, low: Floats, high: Floats) -> Floats:
    """Return the means over windows of log frequency of a squared pressure that is linear between samples.

    Parameters
    ----------
    octaves : numpy.ndarray, shape (n,), n at least 2
        Log frequency of the samples, ascending, to any base.
    power : numpy.ndarray, shape (n, rows)
        Squared pressure, not negative, free of NaN.
    low, high : numpy.ndarray, shape (windows,)
        Ends of the windows, to the same base, inside the samples; `low` at most `high`.

    Returns
    -------
    numpy.ndarray, shape (windows, rows)

    Notes
    -----
    The integral is exact. It is the sum of integrals over 1, 2, 4, 8 ... intervals, so that only positive numbers are
    added: a difference of two cumulative sums would lose levels 150 dB below the preceding levels to rounding.
    """
    last = octaves.size - 2
    first_piece = np.clip(np.searchsorted(octaves, low, side="right") - 1, 0, last)
    last_piece = np.clip(np.searchsorted(octaves, high, side="left") - 1, first_piece, last)
    gap = np.diff(octaves)

    def power_at(piece: NDArray[np.intp], position: Floats) -> Floats:
        t = np.clip((position - octaves[piece]) / gap[piece], 0.0, 1.0)[:, np.newaxis]
        return np.asarray((1 - t) * power[piece] + t * power[piece + 1])

    result = power_at(first_piece, (low + high) / 2)  # exact where the window is inside one piece
    wide = np.flatnonzero(last_piece > first_piece)
    if wide.size == 0:
        return result
    first, final, lo, hi = first_piece[wide], last_piece[wide], low[wide], high[wide]
    total = (octaves[first + 1] - lo)[:, np.newaxis] * (power_at(first, lo) + power[first + 1]) / 2
    total += (hi - octaves[final])[:, np.newaxis] * (power[final] + power_at(final, hi)) / 2
    sums = gap[:, np.newaxis] * (power[:-1] + power[1:]) / 2
    count, row, size = final - first - 1, first + 1, 1
    while (count >= size).any():
        odd = np.flatnonzero(count & size)
        total[odd] += sums[row[odd]]
        row[odd] += size
        sums = sums[:-size] + sums[size:]
        size *= 2
    result[wide] = total / (hi - lo)[:, np.newaxis]
    return result
