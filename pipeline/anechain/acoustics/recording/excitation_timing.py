"""Timing of an excitation: when each frequency is played, and when the sound of a recording ends."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["Ending", "excitation_delay", "sweep_ending"]


@dataclass(frozen=True)
class Ending:
    """Where the sound of a recording ends.

    Attributes
    ----------
    time : float
        Seconds from the start of the recording.
    fall : float
        dB by which it falls there within 10 ms for good; infinite where the recording itself ends.
    """

    time: float
    fall: float


@method(
    "sweep-ending",
    version=1,
    title="Where the sound of a recording stops, and how abruptly",
    formula="Ratio of the last 5 ms of sound to all that follows",
    source="the 5 ms, at most 50 dB below the loudest, that stand highest above all that comes from 5 ms after them on",
    source_status="common practice, no source",
    limitations="A room that rings on hides an abrupt end; a slow fade-out looks like a loudspeaker's own fall.",
)
def sweep_ending(record: ArrayLike, sampling_rate: float) -> Ending:
    """Find the end of the sound.

    Parameters
    ----------
    record : array_like, shape (samples,)
        Some 50 ms or longer.
    sampling_rate : float
        Hz.
    """
    values = np.asarray(record, dtype=np.float64)
    block = max(round(0.005 * sampling_rate), 1)
    # Counted from the end, so that the last block is a whole one.
    count = values.size // block
    power = (values[values.size - count * block :].reshape(count, block) ** 2).mean(axis=1)
    loudest = float(power.max(initial=0.0))
    # What still comes from 5 ms after each block on; nothing after the last ones.
    later = np.zeros(count)
    later[: max(count - 2, 0)] = np.maximum.accumulate(power[::-1])[::-1][2:]
    fall = power / np.maximum(later, 1e-12 * loudest)
    fall[power <= 1e-5 * loudest] = 0.0
    last = int(np.argmax(fall))
    if last + 2 >= count:
        return Ending(values.size / sampling_rate, math.inf)
    time = (values.size - (count - 1 - last) * block) / sampling_rate
    return Ending(time, 10 * math.log10(float(fall[last])))


@method(
    "excitation-delay",
    version=1,
    title="Time at which each frequency of an excitation is played",
    formula="Real part of the spectrum of the signal times time over the spectrum of the signal",
    source="group delay from the spectra of the signal and of the signal times time",
    limitations="Smoothed over a tenth of an octave; means something within the excitation's band only.",
)
def excitation_delay(signal: ArrayLike, sampling_rate: float, frequency: ArrayLike) -> Floats:
    """Group delay of an excitation.

    Parameters
    ----------
    signal : array_like, shape (samples,)
    sampling_rate : float
        Hz.
    frequency : array_like, shape (n,)
        Hz, ascending.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Seconds.
    """
    import scipy.fft

    x = np.asarray(signal, dtype=np.float64)
    length = int(scipy.fft.next_fast_len(x.size, real=True))
    spectrum = scipy.fft.rfft(x, length)
    timed = scipy.fft.rfft(x * (np.arange(x.size) / sampling_rate), length)
    power = spectrum.real**2 + spectrum.imag**2
    cross = timed.real * spectrum.real + timed.imag * spectrum.imag
    # Power-weighted means: where the spectrum ripples, its troughs say little.
    sums = [np.concatenate([[0.0], np.cumsum(one)]) for one in (cross, power)]
    f = np.asarray(frequency, dtype=np.float64)
    bins = length / sampling_rate
    low, high = (np.clip(np.round(f * by * bins).astype(np.int64), 0, power.size) for by in (2**-0.05, 2**0.05))
    high = np.minimum(np.maximum(high, low + 1), power.size)
    low = np.minimum(low, high - 1)
    above, below = (one[high] - one[low] for one in sums)
    return np.asarray(above / np.maximum(below, 1e-300))
