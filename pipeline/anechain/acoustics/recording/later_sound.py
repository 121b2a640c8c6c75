"""Sound after the direct sound in an impulse response, relative to the direct sound, as envelopes in bands."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.recording.time_windows import rising_half
from anechain.arrays import Complexes, Floats
from anechain.methods import method

__all__ = ["BandEnvelope", "later_sound"]

NOISE_TIME = 0.010
"""Seconds before the direct sound that hold the noise."""
RUN_IN = 0.012
"""Seconds before the noise for the high-pass to settle."""
FALL = 0.002
"""Duration in seconds of the fall at the end of the later sound."""
HIGH_PASS = 400.0
"""Corner in Hz of the high-pass that removes the decay of the box before the response is cut."""
LEAST_DIRECT = 0.01
"""Power of the direct sound re its median over the band, below which it is not divided by."""
LARGEST_RATIO = 2.5
"""Largest magnitude re the median over the band: a resonance counts by its bandwidth, a reflection is below it."""


@dataclass(frozen=True)
class BandEnvelope:
    """Envelope of the later sound in one band.

    Attributes
    ----------
    band : (float, float)
        Hz.
    sampling_rate : float
        Hz.
    amplitude : numpy.ndarray, shape (samples,)
        Re the direct sound; the first sample is at the direct sound. A reflection that repeats the whole band has its
        own amplitude at its delay.
    noise : float
        R.m.s. of the amplitude that noise alone has.
    pulse_energy : float
        Sum of the squared amplitudes of a reflection of amplitude 1.
    """

    band: tuple[float, float]
    sampling_rate: float
    amplitude: Floats
    noise: float
    pulse_energy: float


def _high_passed(part: Floats, sampling_rate: float) -> Floats:
    """Return a part of a response after a causal high-pass of second order."""
    length = 2 ** math.ceil(math.log2(2 * part.size))
    s = 1j * np.fft.rfftfreq(length, 1 / sampling_rate) / HIGH_PASS
    return np.asarray(np.fft.irfft(np.fft.rfft(part, length) * s**2 / (s**2 + math.sqrt(2) * s + 1), length))[
        : part.size
    ]


def _rise(samples: int, first: int, last: int) -> Floats:
    """Return a window that is 0 before `first` and 1 from `last` on."""
    window = np.zeros(samples)
    window[first:last] = rising_half("hann", last - first)
    window[last:] = 1.0
    return window


def _noise_part(h: Floats, first: int, samples: int) -> Floats:
    """Return the samples before the direct sound, or the last ones of a response that begins later.

    Impulse responses from files often begin shortly before the direct sound; what is before is digital silence.
    """
    before = h[np.arange(first, first + samples) % h.size]
    if np.count_nonzero(before) > 0.9 * samples:
        return before
    last = int(np.flatnonzero(h)[-1]) + 1
    return h[np.arange(last - samples, last) % h.size]


@method(
    "later-sound",
    version=1,
    title="Sound after the direct sound, re the direct sound, by band",
    formula="Magnitude of the inverse transform of E(f) / D(f) over a Hann-weighted band, of the later part E and the "
    "direct part D of the response; |E / D| is limited to 2.5 times its median over the band",
    source="deconvolution of the later by the direct sound; the limit makes the mean over the band robust",
    source_status="common practice, no source",
    limitations="What decays within the direct part, such as diffraction at the edges, belongs to the direct sound. "
    "Ringing counts by its share of the band; sound that rings in most of the band cannot be distinguished.",
)
def later_sound(
    response: ArrayLike,
    sampling_rate: float,
    arrival: float,
    bands: ArrayLike,
    rise: tuple[float, float] = (0.0008, 0.0013),
    latest: float = 0.028,
) -> tuple[BandEnvelope, ...]:
    """Return the envelopes of the sound after the direct sound, in bands.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Circular impulse response.
    sampling_rate : float
        Hz.
    arrival : float
        Arrival of the direct sound, seconds from the first sample.
    bands : array_like, shape (bands, 2)
        Hz.
    rise : (float, float)
        Seconds after the arrival between which the direct part falls and the later part rises.
    latest : float
        Longest delay of a reflection, seconds after the arrival.

    Returns
    -------
    tuple of BandEnvelope

    Raises
    ------
    ValueError
        If the response is too short.
    """
    h = np.asarray(response, dtype=np.float64)
    rate = sampling_rate
    start = round((arrival - NOISE_TIME) * rate)
    settle, size = round(RUN_IN * rate), round((NOISE_TIME + latest + FALL) * rate)
    if size + settle > h.size:
        raise ValueError(
            f"a response of {1e3 * h.size / rate:.3g} ms is too short for delays up to {1e3 * latest:.3g} ms"
        )
    part = _high_passed(h[np.arange(start - settle, start + size) % h.size], rate)[settle:]
    direct = arrival * rate - start
    half_millisecond = round(0.0005 * rate)
    onset = round(direct - 0.001 * rate)
    first, last = (round(direct + time * rate) for time in rise)
    late = _rise(size, first, last)
    up = _rise(size, onset - half_millisecond, onset)
    own = part * up * (1 - late)
    fall = round(FALL * rate)
    late[size - fall :] *= rising_half("hann", fall)[::-1]
    quiet = round(NOISE_TIME * rate) - round(0.001 * rate)
    noise = _high_passed(_noise_part(h, start - settle, settle + quiet), rate)[settle:]
    edge = _rise(quiet, 0, half_millisecond)
    noise *= edge * edge[::-1]
    length = 2 ** math.ceil(math.log2(2 * size))
    frequency = np.asarray(np.fft.rfftfreq(length, 1 / rate), dtype=np.float64)
    spectra = [np.asarray(np.fft.rfft(each, length)) for each in (own, part * late, noise)]
    effective = float(np.sum((edge * edge[::-1]) ** 2))
    return tuple(
        _envelope(spectra, frequency, (low, high), rate, size - round(NOISE_TIME * rate), effective)
        for low, high in np.asarray(bands, dtype=np.float64).tolist()
    )


def _envelope(
    spectra: list[Complexes], frequency: Floats, band: tuple[float, float], rate: float, samples: int, quiet: float
) -> BandEnvelope:
    """Return the envelope in one band; `quiet` is the number of samples of the noise."""
    length = 2 * (frequency.size - 1)
    inside = np.flatnonzero((frequency >= band[0]) & (frequency <= band[1]))
    direct, later, noise = (spectrum[inside] for spectrum in spectra)
    weight = np.hanning(inside.size)
    power = np.abs(direct) ** 2
    inverse = direct.conj() / (power + LEAST_DIRECT * np.median(power))
    ratio = later * inverse
    magnitude = np.abs(ratio)
    ratio *= np.minimum(1.0, LARGEST_RATIO * np.median(magnitude) / np.maximum(magnitude, 1e-30))
    row = np.zeros(length, dtype=np.complex128)
    row[inside] = weight * ratio
    amplitude = np.abs(np.fft.ifft(row))[:samples] * length / weight.sum()
    # By Parseval: the mean square over the samples of the noise.
    noise_energy = float(np.sum(np.abs(weight * noise * inverse) ** 2)) * length / weight.sum() ** 2
    return BandEnvelope(
        (float(band[0]), float(band[1])),
        rate,
        np.asarray(amplitude),
        math.sqrt(noise_energy / quiet),
        float(np.sum(weight**2)) * length / weight.sum() ** 2,
    )
