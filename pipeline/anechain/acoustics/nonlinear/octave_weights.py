"""Weights of samples over log frequency: the octaves of a band that each sample represents."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats

__all__ = ["MIN_COVERAGE", "band_weights"]

MIN_COVERAGE = 2.0 / 3.0
"""Share of a band, in octaves, that must have values for a mean over the band. Common practice, no source."""


def band_weights(frequency: ArrayLike, low_hz: float, high_hz: float) -> Floats:
    """Return the octaves of a band that each sample represents.

    A sample represents the range from midway to the previous sample to midway to the next one, cut to the band and to
    the data.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    low_hz, high_hz : float
        Ends of the band, Hz.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Octaves.
    """
    octaves = np.log2(np.asarray(frequency, dtype=np.float64))
    middles = (octaves[:-1] + octaves[1:]) / 2
    edges = np.clip(np.r_[octaves[0], middles, octaves[-1]], np.log2(low_hz), np.log2(high_hz))
    return np.asarray(np.diff(edges))
