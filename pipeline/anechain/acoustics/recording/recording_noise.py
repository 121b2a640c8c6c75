"""Noise of a recording: signal-to-noise ratio per band, and mains hum."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["Hum", "band_signal_to_noise", "mains_hum"]


@method(
    "recording-signal-to-noise",
    version=1,
    title="Signal-to-noise ratio of a recording, per band, against its own silence",
    formula="10 lg of (mean square of the sound less that of the silence) over that of the silence, band by band",
    source="ratio of mean squares, the silence's share taken off the sound",
    source_status="common practice, no source",
    limitations="Steady noise only. Over the whole recording: what a time window keeps off afterwards is not counted.",
)
def band_signal_to_noise(sound: ArrayLike, silence: ArrayLike) -> Floats:
    """Signal-to-noise ratio in dB.

    Parameters
    ----------
    sound, silence : array_like, shape (..., bands)
        Mean squares while the sound lasts and in the silence of the same recording.

    Returns
    -------
    numpy.ndarray, shape (..., bands)
        At least -30 dB, at most 200 dB; NaN where one of the two is not known.
    """
    ratio = np.asarray(sound, dtype=np.float64) / np.maximum(np.asarray(silence, dtype=np.float64), 1e-300)
    return np.asarray(10 * np.log10(np.clip(ratio - 1, 1e-3, 1e20)))


@dataclass(frozen=True)
class Hum:
    """Lines of the mains in a silence.

    Attributes
    ----------
    mains : float
        50 or 60 Hz; 0 if there is no line of either.
    frequency, power : numpy.ndarray, shape (lines,)
        Hz and mean square of each line.
    """

    mains: float
    frequency: Floats
    power: Floats


_PROMINENCE = 40.0
"""Power of a line over the median of its surroundings: noise reaches 16 dB once in a hundred thousand lines or less."""


_HARMONICS = 12


@method(
    "mains-hum",
    version=1,
    title="Lines of 50 or 60 Hz mains and their harmonics in a silence",
    formula="Lines at multiples of 50 or 60 Hz that stand 16 dB above the median around them",
    source="lines at whole multiples of the mains frequency, 16 dB above the median of their surroundings",
    source_status="common practice, no source",
    limitations="Needs 0.25 s of silence. Any steady tone at such a frequency counts, whatever hums.",
)
def mains_hum(silence: ArrayLike, sampling_rate: float) -> Hum:
    """Find the lines of the mains.

    Parameters
    ----------
    silence : array_like, shape (samples,)
        Its first four seconds are looked at.
    sampling_rate : float
        Hz.

    Raises
    ------
    ValueError
        If the silence is shorter than 0.25 s.
    """
    part = np.asarray(silence, dtype=np.float64)[: round(4 * sampling_rate)]
    if part.size < 0.25 * sampling_rate:
        raise ValueError(f"a silence of {part.size / sampling_rate:.3g} s")
    window = np.hanning(part.size)
    power = np.abs(np.fft.rfft((part - part.mean()) * window)) ** 2 * 2 / np.sum(window) ** 2
    bins = part.size / sampling_rate
    best = Hum(0.0, np.zeros(0), np.zeros(0))
    most = 0.0
    for mains in (50.0, 60.0):
        found = []
        for harmonic in range(1, _HARMONICS + 1):
            # The mains keep to some tenths of a per cent; a Hann window's line is four bins wide.
            centre, reach = harmonic * mains * bins, 1.5 + 0.004 * harmonic * mains * bins
            own = np.arange(math.ceil(centre - reach), math.floor(centre + reach) + 1)
            beside = np.arange(
                math.ceil(max(centre - 0.8 * mains * bins, centre - reach - 30)),
                math.floor(min(centre + 0.8 * mains * bins, centre + reach + 30)) + 1,
            )
            beside = beside[np.abs(beside - centre) > reach + 2]
            beside = beside[(beside > 0) & (beside < power.size)]
            if own[-1] >= power.size or beside.size < 12:
                continue
            peak = int(own[np.argmax(power[own])])
            if power[peak] > _PROMINENCE * np.median(power[beside]) and power[peak] > 0:
                found.append((peak / bins, float(power[peak])))
        # Multiples of 300 Hz are of both.
        own_power = sum(value for at, value in found if abs(at / 300 - round(at / 300)) * 300 > 5)
        if own_power > most:
            most = own_power
            best = Hum(mains, np.array([at for at, _ in found]), np.array([value for _, value in found]))
    return best
