"""Timing of an excitation: when each frequency is played, and when the sound of a recording ends."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["SweepEnd", "excitation_delay", "sweep_end"]


@dataclass(frozen=True)
class SweepEnd:
    """End of the sound in a recording.

    Attributes
    ----------
    time : float
        Seconds from the start of the recording.
    fall_db : float
        Permanent drop of the level within 10 ms at the end, dB; infinite if the recording ends there.
    """

    time: float
    fall_db: float


@method(
    "sweep-ending",
    version=1,
    title="End of the sound in a recording, and how abrupt it is",
    formula="Ratio of the last 5 ms of sound to the highest power after it",
    source="block of 5 ms, at most 50 dB below the loudest, with the greatest ratio to all blocks that start 5 ms or "
    "more after its end",
    source_status="common practice, no source",
    limitations="Reverberation hides an abrupt end; a slow fade-out looks like the roll-off of a loudspeaker.",
)
def sweep_end(record: ArrayLike, sampling_rate: float) -> SweepEnd:
    """Return the time at which the sound of a recording ends, and the drop of the level there.

    Parameters
    ----------
    record : array_like, shape (samples,)
        At least about 50 ms.
    sampling_rate : float
        Hz.

    Returns
    -------
    SweepEnd
    """
    values = np.asarray(record, dtype=np.float64)
    block = max(round(0.005 * sampling_rate), 1)
    # Blocks are counted from the end, so that the last block is complete.
    count = values.size // block
    power = (values[values.size - count * block :].reshape(count, block) ** 2).mean(axis=1)
    loudest = float(power.max(initial=0.0))
    # Highest power from 5 ms after each block; zero after the last two blocks.
    later = np.zeros(count)
    later[: max(count - 2, 0)] = np.maximum.accumulate(power[::-1])[::-1][2:]
    ratio = power / np.maximum(later, 1e-12 * loudest)
    ratio[power <= 1e-5 * loudest] = 0.0
    last = int(np.argmax(ratio))
    if last + 2 >= count:
        return SweepEnd(values.size / sampling_rate, math.inf)
    time = (values.size - (count - 1 - last) * block) / sampling_rate
    return SweepEnd(time, 10 * math.log10(float(ratio[last])))


@method(
    "excitation-delay",
    version=1,
    title="Time at which each frequency of an excitation is played",
    formula="Real part of the spectrum of the signal times time over the spectrum of the signal",
    source="group delay from the spectra of the signal and of the signal times time",
    limitations="Smoothed over a tenth of an octave; valid within the excitation's band only.",
)
def excitation_delay(signal: ArrayLike, sampling_rate: float, frequency: ArrayLike) -> Floats:
    """Return the group delay of an excitation: the time at which each frequency is played.

    Parameters
    ----------
    signal : array_like, shape (samples,)
        Excitation as played or as recorded electrically.
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
    # Power-weighted means over a tenth of an octave: troughs of a rippled spectrum are unreliable.
    sums = [np.concatenate([[0.0], np.cumsum(values)]) for values in (cross, power)]
    f = np.asarray(frequency, dtype=np.float64)
    bins_per_hz = length / sampling_rate
    low, high = (
        np.clip(np.round(f * factor * bins_per_hz).astype(np.int64), 0, power.size) for factor in (2**-0.05, 2**0.05)
    )
    high = np.minimum(np.maximum(high, low + 1), power.size)
    low = np.minimum(low, high - 1)
    cross_sum, power_sum = (total[high] - total[low] for total in sums)
    return np.asarray(cross_sum / np.maximum(power_sum, 1e-300))
