"""Polarity of an impulse response, and correlation of two impulse responses."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from anechain.methods import method

__all__ = ["normalized_correlation", "polarity"]


@method(
    "polarity",
    version=1,
    title="Polarity of the first large peak of an impulse response",
    formula="Sign of the first local extreme that reaches half of the greatest magnitude",
    source="sign of the first extreme value that reaches half of the greatest",
    source_status="common practice, no source",
    limitations="Drivers of a crossover may have opposite polarities; this is the polarity of the first large peak.",
)
def polarity(response: ArrayLike) -> int:
    """Return the sign of the first local extreme that reaches half of the greatest magnitude.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Impulse response, starting before the arrival.

    Returns
    -------
    int
        1 or -1.

    Raises
    ------
    ValueError
        If the response is silent.
    """
    h = np.asarray(response, dtype=np.float64)
    magnitude = np.abs(h)
    if not magnitude.max(initial=0.0) > 0:
        raise ValueError("the response is silent")
    padded = np.concatenate([[0.0], magnitude, [0.0]])
    is_peak = (padded[1:-1] >= padded[:-2]) & (padded[1:-1] >= padded[2:])
    large_peak = is_peak & (magnitude >= 0.5 * magnitude.max())
    return 1 if h[int(np.argmax(large_peak))] > 0 else -1


@method(
    "response-likeness",
    version=1,
    title="Normalised cross-correlation of two impulse responses, with its sign",
    formula="Cross-correlation of greatest magnitude over the root of the product of both energies",
    source="greatest magnitude of the normalised cross-correlation within 0.3 ms of the arrivals",
    source_status="common practice, no source",
    limitations="Near a null of the directivity, neighbouring directions correlate poorly, whatever their polarity.",
)
def normalized_correlation(first: ArrayLike, second: ArrayLike, sampling_rate: float) -> float:
    """Return the normalised cross-correlation of two impulse responses near zero lag.

    Parameters
    ----------
    first, second : array_like, shape (samples,)
        Impulse responses of equal length that start equally long before their arrivals.
    sampling_rate : float
        Hz.

    Returns
    -------
    float
        1 for equal responses, 0 for unrelated ones, -1 for equal responses of opposite polarity.

    Raises
    ------
    ValueError
        If one of them is silent.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    norm = math.sqrt(float(a @ a) * float(b @ b))
    if not norm > 0:
        raise ValueError("a response is silent")
    length = 2 ** math.ceil(math.log2(2 * a.size))
    correlation = np.fft.irfft(np.fft.rfft(a, length) * np.conj(np.fft.rfft(b, length)))
    max_lag = round(0.0003 * sampling_rate)
    near_zero = correlation[np.arange(-max_lag, max_lag + 1)]
    return float(near_zero[np.argmax(np.abs(near_zero))] / norm)
