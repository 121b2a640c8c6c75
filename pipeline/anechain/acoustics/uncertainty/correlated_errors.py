"""Errors that are correlated over frequency: independent draws at knots, and their weights at each frequency."""

from __future__ import annotations

from typing import Any

import numpy as np

from anechain.arrays import Floats

__all__ = ["at_frequencies", "error_weights"]

KNOTS_PER_REACH = 2
KERNEL_WIDTHS = 3.0
"""Standard deviations of the kernel beyond which a knot has no weight."""


def error_weights(frequency: Floats, reach: float) -> Any:
    """Return the weights with which independent draws at knots add to the errors at each frequency.

    The errors are a stationary process over log frequency: white noise times a Gaussian kernel. Their correlation over
    a distance of d octaves is exp(-pi d² / R²) with R the reach: 0.46 at half of it, 0.04 at all of it. The variance of
    a mean over many octaves is that of one independent value every R octaves (the integral of the correlation over d is
    R).

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending.
    reach : float
        Octaves after which errors are independent; infinite for one error at all frequencies. If it is smaller than the
        distance between frequencies, the errors of all frequencies are independent.

    Returns
    -------
    scipy.sparse.csr_array, shape (n, knots)
        The sum of the squares of the weights at each frequency is 1: the standard deviation is that of the draws.
    """
    from scipy.sparse import csr_array, eye_array

    octaves = np.log2(frequency)
    if np.isinf(reach):
        return csr_array(np.ones((octaves.size, 1)))
    if reach * (octaves.size - 1) <= octaves[-1] - octaves[0]:
        return eye_array(octaves.size, format="csr")
    step, deviation = reach / KNOTS_PER_REACH, reach / (2 * np.sqrt(np.pi))
    # Knots in the same places relative to 1 Hz, so that a part of a curve has the errors of the whole.
    first = np.floor(octaves[0] / step) - KNOTS_PER_REACH
    last = np.ceil(octaves[-1] / step) + KNOTS_PER_REACH
    within = int(np.ceil(KERNEL_WIDTHS * deviation / step))
    column = np.rint(octaves / step - first).astype(np.intp)[:, np.newaxis] + np.arange(-within, within + 1)
    weight = np.exp(-(((octaves / step - first)[:, np.newaxis] - column) ** 2) / 2 * (step / deviation) ** 2)
    weight /= np.sqrt((weight**2).sum(axis=1, keepdims=True))
    row = np.broadcast_to(np.arange(octaves.size)[:, np.newaxis], column.shape)
    return csr_array((weight.ravel(), (row.ravel(), column.ravel())), shape=(octaves.size, int(last - first) + 1))


def at_frequencies(normal: Floats, weights: Any) -> Floats:
    """Return the errors at each frequency from draws at knots.

    Parameters
    ----------
    normal : numpy.ndarray, shape (m, knots)
        Normal deviates.
    weights : scipy.sparse.csr_array, shape (n, knots)
        From :func:`error_weights`.

    Returns
    -------
    numpy.ndarray, shape (m, n)
        Of the standard deviation 1.
    """
    return np.asarray((weights @ normal.T).T)
