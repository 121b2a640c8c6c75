"""Arrival time of the sound in an impulse response."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.recording.time_windows import rising_half
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["arrival_time"]


_REACH, _FINE = 64, 32
"""Samples on either side that an interpolation takes in, and points that it makes of each."""


def _dense(h: Floats, sample: int) -> Floats:
    """Magnitude of a circular record between samples, from _REACH before to _REACH after one of them."""
    # Tapered over its outer halves only, so that next to the sample nothing is lost.
    position = np.arange(2 * _REACH)
    taper = np.minimum(1.0, 2 * rising_half("hann", _REACH)[np.minimum(position, position[::-1])])
    spectrum = np.zeros(_REACH * _FINE + 1, dtype=np.complex128)
    spectrum[: _REACH + 1] = np.fft.rfft(h[(sample - _REACH + position) % h.size] * taper)
    spectrum[_REACH] *= 0.5
    return np.asarray(np.abs(np.fft.irfft(spectrum, 2 * _REACH * _FINE)) * _FINE)


@method(
    "arrival-time",
    version=1,
    title="Arrival of the sound in an impulse response",
    formula="First time at which the magnitude, read between samples, rises to 20 dB below its maximum",
    source="ISO 3382-1: the first rise to 20 dB below the maximum; found between samples by band-limited interpolation",
    source_status="recalled",
    limitations="Ringing of a steep band edge can pass the threshold some tenths of a sample before the sound does.",
)
def arrival_time(response: ArrayLike, sampling_rate: float, threshold: float = -20.0) -> float:
    """Time at which an impulse response first rises to 20 dB below its maximum.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Circular: the second half stands before time zero, and is looked at only up to 50 ms before it.
    sampling_rate : float
        Hz.
    threshold : float
        dB re the maximum.

    Returns
    -------
    float
        Seconds, below zero if it is in the last 50 ms of the record.

    Raises
    ------
    ValueError
        If the response is silent.
    """
    h = np.asarray(response, dtype=np.float64)
    peak = int(np.argmax(np.abs(h)))
    if not 0 < abs(float(h[peak])) < math.inf:
        raise ValueError("the response is silent")
    early = min(round(0.05 * sampling_rate), h.size // 2)
    # The maximum may stand just before time zero, or the rise to it may reach there.
    late = peak if peak < h.size - early else peak - h.size
    limit = float(_dense(h, late).max()) * 10 ** (threshold / 20)
    first = min(-early, late - early)
    stretch = np.abs(h[np.arange(first, late + 1) % h.size])
    # Between samples the limit may be passed a little earlier than at one, and the maximum lies higher.
    above = first + (int(np.argmax(stretch >= limit)) if stretch.max() >= limit else stretch.size - 1)
    dense = _dense(h, above)
    start = (_REACH - 1) * _FINE
    step = int(np.argmax(dense[start:] >= limit))
    at = float(start)
    if step:
        lower, upper = dense[start + step - 1], dense[start + step]
        at = start + step - 1 + float((limit - lower) / (upper - lower))
    return float((above - _REACH + at / _FINE) / sampling_rate)
