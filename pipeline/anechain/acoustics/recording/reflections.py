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
    """The first strong echo after the arrival.

    Attributes
    ----------
    delay : float
        Seconds after the arrival; NaN if there is none.
    level : float
        dB re the direct sound, over the band; NaN if there is none.
    floor : float
        dB below which nothing could have been found.
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
    "ln|1 + g e^-jwT| = g cos wT for a weak echo; the first one 18 dB above the median and "
    "above the lowest level asked for",
    source_status="recalled",
    limitations="An echo is a late copy of the whole band; ringing is of a few frequencies, and counts by its share "
    "of the "
    "band (a resonance of 5 dB at a Q of 20 comes to -38 dB). What a wall or an angle takes from the echo's band, its "
    "level lacks. Earlier than 1.5 ms it is taken for the loudspeaker's own edges.",
)
def first_reflection(
    early: ArrayLike,
    sampling_rate: float,
    arrival: float,
    band: tuple[float, float] = (800.0, 16000.0),
    earliest: float = 0.0015,
    lowest: float = -30.0,
) -> Echo:
    """Find the first echo.

    Parameters
    ----------
    early : array_like, shape (samples,)
        Impulse response from before the arrival to the last delay that is looked for.
    sampling_rate : float
        Hz.
    arrival : float
        Seconds from its first sample.
    band : (float, float)
        Hz.
    earliest : float
        Seconds after the arrival.
    lowest : float
        dB re the direct sound.

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
        raise ValueError(f"a band of {low:g} to {high:g} Hz and {1e3 * latest:.3g} ms")
    part[part.size - fall :] *= np.cos(np.pi / 2 * (np.arange(fall) + 0.5) / fall) ** 2
    length = 2 ** math.ceil(math.log2(4 * part.size))
    frequency = np.fft.rfftfreq(length, 1 / sampling_rate)
    chosen = np.flatnonzero((frequency >= low) & (frequency <= high))
    size = np.abs(np.fft.rfft(part, length))[chosen]
    weight = np.hanning(chosen.size)
    log = np.log(np.maximum(size, 1e-4 * size.max()))
    row = np.zeros(2 * length, dtype=np.complex128)
    row[chosen] = weight * (log - np.average(log, weights=weight))
    cepstrum = np.abs(np.fft.ifft(row)) * 2 * row.size / weight.sum()
    # Twice the length, for delays between samples.
    step = 1 / (2 * sampling_rate)
    first, last = math.ceil(earliest / step), math.floor(latest / step)
    floor = max(8.0 * float(np.median(cepstrum[first : last + 1])), 10 ** (lowest / 20))
    within = cepstrum[first - 1 : last + 2]
    peaks = np.flatnonzero((within[1:-1] >= within[:-2]) & (within[1:-1] > within[2:]) & (within[1:-1] >= floor))
    if not peaks.size:
        return Echo(math.nan, math.nan, 20 * math.log10(floor))
    # The foot of a strong peak is not an echo of its own: take the greatest within the reach of the first.
    reach = max(round(2.0 / ((high - low) * step)), 1)
    near = peaks[(peaks < peaks[0] + reach)]
    peak = int(near[np.argmax(within[near + 1])]) + 1
    left, middle, right = within[peak - 1 : peak + 2]
    shift = 0.5 * float((left - right) / min(left - 2 * middle + right, -1e-300))
    delay = (first - 1 + peak + shift) * step
    return Echo(delay, 20 * math.log10(float(middle)), 20 * math.log10(floor))
