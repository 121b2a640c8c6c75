"""Spectra of impulse responses at any frequency, and the noise in them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.recording.time_windows import Window, apply_window
from anechain.arrays import Complexes, Floats
from anechain.methods import method

__all__ = ["noise_magnitude", "noise_stretches", "spectrum_at"]

_MOST_STRETCHES = 8
"""Most stretches of the response from which the noise is read."""


@method(
    "spectrum-at-frequencies",
    version=1,
    title="Spectrum of a short record at any frequencies",
    formula="Sum over samples of value times e^(-j 2 pi f t) at each frequency",
    source="the Fourier sum itself, in two stages; no interpolation between bins",
    limitations="Frequencies closer together than one over the record's length are not independent.",
)
def spectrum_at(record: ArrayLike, sampling_rate: float, frequency: ArrayLike, offset: float = 0.0) -> Complexes:
    """Return the spectrum of a record at any frequencies.

    Parameters
    ----------
    record : array_like, shape (..., samples)
        Samples; zero outside the record.
    sampling_rate : float
        Hz.
    frequency : array_like, shape (n,)
        Hz.
    offset : float
        Start of the record in seconds; changes the phase.

    Returns
    -------
    numpy.ndarray of complex, shape (..., n)
        Sum of h[k] exp(-2j pi f (k / sampling rate + offset)).
    """
    h = np.asarray(record, dtype=np.float64)
    f = np.asarray(frequency, dtype=np.float64)
    # Samples are arranged in rows: the phase is a product of a factor within the row and a factor of the row, so few
    # exponentials are needed.
    row = max(math.isqrt(h.shape[-1]), 1)
    rows = -(-h.shape[-1] // row)
    padded = np.zeros((*h.shape[:-1], rows * row))
    padded[..., : h.shape[-1]] = h
    exponent = -2j * np.pi * f / sampling_rate
    within_row = np.exp(exponent * np.arange(row)[:, np.newaxis])
    of_row = np.exp(exponent * (row * np.arange(rows)[:, np.newaxis] + offset * sampling_rate))
    # One product of real matrices: numpy has no fast product of a real matrix with a complex one.
    sums = padded.reshape(-1, row) @ np.concatenate([within_row.real, within_row.imag], axis=-1)
    row_spectra = (sums[:, : f.size] + 1j * sums[:, f.size :]).reshape(*h.shape[:-1], rows, f.size)
    return np.asarray((row_spectra * of_row).sum(axis=-2))


def noise_stretches(duration: float, window: Window, busy: tuple[float, float]) -> int:
    """Return the number of stretches without a response from which the noise is read, at most eight.

    Parameters
    ----------
    duration : float
        Length of the response, seconds.
    window : Window
        Window of the response.
    busy : (float, float)
        As for :func:`noise_magnitude`.

    Returns
    -------
    int
        0 if the rest of the response is shorter than the window.
    """
    return max(int(min(_MOST_STRETCHES, (duration - sum(busy)) // (window.before + window.after))), 0)


@method(
    "response-noise",
    version=1,
    title="Noise in the spectrum of an impulse response",
    formula="Root mean square of the spectra of sections without a response, through the same window",
    source="mean square of the spectra of up to eight sections without a response, through the same window",
    source_status="common practice, no source",
    limitations="Steady noise only: a knock during the sweep appears as a response of its own at any time.",
)
def noise_magnitude(
    response: ArrayLike,
    sampling_rate: float,
    arrival: float,
    frequency: ArrayLike,
    window: Window,
    busy: tuple[float, float],
) -> Floats:
    """Return the root mean square magnitude of noise alone in the spectrum through a window.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Circular.
    sampling_rate : float
        Hz.
    arrival : float
        Seconds.
    frequency : array_like, shape (n,)
        Hz.
    window : Window
        Window of the response.
    busy : (float, float)
        Seconds before and after the arrival that contain responses: harmonics of a sweep before it, decay after it.

    Returns
    -------
    numpy.ndarray, shape (n,)
        NaN if the rest of the response is shorter than the window.
    """
    h, f = np.asarray(response, dtype=np.float64), np.asarray(frequency, dtype=np.float64)
    length = window.before + window.after
    free = h.shape[-1] / sampling_rate - sum(busy)
    count = noise_stretches(h.shape[-1] / sampling_rate, window, busy)
    if count < 1 or not f.size:
        return np.full(f.size, np.nan)
    starts = arrival + busy[1] + (np.arange(count) + 0.5) * free / count - length / 2
    sections = np.stack([apply_window(h, sampling_rate, start + window.before, window)[0] for start in starts])
    return np.asarray(np.sqrt((np.abs(spectrum_at(sections, sampling_rate, f)) ** 2).mean(axis=0)))
