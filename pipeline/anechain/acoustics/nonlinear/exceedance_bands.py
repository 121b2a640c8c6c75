"""Bands of frequencies in which compression exceeds a limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels
from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.methods import method

__all__ = ["ExceedanceBand", "band_text", "exceedance_bands"]


@dataclass(frozen=True)
class ExceedanceBand:
    """A band of frequencies in which a limit is reached or exceeded.

    Attributes
    ----------
    low_hz, high_hz : float
        Ends of the band, interpolated between samples.
    low_open, high_open : bool
        Whether the data end there, or have a gap, so that the band may extend further.
    deepest_db : float
        Lowest delta in the band, dB.
    deepest_hz : float
        Frequency of the lowest delta.
    """

    low_hz: float
    high_hz: float
    low_open: bool
    high_open: bool
    deepest_db: float
    deepest_hz: float


@method(
    "compression-bands",
    version=1,
    title="Bands of frequencies in which compression exceeds a limit",
    formula="Frequencies between which the delta is at or below the limit, ends interpolated over log frequency",
    source="crossings of the limit, straight lines in dB over log frequency",
    source_status="common practice, no source",
    limitations="Resolution is that of the data and their smoothing; next to a gap the end of a band is not known.",
)
def exceedance_bands(frequency: ArrayLike, delta: ArrayLike, limit_db: float) -> tuple[ExceedanceBand, ...]:
    """Return the bands in which a delta is at or below a limit.

    Parameters
    ----------
    frequency, delta : array_like, shape (n,)
        Hz, ascending, and dB; NaN where there is no delta.
    limit_db : float
        dB, below zero.

    Returns
    -------
    tuple of ExceedanceBand
        By rising frequency; empty if the delta is above the limit everywhere.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the limit is not below zero.
    """
    grid, values = check_levels(frequency, delta)
    if values.ndim != 1 or not limit_db < 0:
        raise ValueError(f"deltas must be one row and the limit below zero, not shape {values.shape} and {limit_db} dB")
    octaves = np.log2(grid)
    exceeded = values <= limit_db  # False where there is no value
    bounds = np.flatnonzero(np.diff(exceeded, prepend=False, append=False))

    def band_end(inside: int, outside: int) -> tuple[float, bool]:
        if not 0 <= outside < grid.size or np.isnan(values[outside]):
            return float(grid[inside]), True
        t = (limit_db - values[inside]) / (values[outside] - values[inside])
        return float(2.0 ** (octaves[inside] + t * (octaves[outside] - octaves[inside]))), False

    bands = []
    for start, stop in zip(bounds[::2].tolist(), bounds[1::2].tolist(), strict=True):
        (low, low_open), (high, high_open) = band_end(start, start - 1), band_end(stop - 1, stop)
        deepest = start + int(np.argmin(values[start:stop]))
        bands.append(ExceedanceBand(low, high, low_open, high_open, float(values[deepest]), float(grid[deepest])))
    return tuple(bands)


def band_text(band: ExceedanceBand) -> str:
    """Return the text of a band, such as "80 to 120 Hz"; an open end is stated."""
    low, high = format_hertz(band.low_hz), format_hertz(band.high_hz)
    if band.low_hz == band.high_hz:
        return f"at {low} Hz, with no data on either side" if band.low_open and band.high_open else f"at {low} Hz"
    if band.low_open and band.high_open:
        return f"at least {low} to {high} Hz"
    if band.low_open:
        return f"up to {high} Hz, from {low} Hz or below"
    return f"from {low} Hz, up to {high} Hz or above" if band.high_open else f"{low} to {high} Hz"
