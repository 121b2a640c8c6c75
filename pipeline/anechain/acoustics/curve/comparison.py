"""Comparison of several devices: common frequency grid, and common level where only relative levels are known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.bands import band_centres
from anechain.acoustics.curve.frequencies import check_levels, mean_over_log_frequency
from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["ALIGNMENT_BAND", "alignment_step", "common_grid"]


ALIGNMENT_BAND = (300.0, 3000.0)
"""Hz; band in which relative levels are set to a common mean. Common practice, no source."""


@method(
    "common-grid",
    version=1,
    title="Common frequency grid of several devices",
    formula="Mid-band frequencies of 1/24-octave bands from the lowest to the highest frequency of all devices",
    source="IEC 61260-1:2014, mid-band frequencies of 1/24-octave bands",
    limitations="Detail finer than the grid is not compared.",
)
def common_grid(grids: Sequence[ArrayLike]) -> Floats:
    """Return the common frequency grid of several devices.

    Parameters
    ----------
    grids : sequence of array_like
        Frequencies of each device in Hz.

    Returns
    -------
    numpy.ndarray
        Mid-band frequencies in Hz of 1/24-octave bands, from the lowest to the highest frequency of all grids.
    """
    low = min(float(np.min(np.asarray(grid))) for grid in grids)
    high = max(float(np.max(np.asarray(grid))) for grid in grids)
    centres = band_centres(24, low, high)
    return np.asarray(centres[(centres >= low) & (centres <= high)])


@method(
    "level-alignment",
    version=1,
    title="Relative levels set to a common mean",
    formula="Minus 10 lg of the mean squared pressure over log frequency in the band",
    source="mean squared pressure on axis over log frequency in the alignment band, set to 0 dB",
    source_status="common practice, no source",
    limitations="Shapes of curves can be compared; sensitivities cannot.",
)
def alignment_step(frequency: ArrayLike, level: ArrayLike, band: tuple[float, float] = ALIGNMENT_BAND) -> float:
    """Return the level step that sets the mean level of a curve in a band to 0 dB.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz and dB. Frequencies without a value are ignored.
    band : tuple of float
        Ends of the band, Hz.

    Returns
    -------
    float
        dB to add; NaN where the data do not cover the band.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    grid, values = check_levels(frequency, level)
    finite = np.isfinite(values)
    grid, values = grid[finite], values[finite]
    low, high = band
    if grid.size < 2 or grid[0] > low or grid[-1] < high:
        return float("nan")
    power = power_of_level(values)[:, np.newaxis]
    mean = mean_over_log_frequency(np.log2(grid), power, np.log2(np.array([low])), np.log2(np.array([high])))
    return -float(level_of_power(mean)[0, 0])
