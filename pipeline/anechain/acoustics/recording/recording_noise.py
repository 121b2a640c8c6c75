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
    title="Signal-to-noise ratio of a recording per band, from its own silence",
    formula="10 lg of (mean square of the sound minus that of the silence) over that of the silence, band by band",
    source="ratio of mean squares, with the mean square of the silence subtracted from the sound",
    source_status="common practice, no source",
    limitations="Steady noise only. For the whole recording: a time window applied later improves the ratio.",
)
def band_signal_to_noise(sound: ArrayLike, silence: ArrayLike) -> Floats:
    """Return the signal-to-noise ratio per band.

    Parameters
    ----------
    sound, silence : array_like, shape (..., bands)
        Mean squares during the sound and in the silence of the same recording.

    Returns
    -------
    numpy.ndarray, shape (..., bands)
        dB, limited to -30 dB to 200 dB; NaN where a mean square is not known.
    """
    ratio = np.asarray(sound, dtype=np.float64) / np.maximum(np.asarray(silence, dtype=np.float64), 1e-300)
    return np.asarray(10 * np.log10(np.clip(ratio - 1, 1e-3, 1e20)))


@dataclass(frozen=True)
class Hum:
    """Spectral lines of the mains in a silence.

    Attributes
    ----------
    mains : float
        Mains frequency, 50 or 60 Hz; 0 if there is no line.
    frequency, power : numpy.ndarray, shape (lines,)
        Frequency in Hz and mean square of each line.
    """

    mains: float
    frequency: Floats
    power: Floats


_PROMINENCE = 40.0
"""Minimum power of a line re the median around it (16 dB). Noise reaches it in one of 100 000 lines or less."""

_HARMONICS = 12
"""Number of harmonics that are searched."""


@method(
    "mains-hum",
    version=1,
    title="Lines of 50 or 60 Hz mains and their harmonics in a silence",
    formula="Lines at multiples of 50 or 60 Hz that are 16 dB above the median around them",
    source="lines at whole multiples of the mains frequency, 16 dB above the median around them",
    source_status="common practice, no source",
    limitations="Needs 0.25 s of silence. Any constant tone at such a frequency counts, whatever its source.",
)
def mains_hum(silence: ArrayLike, sampling_rate: float) -> Hum:
    """Return the lines of the mains in a silence.

    Parameters
    ----------
    silence : array_like, shape (samples,)
        Recording of silence; its first four seconds are used.
    sampling_rate : float
        Hz.

    Returns
    -------
    Hum

    Raises
    ------
    ValueError
        If the silence is shorter than 0.25 s.
    """
    part = np.asarray(silence, dtype=np.float64)[: round(4 * sampling_rate)]
    if part.size < 0.25 * sampling_rate:
        raise ValueError(f"the silence must last at least 0.25 s, not {part.size / sampling_rate:.3g} s")
    window = np.hanning(part.size)
    power = np.abs(np.fft.rfft((part - part.mean()) * window)) ** 2 * 2 / np.sum(window) ** 2
    bins_per_hz = part.size / sampling_rate
    hum = Hum(0.0, np.zeros(0), np.zeros(0))
    highest_power = 0.0
    for mains in (50.0, 60.0):
        lines = []
        for harmonic in range(1, _HARMONICS + 1):
            # The mains frequency varies by some tenths of a per cent; a line through a Hann window is four bins wide.
            centre, half_width = harmonic * mains * bins_per_hz, 1.5 + 0.004 * harmonic * mains * bins_per_hz
            own_bins = np.arange(math.ceil(centre - half_width), math.floor(centre + half_width) + 1)
            around = np.arange(
                math.ceil(max(centre - 0.8 * mains * bins_per_hz, centre - half_width - 30)),
                math.floor(min(centre + 0.8 * mains * bins_per_hz, centre + half_width + 30)) + 1,
            )
            around = around[np.abs(around - centre) > half_width + 2]
            around = around[(around > 0) & (around < power.size)]
            if own_bins[-1] >= power.size or around.size < 12:
                continue
            peak = int(own_bins[np.argmax(power[own_bins])])
            if power[peak] > _PROMINENCE * np.median(power[around]) and power[peak] > 0:
                lines.append((peak / bins_per_hz, float(power[peak])))
        # Multiples of 300 Hz belong to both mains frequencies and do not decide.
        own_power = sum(value for line, value in lines if abs(line / 300 - round(line / 300)) * 300 > 5)
        if own_power > highest_power:
            highest_power = own_power
            hum = Hum(mains, np.array([line for line, _ in lines]), np.array([value for _, value in lines]))
    return hum
