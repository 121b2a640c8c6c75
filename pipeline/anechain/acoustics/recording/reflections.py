"""First strong reflection in an impulse response."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.methods import method

__all__ = ["Echo", "first_reflection"]


@dataclass(frozen=True)
class Echo:
    """First strong echo after the arrival.

    Attributes
    ----------
    delay : float
        Seconds after the arrival; NaN if there is no echo.
    level : float
        dB re the direct sound in the band; NaN if there is no echo.
    floor : float
        Lowest level that could be detected, dB re the direct sound.
    """

    delay: float
    level: float
    floor: float


@method(
    "first-reflection",
    version=1,
    title="First echo in an impulse response: its delay and its level",
    formula="Delay of the highest peak of the power cepstrum; its height is the echo's relative amplitude",
    source="peak of the power cepstrum (Bogert, Healy and Tukey 1963) of the band from 800 Hz to 16 kHz: "
    "ln|1 + g e^-jwT| = g cos wT for a weak echo; the first peak 18 dB above the median and above the lowest level",
    source_status="recalled",
    limitations="An echo repeats the whole band; ringing has few frequencies, and counts by its share of the band (a "
    "resonance of 5 dB at a Q of 20 gives -38 dB). Absorption and directivity of the loudspeaker lower the level of "
    "the echo. Earlier than 1.5 ms, diffraction at the loudspeaker's own edges cannot be distinguished from an echo.",
)
def first_reflection(
    early: ArrayLike,
    sampling_rate: float,
    arrival: float,
    band: tuple[float, float] = (800.0, 16000.0),
    earliest: float = 0.0015,
    lowest: float = -30.0,
) -> Echo:
    """Return the first echo in an impulse response.

    Parameters
    ----------
    early : array_like, shape (samples,)
        Impulse response from before the arrival to the longest delay that is searched.
    sampling_rate : float
        Hz.
    arrival : float
        Arrival of the direct sound, seconds from the first sample.
    band : (float, float)
        Band that is evaluated, Hz.
    earliest : float
        Shortest delay that is searched, seconds after the arrival.
    lowest : float
        Lowest level that counts as an echo, dB re the direct sound.

    Returns
    -------
    Echo

    Raises
    ------
    ValueError
        If the band is narrower than 2 kHz, or the response too short.
    """
    h = np.asarray(early, dtype=np.float64)
    low, high = band[0], min(band[1], 0.45 * sampling_rate)
    start = max(round((arrival - 0.001) * sampling_rate), 0)
    part = h[start:].copy()
    fall = round(0.003 * sampling_rate)
    latest = (part.size - fall) / sampling_rate - 0.001
    if high - low < 2000 or latest <= earliest:
        raise ValueError(f"a band of {low:g} to {high:g} Hz and {1e3 * latest:.3g} ms are too little to find an echo")
    part[part.size - fall :] *= np.cos(np.pi / 2 * (np.arange(fall) + 0.5) / fall) ** 2
    length = 2 ** math.ceil(math.log2(4 * part.size))
    frequency = np.fft.rfftfreq(length, 1 / sampling_rate)
    in_band = np.flatnonzero((frequency >= low) & (frequency <= high))
    magnitude = np.abs(np.fft.rfft(part, length))[in_band]
    weight = np.hanning(in_band.size)
    log_magnitude = np.log(np.maximum(magnitude, 1e-4 * magnitude.max()))
    # Twice the length gives delays between samples.
    row = np.zeros(2 * length, dtype=np.complex128)
    row[in_band] = weight * (log_magnitude - np.average(log_magnitude, weights=weight))
    cepstrum = np.abs(np.fft.ifft(row)) * 2 * row.size / weight.sum()
    step = 1 / (2 * sampling_rate)
    first, last = math.ceil(earliest / step), math.floor(latest / step)
    floor = max(8.0 * float(np.median(cepstrum[first : last + 1])), 10 ** (lowest / 20))
    section = cepstrum[first - 1 : last + 2]
    peaks = np.flatnonzero((section[1:-1] >= section[:-2]) & (section[1:-1] > section[2:]) & (section[1:-1] >= floor))
    if not peaks.size:
        return Echo(math.nan, math.nan, 20 * math.log10(floor))
    # A small peak just before a strong one belongs to it: take the highest within the width of a peak.
    peak_width = max(round(2.0 / ((high - low) * step)), 1)
    near = peaks[(peaks < peaks[0] + peak_width)]
    peak = int(near[np.argmax(section[near + 1])]) + 1
    left, middle, right = section[peak - 1 : peak + 2]
    shift = 0.5 * float((left - right) / min(left - 2 * middle + right, -1e-300))
    delay = (first - 1 + peak + shift) * step
    return Echo(delay, 20 * math.log10(float(middle)), 20 * math.log10(floor))
