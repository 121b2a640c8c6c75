"""Checks of an impedance modulus, and extremes between its samples."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels
from anechain.arrays import Floats

__all__ = ["AUDIO_BAND", "check_modulus", "parabola_extreme"]

AUDIO_BAND = (20.0, 20000.0)
"""Hz; band that is searched by default."""


def check_modulus(frequency: ArrayLike, magnitude: ArrayLike) -> tuple[Floats, Floats]:
    """Check frequencies and impedance moduli.

    Parameters
    ----------
    frequency, magnitude : array_like, shape (n,)
        Hz, ascending, and ohm; NaN where there is no value.

    Returns
    -------
    frequency, modulus : numpy.ndarray, shape (n,)

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or a modulus is not above zero.
    """
    grid, modulus = check_levels(frequency, magnitude)
    if modulus.ndim != 1 or (modulus[~np.isnan(modulus)] <= 0).any():
        raise ValueError("impedance moduli must be a one-dimensional array of values above zero")
    return grid, modulus


def parabola_extreme(octaves: Floats, value: Floats, row: int) -> tuple[float, float]:
    """Return the extreme of the parabola through a sample and its two neighbours.

    Parameters
    ----------
    octaves, value : numpy.ndarray, shape (n,)
        log2 of the frequency in Hz, and the value.
    row : int
        The sample.

    Returns
    -------
    octaves, value : float
        The sample itself if it is the first or the last one.
    """
    if row == 0 or row == value.size - 1:
        return float(octaves[row]), float(value[row])
    x, y = octaves[row - 1 : row + 2] - octaves[row], value[row - 1 : row + 2]
    a, b, c = np.polyfit(x, y, 2)
    if abs(a) < 1e-15:
        return float(octaves[row]), float(value[row])
    at = float(np.clip(-b / (2 * a), x[0], x[2]))
    return float(octaves[row] + at), float(a * at**2 + b * at + c)
