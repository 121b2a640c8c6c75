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
    title="Polarity of the first large swing of an impulse response",
    formula="Sign of the first local extreme that reaches half of the greatest magnitude",
    source="sign of the first extreme value that reaches half of the greatest",
    source_status="common practice, no source",
    limitations="A crossover with drivers of opposite polarity has no one polarity; this is that of its first large "
    "swing.",
)
def polarity(response: ArrayLike) -> int:
    """Sign, 1 or -1, of the first local extreme that reaches half of the greatest magnitude.

    Parameters
    ----------
    response : array_like, shape (samples,)
        From some time before the arrival on.

    Raises
    ------
    ValueError
        If the response is silent.
    """
    h = np.asarray(response, dtype=np.float64)
    size = np.abs(h)
    if not size.max(initial=0.0) > 0:
        raise ValueError("the response is silent")
    padded = np.concatenate([[0.0], size, [0.0]])
    extreme = (padded[1:-1] >= padded[:-2]) & (padded[1:-1] >= padded[2:]) & (size >= 0.5 * size.max())
    return 1 if h[int(np.argmax(extreme))] > 0 else -1


@method(
    "response-likeness",
    version=1,
    title="Likeness of two impulse responses, with its sign",
    formula="Extreme of the cross-correlation over the root of the product of both energies",
    source="greatest magnitude of their normalised cross-correlation within 0.3 ms of their arrivals",
    source_status="common practice, no source",
    limitations="Near a null of the directivity neighbours are unlike each other, whatever their polarity.",
)
def normalized_correlation(first: ArrayLike, second: ArrayLike, sampling_rate: float) -> float:
    """Likeness from -1 (the same, turned over) through 0 (nothing in common) to 1 (the same).

    Parameters
    ----------
    first, second : array_like, shape (samples,)
        Of one length, both beginning equally long before their arrivals.
    sampling_rate : float
        Hz.

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
    reach = round(0.0003 * sampling_rate)
    near = correlation[np.arange(-reach, reach + 1)]
    return float(near[np.argmax(np.abs(near))] / norm)
