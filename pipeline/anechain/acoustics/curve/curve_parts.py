"""The part of a curve that lies in a band, both ends of the band included, or why it cannot be had."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import SAME_FREQUENCY, check_levels, mean_over_log_frequency, resample
from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.arrays import Floats

__all__ = ["Part", "hertz", "mean_over_octaves", "mean_power_level", "part_in_band", "run_around", "widest_step"]


@dataclass(frozen=True)
class Part:
    """A curve inside a band.

    Attributes
    ----------
    frequency, level : numpy.ndarray
        Hz and dB, the ends of the band included; both empty where there is a reason.
    reason : str
        Why the curve does not cover the band; empty if it does.
    """

    frequency: Floats
    level: Floats
    reason: str


def hertz(frequency: float) -> str:
    """Frequency in words to four digits, never in powers of ten."""
    return f"{float(f'{frequency:.4g}'):g}"


def _nothing(reason: str) -> Part:
    return Part(np.empty(0), np.empty(0), reason)


def part_in_band(frequency: ArrayLike, level: ArrayLike, low_hz: float, high_hz: float) -> Part:
    """Cut a curve to a band; values at the ends of the band are read between its samples.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB. NaN before the first and after the last value counts as outside the data.
    low_hz, high_hz : float
        The band.

    Returns
    -------
    Part
        With a reason, and empty, if the data do not reach across the band or have a gap in it.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the band is none.
    """
    grid, values = check_levels(frequency, level)
    if values.ndim != 1:
        raise ValueError(f"one curve is asked for, not levels of shape {values.shape}")
    if not 0 < low_hz < high_hz < np.inf:
        raise ValueError(f"a band runs from a frequency above zero to a higher one, not from {low_hz} to {high_hz} Hz")
    there = np.flatnonzero(~np.isnan(values))
    if there.size == 0:
        return _nothing("the curve has no values")
    first, last = grid[there[0]], grid[there[-1]]
    if first > low_hz * (1 + SAME_FREQUENCY) or last < high_hz * (1 - SAME_FREQUENCY):
        return _nothing(
            f"the data reach from {hertz(first)} to {hertz(last)} Hz, not across {hertz(low_hz)} to {hertz(high_hz)} Hz"
        )
    low, high = max(low_hz, first), min(high_hz, last)
    ends = resample(grid, values, [low, high])
    inside = (grid > low * (1 + SAME_FREQUENCY)) & (grid < high * (1 - SAME_FREQUENCY))
    missing = grid[inside & np.isnan(values)]
    if missing.size or np.isnan(ends).any():
        ends_words = f"an end of the band {hertz(low_hz)} to {hertz(high_hz)} Hz"
        where = f"{hertz(missing[0])} Hz" if missing.size else ends_words
        return _nothing(f"the data have no value at {where}")
    return Part(
        np.concatenate([[low], grid[inside], [high]]), np.concatenate([[ends[0]], values[inside], [ends[1]]]), ""
    )


def run_around(frequency: ArrayLike, level: ArrayLike, at_hz: float) -> Part:
    """Longest part of a curve around a frequency that has no gap.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    at_hz : float
        A frequency inside the part.

    Returns
    -------
    Part
        With a reason, and empty, where the curve has no value at that frequency.
    """
    grid, values = check_levels(frequency, level)
    if np.isnan(resample(grid, values, at_hz)).any():
        return _nothing(f"the data have no value at {hertz(at_hz)} Hz")
    near = int(np.argmin(np.where(np.isnan(values), np.inf, np.abs(np.log(grid / at_hz)))))
    gaps = np.flatnonzero(np.isnan(values))
    start = int(gaps[gaps < near].max(initial=-1)) + 1
    stop = int(gaps[gaps > near].min(initial=grid.size))
    return Part(grid[start:stop], values[start:stop], "")


def mean_over_octaves(frequency: Floats, value: Floats) -> float:
    """Mean of a value over log frequency, exact for straight lines between samples."""
    octaves = np.log2(frequency)
    return float(np.trapezoid(value, octaves) / (octaves[-1] - octaves[0]))


def mean_power_level(part: Part) -> float:
    """Level in dB of the mean squared pressure over log frequency of a part of a curve."""
    octaves = np.log2(part.frequency)
    mean = mean_over_log_frequency(octaves, power_of_level(part.level)[:, np.newaxis], octaves[:1], octaves[-1:])
    return float(level_of_power(mean)[0, 0])


def widest_step(frequency: Floats) -> float:
    """Largest distance in octaves between neighbouring frequencies; 0 for a single one."""
    return float(np.diff(np.log2(frequency)).max(initial=0.0))
