"""Arrival time of the sound in an impulse response."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.recording.time_windows import rising_half
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["arrival_time"]

_HALF_LENGTH, _FACTOR = 64, 32
"""Samples on either side that are used for interpolation, and interpolated points per sample."""


def _interpolated_magnitude(h: Floats, sample: int) -> Floats:
    """Return the interpolated magnitude of a circular record, `_HALF_LENGTH` samples to both sides of a sample."""
    # Taper the outer halves only, so that values near the sample do not change.
    position = np.arange(2 * _HALF_LENGTH)
    taper = np.minimum(1.0, 2 * rising_half("hann", _HALF_LENGTH)[np.minimum(position, position[::-1])])
    spectrum = np.zeros(_HALF_LENGTH * _FACTOR + 1, dtype=np.complex128)
    spectrum[: _HALF_LENGTH + 1] = np.fft.rfft(h[(sample - _HALF_LENGTH + position) % h.size] * taper)
    spectrum[_HALF_LENGTH] *= 0.5
    return np.asarray(np.abs(np.fft.irfft(spectrum, 2 * _HALF_LENGTH * _FACTOR)) * _FACTOR)


@method(
    "arrival-time",
    version=1,
    title="Arrival of the sound in an impulse response",
    formula="First time at which the interpolated magnitude rises to 20 dB below its maximum",
    source="ISO 3382-1: the first rise to 20 dB below the maximum; band-limited interpolation between samples",
    source_status="recalled",
    limitations="Ringing of a steep band edge can reach the threshold some tenths of a sample before the sound does.",
)
def arrival_time(response: ArrayLike, sampling_rate: float, threshold: float = -20.0) -> float:
    """Return the time at which an impulse response first rises to 20 dB below its maximum.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Circular: the second half is before time zero; only its last 50 ms are searched.
    sampling_rate : float
        Hz.
    threshold : float
        dB re the maximum.

    Returns
    -------
    float
        Seconds; negative if the arrival is in the last 50 ms of the record.

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
    # The maximum, or the start of the rise, may be just before time zero.
    last = peak if peak < h.size - early else peak - h.size
    limit = float(_interpolated_magnitude(h, last).max()) * 10 ** (threshold / 20)
    first = min(-early, last - early)
    section = np.abs(h[np.arange(first, last + 1) % h.size])
    # Between samples the limit may be reached earlier than at a sample, and the maximum is higher.
    sample = first + (int(np.argmax(section >= limit)) if section.max() >= limit else section.size - 1)
    magnitude = _interpolated_magnitude(h, sample)
    start = (_HALF_LENGTH - 1) * _FACTOR
    step = int(np.argmax(magnitude[start:] >= limit))
    position = float(start)
    if step:
        lower, upper = magnitude[start + step - 1], magnitude[start + step]
        position = start + step - 1 + float((limit - lower) / (upper - lower))
    return float((sample - _HALF_LENGTH + position / _FACTOR) / sampling_rate)
