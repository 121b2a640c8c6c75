"""What one recording, and the impulse response in it, say of how well it was made.

Nothing is judged here. Checks of the captures start from these facts, which stay small however many recordings there
are: everything long is let go of as soon as a recording has been looked at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.impulse_responses import arrival_time, polarity
from anechain_capture.recordings import Header

__all__ = ["EARLY", "Facts", "facts_of"]

Floats = NDArray[np.float64]

EARLY = (0.005, 0.030)
"""Seconds before and after the arrival that are kept of each impulse response."""
BANDS = 10.0 * 10.0 ** (np.arange(0, 34) / 10)
"""Hz, third-octave mid-bands from 10 Hz to 20 kHz, of the silence and of the recording as a whole."""


@dataclass(frozen=True)
class Facts:
    """What one recording says.

    Attributes
    ----------
    peak : float
        Greatest magnitude, full scale being 1.
    clipped : int
        Samples in runs of two or more that stand at the greatest magnitude of one sign.
    length : float
        Seconds of the recording.
    arrival : float
        Seconds at which the sound begins in the impulse response.
    polarity : int
        Sign of its first large swing.
    early : numpy.ndarray of float32
        Impulse response from EARLY[0] before the arrival to EARLY[1] after it.
    silence : float
        Seconds of the recording before the sound arrives: what is left of it is the recording's own silence.
    silence_power, sound_power : numpy.ndarray, shape (34,)
        Mean square per third octave, full scale being 1, in that silence and in the rest; NaN where the silence is
        shorter than 50 ms or than two periods of the band.
    silence_lines : numpy.ndarray, shape (lines, 2)
        Hz and mean square of the five greatest lines of the silence below 1 kHz; empty where it is shorter than 0.2 s.
    """

    peak: float
    clipped: int
    length: float
    arrival: float
    polarity: int
    early: NDArray[np.float32]
    silence: float
    silence_power: Floats
    sound_power: Floats
    silence_lines: Floats


def _clipped(record: Floats) -> int:
    count = 0
    for sign in (1.0, -1.0):
        at_top = np.flatnonzero(sign * record >= (sign * record).max())
        beside = np.diff(at_top) == 1
        count += int(np.count_nonzero(np.append(beside, False) | np.insert(beside, 0, False)))
    return count


def _band_power(record: Floats, sampling_rate: int) -> Floats:
    """Mean square per band of BANDS."""
    power = np.full(BANDS.size, np.nan)
    if record.size < 0.05 * sampling_rate:
        return power
    import scipy.fft

    window = np.hanning(record.size)
    length = int(scipy.fft.next_fast_len(record.size, real=True))
    spectrum = np.abs(scipy.fft.rfft((record - record.mean()) * window, length)) ** 2
    # One-sided, and the window's power made good.
    spectrum *= 2 / (length * np.sum(window**2))
    running = np.concatenate([[0.0], np.cumsum(spectrum)])
    edge = 10**0.05
    bins = length / sampling_rate
    low, high = (np.clip(np.ceil(BANDS * by * bins).astype(int), 0, spectrum.size) for by in (1 / edge, edge))
    told = (BANDS * record.size >= 2 * sampling_rate) & (BANDS * edge <= sampling_rate / 2) & (high > low)
    power[told] = running[high[told]] - running[low[told]]
    return power


def _lines(silence: Floats, sampling_rate: int) -> Floats:
    if silence.size < 0.2 * sampling_rate:
        return np.zeros((0, 2))
    part = silence[: 4 * sampling_rate]
    window = np.hanning(part.size)
    spectrum = np.abs(np.fft.rfft((part - part.mean()) * window)) ** 2 * 2 / np.sum(window) ** 2
    frequency = np.fft.rfftfreq(part.size, 1 / sampling_rate)
    peak = np.flatnonzero((spectrum[1:-1] > spectrum[:-2]) & (spectrum[1:-1] >= spectrum[2:])) + 1
    peak = peak[(frequency[peak] > 15) & (frequency[peak] < 1000)]
    greatest = peak[np.argsort(-spectrum[peak], kind="stable")[:5]]
    return np.stack([frequency[greatest], spectrum[greatest]], axis=1)


def facts_of(record: Floats, response: Floats, header: Header) -> Facts:
    """Facts of one recording and its circular impulse response.

    Raises
    ------
    ValueError
        If the response is silent.
    """
    rate = header.sampling_rate
    arrival = arrival_time(response, rate)
    first, last = (round((arrival + by) * rate) for by in (-EARLY[0], EARLY[1]))
    early = response[np.arange(first, last) % response.size]
    # Half a millisecond before the arrival the rise may have begun already.
    quiet = int(np.clip(round((arrival - 0.0005) * rate), 0, record.size))
    size = np.abs(record)
    return Facts(
        float(size.max()),
        _clipped(record),
        record.size / rate,
        arrival,
        polarity(early),
        early.astype(np.float32),
        quiet / rate,
        _band_power(record[:quiet], rate),
        _band_power(record[quiet:], rate),
        _lines(record[:quiet], rate),
    )
