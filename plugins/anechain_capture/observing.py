"""What one recording, and the impulse response in it, say of how well it was made.

Nothing is judged here. Checks of the captures start from these facts, which stay small however many recordings there
are: everything long is let go of as soon as a recording has been looked at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.recording.arrival_time import arrival_time
from anechain.acoustics.recording.clock_errors import compactness
from anechain.acoustics.recording.excitation_timing import Ending, sweep_ending
from anechain.acoustics.recording.polarity import polarity
from anechain.acoustics.recording.recording_noise import Hum, mains_hum
from anechain.arrays import Floats
from anechain_capture.recordings import Header

__all__ = ["EARLY", "Facts", "facts_of"]


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
        Seconds of the recording's own silence: what comes before the sound arrives or, if that is longer, the second
        half of what comes after the end of the sweep.
    silence_power, sound_power : numpy.ndarray, shape (34,)
        Mean square per third octave, full scale being 1, in that silence and while the sound lasts; NaN where the
        silence is shorter than 50 ms or than two periods of the band.
    hum : Hum or None
        Lines of the mains in the silence; None where it is too short to tell.
    played : float or None
        Seconds at which the sweep ends as it was played; None where that is not known.
    ending : Ending
        Where the sound of the recording ends.
    compact : float
        Share of the energy of the impulse response near its maximum.
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
    hum: Hum | None
    played: float | None
    ending: Ending
    compact: float


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


def _silence(record: Floats, sampling_rate: int, begins: float, ends: float | None) -> tuple[Floats, Floats]:
    """The silence of a recording, and its sound, which lies between `begins` and `ends` (seconds)."""
    first = int(np.clip(round(begins * sampling_rate), 0, record.size))
    last = record.size if ends is None else int(np.clip(round(ends * sampling_rate), first, record.size))
    # What comes right after the sweep is its decay; the later half is the quieter one.
    tail = last + (record.size - last) // 2
    if record.size - tail > first:
        return record[tail:], record[first:last]
    return record[:first], record[first:]


def facts_of(record: Floats, response: Floats, header: Header, played: float | None = None) -> Facts:
    """Facts of one recording and its circular impulse response.

    Parameters
    ----------
    record, response : numpy.ndarray, shape (samples,)
    header : Header
    played : float, optional
        Seconds from the start of the recording, less the delay of the sound, at which the sweep ends.

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
    silence, sound = _silence(record, rate, arrival - 0.0005, None if played is None else arrival + played)
    size = np.abs(record)
    return Facts(
        float(size.max()),
        _clipped(record),
        record.size / rate,
        arrival,
        polarity(early),
        early.astype(np.float32),
        silence.size / rate,
        _band_power(silence, rate),
        _band_power(sound, rate),
        mains_hum(silence, rate) if silence.size >= 0.25 * rate else None,
        played,
        sweep_ending(record, rate),
        compactness(response, rate),
    )
