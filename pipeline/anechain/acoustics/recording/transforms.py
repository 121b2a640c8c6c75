"""Transforms: impulse response to complex spectrum, and complex spectrum to level and phase."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Complexes, Floats

__all__ = ["level_and_phase", "spectrum_of_impulse_response"]


def spectrum_of_impulse_response(
    impulse_response: ArrayLike, sampling_rate: float, delay: ArrayLike = 0.0
) -> tuple[Floats, Complexes]:
    """Return the complex spectrum of impulse responses.

    Parameters
    ----------
    impulse_response : array_like, shape (..., samples)
        The whole record is transformed, without a window and without zero padding.
    sampling_rate : float
        Hz.
    delay : array_like, shape (...)
        Samples, whole or not, from time zero to the start of each record; changes the phase, not the level.

    Returns
    -------
    frequency : numpy.ndarray, shape (samples // 2 + 1,)
        Hz, from 0 in steps of sampling rate over number of samples.
    spectrum : numpy.ndarray of complex, shape (..., samples // 2 + 1)
        Sum of h[n] exp(-2j pi f n / sampling rate), in the unit of the response: a unit impulse has the magnitude 1 at
        every frequency.

    Raises
    ------
    ValueError
        If there is no sample, or the sampling rate is not above zero.
    """
    response = np.asarray(impulse_response, dtype=np.float64)
    if response.ndim == 0 or response.shape[-1] == 0:
        raise ValueError("an impulse response needs at least one sample")
    if not (np.isfinite(sampling_rate) and sampling_rate > 0):
        raise ValueError(f"the sampling rate must be above zero, not {sampling_rate}")
    frequency: Floats = np.asarray(np.fft.rfftfreq(response.shape[-1], 1 / sampling_rate), dtype=np.float64)
    spectrum = np.fft.rfft(response, axis=-1)
    start = np.asarray(delay, dtype=np.float64)
    if start.any():
        spectrum = spectrum * np.exp(-2j * np.pi * (frequency / sampling_rate) * start[..., None])
    return frequency, spectrum


def level_and_phase(pressure: ArrayLike, reference: float = 1.0) -> tuple[Floats, Floats]:
    """Return the level and the phase of complex pressures.

    Parameters
    ----------
    pressure : array_like of complex
        Any shape.
    reference : float
        Pressure at 0 dB, in the same unit.

    Returns
    -------
    level : numpy.ndarray
        dB; -inf where the pressure is zero.
    phase : numpy.ndarray
        Degrees in (-180, 180]; a delay gives a phase that falls with frequency.

    Raises
    ------
    ValueError
        If the reference is not above zero.
    """
    if not reference > 0:
        raise ValueError(f"the reference must be above zero, not {reference}")
    value = np.asarray(pressure, dtype=np.complex128)
    with np.errstate(divide="ignore"):
        level = 20 * np.log10(np.abs(value) / reference)
    phase = np.rad2deg(np.angle(value))
    return np.asarray(level), np.asarray(np.where(phase <= -180, phase + 360, phase))
