"""Frequency grids: checks, standard bands, levels on another grid, means over bands, and frequencies as text."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "band_centres",
    "band_edges",
    "band_means",
    "check_grid",
    "check_levels",
    "format_frequency",
    "format_hertz",
    "mean_over_log_frequency",
    "nominal_octave",
    "resample",
]


OCTAVE_RATIO = 10.0**0.3
"""Octave frequency ratio, IEC 61260-1:2014, equation 1."""

NOMINAL_OCTAVES = (16.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0)
"""Hz; nominal mid-band frequencies of octave bands. Recalled."""

SAME_FREQUENCY = 1e-9
"""Relative difference within which two frequencies are the same."""


def format_hertz(frequency: float) -> str:
    """Format a frequency in Hz to four significant digits, without the unit and without an exponent.

    Parameters
    ----------
    frequency : float
        Hz.

    Returns
    -------
    str
        "31.42" or "14300", for texts such as "100 to 14300 Hz".
    """
    return f"{float(f'{frequency:.4g}'):g}"


def format_frequency(frequency: float, digits: int = 4) -> str:
    """Format a frequency with its unit, Hz or kHz.

    Parameters
    ----------
    frequency : float
        Hz.
    digits : int
        Significant digits.

    Returns
    -------
    str
        "55 Hz" or "2.5 kHz".
    """
    rounded = float(f"{frequency:.{digits}g}")
    return f"{rounded:g} Hz" if rounded < 1000 else f"{rounded / 1000:g} kHz"


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
        raise ValueError(f"frequencies must be a non-empty one-dimensional array, not one of shape {grid.shape}")
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
    "band-centres",
    version=1,
    title="Mid-band frequencies of fractional-octave bands",
    formula="1000 Hz times 10^(0.3 x / b) for an odd number b of bands per octave, 1000 Hz times 10^(0.3 (2 x + 1) / "
    "(2 b)) for an even one, x being an integer",
    source="IEC 61260-1:2014, equations 1 to 3",
    limitations="Exact frequencies; nominal ones (315 Hz for 316.23 Hz) are labels only.",
)
def band_centres(fraction: int, low: float, high: float) -> Floats:
    """Exact mid-band frequencies of 1/`fraction` octave bands, from the band of `low` to that of `high`.

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
        raise ValueError(f"bands per octave are an integer of 1 or more, not {fraction}")
    if not 0 < low <= high < math.inf:
        raise ValueError(f"bands run from a frequency above zero to a higher one, not from {low:g} to {high:g} Hz")
    offset = 0.5 if fraction % 2 == 0 else 0.0
    # Band x reaches from x - 1/2 to x + 1/2; a frequency on an edge belongs to the band inside the range.
    low_index, high_index = (fraction * math.log(f / 1000.0, OCTAVE_RATIO) - offset for f in (low, high))
    first = math.floor(low_index + 0.5 + 1e-9)
    last = max(math.ceil(high_index - 0.5 - 1e-9), first)
    return np.asarray(1000.0 * OCTAVE_RATIO ** ((np.arange(first, last + 1) + offset) / fraction))


def nominal_octave(centre: float) -> float:
    """Nominal mid-band frequency of an octave band, for use as a label (IEC 61260-1; recalled).

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
    """Band-edge frequencies of fractional-octave bands (IEC 61260-1:2014, equations 4 and 5).

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
    """Mean over windows of log frequency of a squared pressure that is linear in log frequency between samples.

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
    added: a difference of two cumulative sums would lose levels 150 dB below the preceding ones to rounding.
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
    """Level of the mean squared pressure in each band.

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
