"""Level difference between two takes, spread of repeated takes, and checked arrays of takes."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels
from anechain.acoustics.curve.smoothing import smooth
from anechain.acoustics.nonlinear.octave_weights import band_weights
from anechain.acoustics.recording.take_order import first_take_of_each_drive, is_same_drive
from anechain.arrays import Floats

__all__ = ["check_takes", "spread_of_takes", "take_difference"]


def check_takes(frequency: ArrayLike, level: ArrayLike, drive: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Return frequencies, levels and drives of takes as checked arrays.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    level : array_like, shape (takes, n)
        dB.
    drive : array_like, shape (takes,)
        V r.m.s., in any order.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, a drive is not above zero, or the shapes disagree.
    """
    grid, levels = check_levels(frequency, level)
    volts = np.asarray(drive, dtype=np.float64)
    if levels.ndim != 2 or volts.shape != levels.shape[:1] or volts.size == 0:
        raise ValueError(f"levels need one row for each take, not shape {levels.shape} for {volts.size} takes")
    if not (np.isfinite(volts) & (volts > 0)).all():
        raise ValueError("drives must be finite and above 0 V")
    return grid, levels, volts


def take_difference(grid: Floats, pair: Floats, smoothing: float | None) -> Floats:
    """Return the level of the later take minus that of the earlier take, over the frequencies that both have.

    Parameters
    ----------
    grid : numpy.ndarray, shape (n,)
        Hz, ascending.
    pair : numpy.ndarray, shape (2, n)
        Levels of the earlier and the later take, dB.
    smoothing : float or None
        Bands per octave.

    Returns
    -------
    numpy.ndarray, shape (n,)
        dB, NaN where either take has no level.
    """
    both = np.where(np.isfinite(pair).all(axis=0), pair, np.nan)
    earlier, later = smooth(grid, both, smoothing) if smoothing is not None else both
    return np.asarray(later - earlier)


def spread_of_takes(frequency: ArrayLike, level: ArrayLike, drive: ArrayLike) -> Floats:
    """Return the standard deviation of the takes at each drive about the change of each whole take.

    A change that all frequencies share, such as drift of the gain or heat in the coil, is no noise: each take is
    referred to its mean level over log frequency.

    Parameters
    ----------
    frequency, level, drive
        As in :func:`check_takes`.

    Returns
    -------
    numpy.ndarray, shape (drives, n)
        dB, by rising drive; NaN where a drive has fewer than two takes or one of them has no level.

    Raises
    ------
    ValueError
        As :func:`check_takes`.
    """
    grid, levels, volts = check_takes(frequency, level, drive)
    weight = band_weights(grid, float(grid[0]), float(grid[-1]))
    spread = []
    for first in first_take_of_each_drive(volts):
        takes = levels[is_same_drive(float(volts[first]), volts)]
        common = np.isfinite(takes).all(axis=0) & (weight > 0)
        deviation = np.full(grid.size, np.nan)
        if len(takes) > 1 and common.any():
            mean = np.average(takes[:, common], axis=1, weights=weight[common])
            deviation[common] = np.std(takes[:, common] - mean[:, np.newaxis], axis=0, ddof=1)
        spread.append(deviation)
    return np.stack(spread)
