"""Smoothing of complex pressure over a fraction of an octave."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_grid
from anechain.arrays import Complexes, Floats
from anechain.methods import method

__all__ = ["complex_smooth"]


@method(
    "complex-smoothing",
    version=2,
    title="Smoothing of complex pressure over a fraction of an octave",
    formula="Mean of the complex pressure over a window in log frequency around each frequency",
    source="complex smoothing as described in Hatziantoniou and Mourjopoulos 2000, J. Audio Eng. Soc. 48, 259-280; "
    "rectangular window, symmetric in log frequency",
    limitations="Acts as a time window that becomes shorter with frequency. Remove the delay first: it rotates the "
    "phase within the window and lowers the mean.",
)
def complex_smooth(frequency: ArrayLike, spectrum: ArrayLike, fraction: float) -> Complexes:
    """Return the mean of the complex spectrum over a window 1/`fraction` octave wide around each frequency.

    Real and imaginary parts are interpolated linearly over log frequency between samples.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    spectrum : array_like of complex, shape (..., n)
        Without NaN.
    fraction : float
        Windows per octave.

    Returns
    -------
    numpy.ndarray of complex, shape (..., n)
        Towards the ends the window shrinks symmetrically; the first and the last point are not changed.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, or the fraction is not above zero.
    """
    grid, values = check_grid(frequency), np.array(spectrum, dtype=np.complex128)
    if not 0 < fraction < math.inf:
        raise ValueError(f"the fraction must be above zero, not {fraction}")
    octaves = np.log2(grid)
    if grid.size < 3:
        return values
    center, gap = octaves[1:-1], np.diff(octaves)
    half = np.minimum(0.5 / fraction, np.minimum(center - octaves[0], octaves[-1] - center))
    areas = np.cumsum(gap * (values[..., :-1] + values[..., 1:]) / 2, axis=-1)
    area = np.concatenate([np.zeros((*values.shape[:-1], 1)), areas], axis=-1)

    def integral(position: Floats) -> Complexes:
        interval = np.clip(np.searchsorted(octaves, position, side="right") - 1, 0, gap.size - 1)
        share = (position - octaves[interval]) / gap[interval]
        left, right = values[..., interval], values[..., interval + 1]
        end = left + share * (right - left)
        return np.asarray(area[..., interval] + share * gap[interval] * (left + end) / 2)

    values[..., 1:-1] = (integral(center + half) - integral(center - half)) / (2 * half)
    return values
