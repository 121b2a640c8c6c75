"""Reflections in an impulse response: first, strongest, and the energy of all later sound."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.recording.later_sound import BandEnvelope, later_sound
from anechain.acoustics.recording.time_windows import Window, rising_half
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "EARLIEST",
    "EDGE_TIME",
    "LOWEST",
    "FoundReflections",
    "Reflection",
    "find_reflections",
    "later_energy",
    "level_through_window",
]

EARLIEST = 0.0015
"""Shortest delay in seconds at which every reflection is searched; earlier, only those above `EDGE_LEVEL`."""
EDGE_TIME, EDGE_LEVEL = 0.0008, -12.0
"""Shortest delay in seconds that is searched, and the level in dB that diffraction at the edges of a box has at most;
common practice, no source."""
LOWEST = -30.0
"""Lowest level in dB that counts as a reflection; common practice, no source."""
NARROW_BANDS = ((2400.0, 9600.0), (1000.0, 4000.0))
"""Further bands in Hz: a reflection that is absorbed, or leaves the loudspeaker off its axis, has little treble."""
NOISE_FACTOR = 4.5
"""Amplitude re the r.m.s. of noise that noise exceeds once in 6 x 10^8 samples, exp(4.5^2) (Rayleigh)."""
HIGHEST_Q = 20.0
"""Highest quality factor of a resonance that is not taken for a reflection."""
SKIRT = (0.0006, 20.0)
"""Seconds before a reflection within which a peak that is lower by so many dB belongs to it; common practice."""
RINGING_LEVEL = -20.0
"""Level in dB that ringing has at most, 1.5 ms after the direct sound in a band of 3 kHz; falls as its share of the
band. From simulated loudspeakers: benchmarks/reflections.py."""


@dataclass(frozen=True)
class Reflection:
    """One reflection.

    Attributes
    ----------
    delay : float
        Seconds after the direct sound.
    level : float
        dB re the direct sound in the band.
    band : (float, float)
        Hz.
    """

    delay: float
    level: float
    band: tuple[float, float]


@dataclass(frozen=True)
class FoundReflections:
    """Reflections of one impulse response.

    Attributes
    ----------
    reflections : tuple of Reflection
        Sorted by delay.
    floor : float
        Lowest level in dB re the direct sound that could be found over the whole band.
    envelope : BandEnvelope
        Later sound over the whole band.
    latest : float
        Longest delay that was searched, seconds.
    """

    reflections: tuple[Reflection, ...]
    floor: float
    envelope: BandEnvelope
    latest: float


def _floor(envelope: BandEnvelope, time: Floats) -> Floats:
    """Return the smallest amplitude at each time that neither ringing of the loudspeaker nor noise has."""
    low, high = envelope.band
    ringing = RINGING_LEVEL - 20.0 * math.log10((high - low) / 3000.0)
    # A resonance of quality factor Q falls by 8.686 pi f / Q dB/s; the lowest of the band falls slowest.
    ringing_level = ringing - 20 * math.log10(math.e) * math.pi * low / HIGHEST_Q * (time - EARLIEST)
    return np.maximum(10 ** (np.maximum(ringing_level, LOWEST) / 20), NOISE_FACTOR * envelope.noise)


def _peaks(envelope: BandEnvelope, first: float, last: float, floor: Floats) -> list[Reflection]:
    """Return the peaks of an envelope above a floor, between two times in seconds."""
    amplitude, rate = envelope.amplitude, envelope.sampling_rate
    middle = amplitude[1:-1]
    is_peak = (middle >= amplitude[:-2]) & (middle > amplitude[2:]) & (middle >= floor[1:-1])
    places = np.flatnonzero(is_peak) + 1
    places = places[(places >= first * rate) & (places <= last * rate)]
    left, centre, right = (amplitude[places + step] for step in (-1, 0, 1))
    shift = 0.5 * (left - right) / np.minimum(left - 2 * centre + right, -1e-300)
    return [
        Reflection(float(delay), float(level), envelope.band)
        for delay, level in zip((places + shift) / rate, 20 * np.log10(centre), strict=True)
    ]


def _is_skirt(reflection: Reflection, others: list[Reflection]) -> bool:
    """Return whether a peak belongs to a much stronger reflection shortly after it."""
    return any(
        0 < other.delay - reflection.delay <= SKIRT[0] and other.level - reflection.level >= SKIRT[1]
        for other in others
    )


@method(
    "reflections",
    version=2,
    title="Reflections in an impulse response: delays, levels and bands",
    formula="Peaks of the later sound re the direct sound above the floor: -30 dB, noise plus 13 dB, or the decay that "
    "resonances of a Q of 20 have",
    source="deconvolution by the direct sound in the whole band and in two narrower ones; a resonance falls by "
    "27.3 f / Q dB/s; limits of the floor from simulated loudspeakers and rooms (Allen and Berkley 1979)",
    source_status="common practice, no source",
    limitations="From 0.8 to 1.5 ms only above -12 dB, because the edges of the box diffract as much. Reflections "
    "closer to each other than the resolution (0.1 ms; 0.3 ms in 1 to 4 kHz) are one. The decay of a resonance of more "
    "than 6 dB or of a Q above 20 can count as a reflection.",
)
def find_reflections(
    response: ArrayLike,
    sampling_rate: float,
    arrival: float,
    band: tuple[float, float] = (800.0, 16000.0),
    latest: float = 0.028,
) -> FoundReflections:
    """Return the reflections in an impulse response.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Circular impulse response.
    sampling_rate : float
        Hz.
    arrival : float
        Arrival of the direct sound, seconds from the first sample.
    band : (float, float)
        Band that is evaluated, Hz.
    latest : float
        Longest delay that is searched, seconds after the arrival.

    Returns
    -------
    FoundReflections

    Raises
    ------
    ValueError
        If the band is narrower than 2 kHz, or the response too short.
    """
    low, high = band[0], min(band[1], 0.45 * sampling_rate)
    if high - low < 2000:
        raise ValueError(f"a band of {low:g} to {high:g} Hz is too narrow to find a reflection")
    narrow = [each for each in NARROW_BANDS if low <= each[0] and each[1] <= high and each[1] - each[0] < high - low]
    envelopes = later_sound(response, sampling_rate, arrival, [(low, high), *narrow], latest=latest)
    whole = envelopes[0]
    time = np.arange(whole.amplitude.size) / sampling_rate
    found: list[Reflection] = []
    for envelope in envelopes:
        resolution = 1.0 / (envelope.band[1] - envelope.band[0])
        floor = _floor(envelope, time)
        for peak in _peaks(envelope, EARLIEST, latest, floor):
            same = [place for place, other in enumerate(found) if abs(other.delay - peak.delay) <= resolution]
            if not same:
                found.append(peak)
                continue
            # The whole band gives the delay; a band in which the reflection is clearly stronger gives the level, also
            # if ringing adds as much to it as the floor allows.
            place = max(same, key=lambda each: found[each].level)
            ringing = float(np.interp(peak.delay, time, floor))
            if 10 ** (peak.level / 20) - ringing > 10 ** ((found[place].level + 3.0) / 20):
                found[place] = Reflection(found[place].delay, peak.level, peak.band)
    found = [each for each in found if not _is_skirt(each, found)]
    # With a shorter direct part: what a surface close by reflects.
    (early,) = later_sound(response, sampling_rate, arrival, [(low, high)], (0.0004, 0.0008), 0.004)
    limit = np.full(early.amplitude.size, max(10 ** (EDGE_LEVEL / 20), NOISE_FACTOR * early.noise))
    found += _peaks(early, EDGE_TIME, EARLIEST - 1 / (high - low), limit)
    lowest = 20 * math.log10(max(10 ** (LOWEST / 20), NOISE_FACTOR * whole.noise))
    return FoundReflections(tuple(sorted(found, key=lambda each: each.delay)), lowest, whole, latest)


def _gain(window: Window | None, delay: ArrayLike) -> Floats:
    """Return the gain of a window at times after the arrival, in seconds."""
    time = np.asarray(delay, dtype=np.float64)
    if window is None:
        return np.ones(time.shape)
    fall = 0.0 if window.shape == "rectangular" else window.fade
    half = np.concatenate([[0.0], rising_half(window.shape, 500), [1.0]])
    rest = (window.after - time) / fall if fall else np.where(time < window.after, 1.0, 0.0)
    return np.asarray(np.interp(rest, np.linspace(0, 1, half.size), half))


def level_through_window(level: float, delay: float, window: Window | None) -> float:
    """Return the level of a reflection behind a window, in dB; minus infinity after its end.

    Parameters
    ----------
    level : float
        dB.
    delay : float
        Seconds after the direct sound.
    window : Window or None
        None for no window.
    """
    gain = float(_gain(window, delay))
    return level + 20 * math.log10(gain) if gain > 0 else -math.inf


@method(
    "later-energy",
    version=1,
    title="Energy of all later sound in a window re the direct sound",
    formula="10 lg of the sum of the squared amplitudes of the later sound, minus noise, re that of the direct sound",
    source="energy ratio like the clarity of ISO 3382-1, but from 1.5 ms on and in the band of the check",
    source_status="common practice, no source",
    limitations="Reflections before 1.5 ms count as direct sound. Energy that is less than the energy of the noise is "
    "not known.",
)
def later_energy(found: FoundReflections, window: Window | None) -> float:
    """Return the level of all sound behind a window from 1.5 ms after the direct sound on, re the direct sound.

    Parameters
    ----------
    found : FoundReflections
    window : Window or None
        None for all sound up to the longest delay that was searched.

    Returns
    -------
    float
        dB; minus infinity if noise hides it.
    """
    envelope = found.envelope
    time = np.arange(envelope.amplitude.size) / envelope.sampling_rate
    power = np.where((time >= EARLIEST) & (time <= found.latest), _gain(window, time), 0.0) ** 2 / envelope.pulse_energy
    energy = float(np.sum(power * envelope.amplitude**2))
    noise = float(np.sum(power)) * envelope.noise**2
    return 10 * math.log10(energy - noise) if energy > 2 * noise else -math.inf
