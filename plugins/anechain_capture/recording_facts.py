"""Facts about one recording and its impulse response, for the checks of all recordings.

The facts are small, so that those of all recordings fit into memory. The checks judge them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.recording.arrival_time import arrival_time
from anechain.acoustics.recording.clock_errors import compactness
from anechain.acoustics.recording.excitation_timing import SweepEnd, sweep_end
from anechain.acoustics.recording.polarity import polarity
from anechain.acoustics.recording.recording_noise import Hum, mains_hum
from anechain.arrays import Floats

__all__ = ["BANDS", "BEFORE_REFLECTIONS", "EARLY", "FRONT_ANGLE", "RecordingFacts", "recording_facts"]


EARLY = (0.005, 0.030)
"""Seconds before and after the arrival that are kept of each impulse response."""
FRONT_ANGLE = 45.0
"""Largest angle from the axis in degrees at which reflections are searched; common practice, no source."""
BEFORE_REFLECTIONS, AFTER_REFLECTIONS = 0.025, 0.005
"""Seconds before the arrival, and after the longest delay of a reflection, that the search of reflections needs."""
BANDS = 10.0 * 10.0 ** (np.arange(0, 34) / 10)
"""Mid-band frequencies in Hz of third-octave bands from 10 Hz to 20 kHz."""


@dataclass(frozen=True)
class RecordingFacts:
    """Facts about one recording.

    Attributes
    ----------
    peak : float
        Largest magnitude; full scale is 1.
    clipped : int
        Number of samples in runs of two or more at the largest magnitude of one sign.
    duration : float
        Duration of the recording in seconds.
    arrival : float
        Time in seconds at which the sound begins in the impulse response.
    polarity : int
        Sign of the first large swing of the impulse response.
    early : numpy.ndarray of float32
        Impulse response from EARLY[0] before the arrival to EARLY[1] after it.
    with_reflections : numpy.ndarray of float32
        Impulse response from BEFORE_REFLECTIONS before the arrival to AFTER_REFLECTIONS after `latest_reflection`;
        empty if reflections are not searched.
    latest_reflection : float
        Longest delay of a reflection that is searched, seconds after the arrival.
    silence : float
        Duration of silence in seconds: before the sound arrives or, if that is longer, the second half of the
        recording after the sweep.
    silence_power, sound_power : numpy.ndarray, shape (34,)
        Mean square in each of BANDS during silence and during the sound; full scale is 1. NaN if the silence is
        shorter than 50 ms or than two periods of the band.
    hum : Hum or None
        Mains lines in the silence; None if the silence is too short.
    excitation_end : float or None
        Time in seconds at which the sweep ends as it was played, without the delay of the sound; None if not known.
    sound_end : Ending
        Where the sound of the recording ends.
    compactness : float
        Share of the energy of the impulse response near its maximum.
    """

    peak: float
    clipped: int
    duration: float
    arrival: float
    polarity: int
    early: NDArray[np.float32]
    with_reflections: NDArray[np.float32]
    latest_reflection: float
    silence: float
    silence_power: Floats
    sound_power: Floats
    hum: Hum | None
    excitation_end: float | None
    sound_end: SweepEnd
    compactness: float


def _clipped_samples(record: Floats) -> int:
    """Return the number of samples in runs of two or more at the largest magnitude of one sign."""
    count = 0
    for sign in (1.0, -1.0):
        at_peak = np.flatnonzero(sign * record >= (sign * record).max())
        has_next = np.diff(at_peak) == 1
        count += int(np.count_nonzero(np.append(has_next, False) | np.insert(has_next, 0, False)))
    return count


def _band_power(record: Floats, sampling_rate: int) -> Floats:
    """Return the mean square in each of BANDS, shape (34,)."""
    power = np.full(BANDS.size, np.nan)
    if record.size < 0.05 * sampling_rate:
        return power
    import scipy.fft

    window = np.hanning(record.size)
    length = int(scipy.fft.next_fast_len(record.size, real=True))
    spectrum = np.abs(scipy.fft.rfft((record - record.mean()) * window, length)) ** 2
    # One-sided, and normalised by the power of the window.
    spectrum *= 2 / (length * np.sum(window**2))
    cumulative = np.concatenate([[0.0], np.cumsum(spectrum)])
    edge = 10**0.05
    bins_per_hertz = length / sampling_rate
    low, high = (
        np.clip(np.ceil(BANDS * ratio * bins_per_hertz).astype(int), 0, spectrum.size) for ratio in (1 / edge, edge)
    )
    valid = (BANDS * record.size >= 2 * sampling_rate) & (BANDS * edge <= sampling_rate / 2) & (high > low)
    power[valid] = cumulative[high[valid]] - cumulative[low[valid]]
    return power


def _silence_and_sound(record: Floats, sampling_rate: int, start: float, end: float | None) -> tuple[Floats, Floats]:
    """Return the silence of a recording and its sound, which is between `start` and `end` in seconds."""
    first = int(np.clip(round(start * sampling_rate), 0, record.size))
    last = record.size if end is None else int(np.clip(round(end * sampling_rate), first, record.size))
    # The first half of what follows the sweep is its decay.
    tail = last + (record.size - last) // 2
    if record.size - tail > first:
        return record[tail:], record[first:last]
    return record[:first], record[first:]


def _section(response: Floats, sampling_rate: int, arrival: float, before: float, after: float) -> Floats:
    """Return the part of a circular response from `before` the arrival to `after` it, in seconds."""
    first, last = (round((arrival + offset) * sampling_rate) for offset in (-before, after))
    return np.asarray(response[np.arange(first, last) % response.size])


def recording_facts(
    record: Floats,
    response: Floats,
    sampling_rate: int,
    excitation_end: float | None = None,
    latest_reflection: float | None = None,
) -> RecordingFacts:
    """Return the facts about one recording.

    Parameters
    ----------
    record : numpy.ndarray, shape (samples,)
        The recording; full scale is 1.
    response : numpy.ndarray, shape (samples,)
        Its circular impulse response.
    sampling_rate : int
        Hz.
    excitation_end : float, optional
        Time in seconds from the start of the recording, without the delay of the sound, at which the sweep ends.
    latest_reflection : float, optional
        Longest delay of a reflection that is searched, seconds; less if the response is shorter.

    Raises
    ------
    ValueError
        If the response is silent.
    """
    arrival = arrival_time(response, sampling_rate)
    early = _section(response, sampling_rate, arrival, *EARLY)
    latest = 0.0
    with_reflections = np.zeros(0)
    if latest_reflection is not None:
        latest = min(latest_reflection, response.size / sampling_rate - BEFORE_REFLECTIONS - AFTER_REFLECTIONS)
        with_reflections = _section(response, sampling_rate, arrival, BEFORE_REFLECTIONS, latest + AFTER_REFLECTIONS)
    # The rise of the sound may begin up to half a millisecond before the arrival.
    silence, sound = _silence_and_sound(
        record, sampling_rate, arrival - 0.0005, None if excitation_end is None else arrival + excitation_end
    )
    return RecordingFacts(
        peak=float(np.abs(record).max()),
        clipped=_clipped_samples(record),
        duration=record.size / sampling_rate,
        arrival=arrival,
        polarity=polarity(early),
        early=early.astype(np.float32),
        with_reflections=with_reflections.astype(np.float32),
        latest_reflection=latest,
        silence=silence.size / sampling_rate,
        silence_power=_band_power(silence, sampling_rate),
        sound_power=_band_power(sound, sampling_rate),
        hum=mains_hum(silence, sampling_rate) if silence.size >= 0.25 * sampling_rate else None,
        excitation_end=excitation_end,
        sound_end=sweep_end(record, sampling_rate),
        compactness=compactness(response, sampling_rate),
    )
