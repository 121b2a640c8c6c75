"""Segments of a curve: the part inside a band or around a frequency, and means over it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import SAME_FREQUENCY, check_levels, mean_over_log_frequency, resample
from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.arrays import Floats

__all__ = [
    "CurveSegment",
    "covered_band",
    "largest_step_octaves",
    "mean_over_octaves",
    "mean_power_level",
    "segment_around",
    "segment_in_band",
]


@dataclass(frozen=True)
class CurveSegment:
    """A segment of a curve.

    Attributes
    ----------
    frequency, level : numpy.ndarray, shape (n,)
        Hz, ascending, and dB; both empty where there is a reason.
    reason : str
        Why there is no segment; empty if there is.
    """

    frequency: Floats
    level: Floats
    reason: str


def _no_segment(reason: str) -> CurveSegment:
    return CurveSegment(np.empty(0), np.empty(0), reason)


def covered_band(frequency: ArrayLike, level: ArrayLike, low_hz: float, high_hz: float) -> tuple[float, float] | None:
    """Return the part of a band between the first and the last value of a curve.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    low_hz, high_hz : float
        The band in Hz.

    Returns
    -------
    tuple of float, or None
        Hz; None if the curve has less than two values or is outside the band.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    grid, values = check_levels(frequency, level)
    known = grid[~np.isnan(values)]
    if known.size < 2 or not max(low_hz, known[0]) < min(high_hz, known[-1]):
        return None
    return max(low_hz, float(known[0])), min(high_hz, float(known[-1]))


def segment_in_band(frequency: ArrayLike, level: ArrayLike, low_hz: float, high_hz: float) -> CurveSegment:
    """Cut a curve to a band; the levels at the ends of the band are interpolated.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB. NaN before the first and after the last value counts as outside the data.
    low_hz, high_hz : float
        The band in Hz.

    Returns
    -------
    CurveSegment
        The ends of the band are its first and last sample. Empty, with a reason, if the data do not cover the band or
        have a gap in it.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the band is empty.
    """
    grid, values = check_levels(frequency, level)
    if values.ndim != 1:
        raise ValueError(f"levels of a single curve are needed, not levels of shape {values.shape}")
    if not 0 < low_hz < high_hz < np.inf:
        raise ValueError(
            f"a band must be from a frequency above zero to a higher frequency, not from {low_hz} to {high_hz} Hz"
        )
    known = np.flatnonzero(~np.isnan(values))
    if known.size == 0:
        return _no_segment("the curve has no values")
    first, last = grid[known[0]], grid[known[-1]]
    band = f"{format_hertz(low_hz)} to {format_hertz(high_hz)} Hz"
    if first > low_hz * (1 + SAME_FREQUENCY) or last < high_hz * (1 - SAME_FREQUENCY):
        return _no_segment(f"the data reach from {format_hertz(first)} to {format_hertz(last)} Hz, not across {band}")
    low, high = max(low_hz, first), min(high_hz, last)
    ends = resample(grid, values, [low, high])
    inside = (grid > low * (1 + SAME_FREQUENCY)) & (grid < high * (1 - SAME_FREQUENCY))
    missing = grid[inside & np.isnan(values)]
    if missing.size or np.isnan(ends).any():
        where = f"{format_hertz(missing[0])} Hz" if missing.size else f"an end of the band {band}"
        return _no_segment(f"the data have no value at {where}")
    return CurveSegment(
        np.concatenate([[low], grid[inside], [high]]), np.concatenate([[ends[0]], values[inside], [ends[1]]]), ""
    )


def segment_around(frequency: ArrayLike, level: ArrayLike, at_hz: float) -> CurveSegment:
    """Return the longest segment without a gap around a frequency.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    at_hz : float
        A frequency in Hz inside the segment.

    Returns
    -------
    CurveSegment
        Empty, with a reason, where the curve has no value at that frequency.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    grid, values = check_levels(frequency, level)
    if np.isnan(resample(grid, values, at_hz)).any():
        return _no_segment(f"the data have no value at {format_hertz(at_hz)} Hz")
    nearest = int(np.argmin(np.where(np.isnan(values), np.inf, np.abs(np.log(grid / at_hz)))))
    gaps = np.flatnonzero(np.isnan(values))
    start = int(gaps[gaps < nearest].max(initial=-1)) + 1
    stop = int(gaps[gaps > nearest].min(initial=grid.size))
    return CurveSegment(grid[start:stop], values[start:stop], "")


def mean_over_octaves(frequency: Floats, value: Floats) -> float:
    """Return the mean of a value over log frequency.

    Parameters
    ----------
    frequency, value : numpy.ndarray, shape (n,), n at least 2
        Hz, ascending, and the value in any unit.

    Returns
    -------
    float
        Exact for straight lines over log frequency between samples.
    """
    octaves = np.log2(frequency)
    return float(np.trapezoid(value, octaves) / (octaves[-1] - octaves[0]))


def mean_power_level(segment: CurveSegment) -> float:
    """Return the level in dB of the mean squared pressure over log frequency of a segment."""
    octaves = np.log2(segment.frequency)
    power = power_of_level(segment.level)[:, np.newaxis]
    mean = mean_over_log_frequency(octaves, power, octaves[:1], octaves[-1:])
    return float(level_of_power(mean)[0, 0])


def largest_step_octaves(frequency: Floats) -> float:
    """Return the largest distance in octaves of neighbouring frequencies in Hz; 0 for a single frequency."""
    return float(np.diff(np.log2(frequency)).max(initial=0.0))
