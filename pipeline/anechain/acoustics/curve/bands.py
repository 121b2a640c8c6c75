"""Fractional-octave bands: mid-band and band-edge frequencies, and mean levels in bands."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import SAME_FREQUENCY, check_levels, mean_over_log_frequency
from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["band_centres", "band_edges", "band_means", "nominal_octave"]

OCTAVE_RATIO = 10.0**0.3
"""Octave frequency ratio, IEC 61260-1:2014, equation 1."""

NOMINAL_OCTAVES = (16.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0)
"""Hz; nominal mid-band frequencies of octave bands. Recalled."""


@method(
    "band-centres",
    version=1,
    title="Mid-band frequencies of fractional-octave bands",
    formula="1000 Hz times 10^(0.3 x / b) for an odd number b of bands per octave, 1000 Hz times 10^(0.3 (2 x + 1) / "
    "(2 b)) for an even number, x being an integer",
    source="IEC 61260-1:2014, equations 1 to 3",
    limitations="Exact frequencies; nominal frequencies (315 Hz for 316.23 Hz) are labels only.",
)
def band_centres(fraction: int, low: float, high: float) -> Floats:
    """Return the exact mid-band frequencies of 1/`fraction` octave bands, from the band of `low` to that of `high`.

    Parameters
    ----------
    fraction : int
        Bands per octave, 1 or more. If it is even, 1 kHz is an edge between two bands.
    low, high : float
        Hz.

    Returns
    -------
    numpy.ndarray
        Hz, ascending. Base-10 octaves: the band above 1 kHz by one octave is at 1995.26 Hz.

    Raises
    ------
    ValueError
        If the fraction is not an integer of 1 or more, or `low` to `high` is not a range above zero.
    """
    if int(fraction) != fraction or fraction < 1:
        raise ValueError(f"bands per octave must be an integer of 1 or more, not {fraction}")
    if not 0 < low <= high < math.inf:
        raise ValueError(
            f"bands must be from a frequency above zero to a higher frequency, not from {low:g} to {high:g} Hz"
        )
    offset = 0.5 if fraction % 2 == 0 else 0.0
    # Band x reaches from x - 1/2 to x + 1/2; a frequency on an edge belongs to the band inside the range.
    low_index, high_index = (fraction * math.log(f / 1000.0, OCTAVE_RATIO) - offset for f in (low, high))
    first = math.floor(low_index + 0.5 + 1e-9)
    last = max(math.ceil(high_index - 0.5 - 1e-9), first)
    return np.asarray(1000.0 * OCTAVE_RATIO ** ((np.arange(first, last + 1) + offset) / fraction))


def nominal_octave(centre: float) -> float:
    """Return the nominal mid-band frequency of an octave band, for use as a label (IEC 61260-1; recalled).

    Parameters
    ----------
    centre : float
        Exact mid-band frequency in Hz.

    Returns
    -------
    float
        Nearest nominal frequency in Hz: 31.5 for 31.62.
    """
    return min(NOMINAL_OCTAVES, key=lambda nominal: abs(math.log(nominal / centre)))


def band_edges(centres: ArrayLike, fraction: int) -> tuple[Floats, Floats]:
    """Return the band-edge frequencies of fractional-octave bands (IEC 61260-1:2014, equations 4 and 5).

    Parameters
    ----------
    centres : array_like, shape (m,)
        Mid-band frequencies in Hz.
    fraction : int
        Bands per octave.

    Returns
    -------
    lower, upper : numpy.ndarray, shape (m,)
        Hz.
    """
    mid = np.asarray(centres, dtype=np.float64)
    half = OCTAVE_RATIO ** (1.0 / (2 * fraction))
    return np.asarray(mid / half), np.asarray(mid * half)


@method(
    "band-means",
    version=1,
    title="Level of the mean squared pressure in fractional-octave bands",
    formula="10 lg of the integral of squared pressure over log frequency between the band's edges, over their "
    "distance",
    source="IEC 61260-1:2014 (bands); mean over log frequency, as of a signal with equal energy per octave",
    source_status="common practice, no source",
    limitations="Ideal band edges: the skirts of a real filter include parts of neighbouring bands.",
)
def band_means(frequency: ArrayLike, level: ArrayLike, centres: ArrayLike, fraction: int) -> Floats:
    """Return the level of the mean squared pressure in each band.

    Squared pressure is interpolated linearly over log frequency; its mean over log frequency is exact.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    level : array_like, shape (..., n)
        dB.
    centres : array_like, shape (m,)
        Mid-band frequencies in Hz, as :func:`band_centres` returns them.
    fraction : int
        Bands per octave.

    Returns
    -------
    numpy.ndarray, shape (..., m)
        dB. NaN where a band extends beyond the data, contains none of its frequencies, or contains a NaN.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    grid, array = check_levels(frequency, level)
    lower, upper = band_edges(np.atleast_1d(np.asarray(centres, dtype=np.float64)), fraction)
    result = np.full((*array.shape[:-1], lower.size), np.nan)
    tolerance = 1 + SAME_FREQUENCY
    samples = np.searchsorted(grid, upper * tolerance, side="right") - np.searchsorted(grid, lower / tolerance)
    usable = np.flatnonzero((grid[0] <= lower * tolerance) & (grid[-1] >= upper / tolerance) & (samples > 0))
    if grid.size < 2 or usable.size == 0:
        return result
    octaves = np.log2(grid)
    low = np.clip(np.log2(lower[usable]), octaves[0], octaves[-1])
    high = np.clip(np.log2(upper[usable]), octaves[0], octaves[-1])
    flat = array.reshape(-1, grid.size)
    means = mean_over_log_frequency(octaves, power_of_level(flat).T, low, high).T
    result.reshape(-1, lower.size)[:, usable] = level_of_power(means)
    return result
