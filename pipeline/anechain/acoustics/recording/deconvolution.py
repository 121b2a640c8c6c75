"""Deconvolution: impulse responses from recordings of a known excitation, by regularised division of spectra."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Complexes, Floats
from anechain.methods import method

__all__ = ["deconvolve", "deconvolve_with_references", "inverse_spectrum", "regularisation", "transform_length"]


def transform_length(*samples: int) -> int:
    """Return a transform length in samples that fits the longest of some records and is fast to compute."""
    import scipy.fft

    return int(scipy.fft.next_fast_len(max(samples), real=True))


def regularisation(frequency: ArrayLike, band: tuple[float, float], inside: float, outside: float) -> Floats:
    """Return the regularisation: the share of the greatest squared magnitude that is added to the denominator.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    band : (float, float)
        Ends of the band in Hz. Within half an octave below the lower end, the share changes from `outside` to `inside`
        as a squared sine; within half an octave above the upper end (or up to the last frequency) it changes back.
    inside, outside : float
        Regularisation inside and outside the band, dB re the greatest squared magnitude of the excitation's spectrum.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Power ratio.

    Raises
    ------
    ValueError
        If the band is not ascending above zero.
    """
    low, high = band
    if not 0 < low < high:
        raise ValueError(f"a band must be ascending above 0 Hz, not from {low} to {high} Hz")
    f = np.asarray(frequency, dtype=np.float64)
    root = math.sqrt(2)
    below = np.clip((low - f) / (low - low / root), 0, 1)
    end = min(high * root, float(f.max()))
    above = np.clip((f - high) / (end - high), 0, 1) if end > high else np.zeros(f.size)
    share = np.maximum(below, above)
    transition = (share > 0) & (share < 1)
    share[transition] = np.sin(np.pi / 2 * share[transition]) ** 2
    return np.asarray(10 ** (inside / 10) * (1 - share) + 10 ** (outside / 10) * share)


def _inverted(spectrum: Complexes, share: Floats) -> Complexes:
    squared = spectrum.real**2 + spectrum.imag**2
    greatest = squared.max(axis=-1, keepdims=True)
    if not (greatest > 0).all():
        raise ValueError("the excitation is silent")
    squared += share * greatest
    # Real and imaginary part apart: numpy divides a complex array by a real one as by a complex one, which is slow.
    result = np.conj(spectrum)
    result.real /= squared
    result.imag /= squared
    return np.asarray(result)


@method(
    "regularised-inverse",
    version=1,
    title="Regularised inverse of the excitation's spectrum",
    formula="Conjugate of the excitation's spectrum over the sum of its squared magnitude and a small share of the "
    "greatest squared magnitude",
    source="Kirkeby and Nelson 1999, J. Audio Eng. Soc. 47, 583-595: conj(X) / (conj(X) X + e)",
    limitations="Outside the band the response is attenuated, not measured; the band edges ring in time, also before "
    "the arrival.",
)
def inverse_spectrum(
    excitation: ArrayLike,
    samples: int,
    sampling_rate: float,
    band: tuple[float, float],
    inside: float = -100.0,
    outside: float = 0.0,
) -> Complexes:
    """Return the regularised inverse of an excitation's spectrum.

    Parameters
    ----------
    excitation : array_like, shape (..., at most samples)
        The signal that was played, or its electrical recording.
    samples : int
        Length of the transform.
    sampling_rate : float
        Hz.
    band : (float, float)
        Band of the excitation, Hz.
    inside, outside : float
        Regularisation in dB re the greatest squared magnitude of the spectrum; see :func:`regularisation`.

    Returns
    -------
    numpy.ndarray of complex, shape (..., samples // 2 + 1)

    Raises
    ------
    ValueError
        If the excitation is silent or longer than the transform.
    """
    import scipy.fft

    signal = np.asarray(excitation, dtype=np.float64)
    if signal.shape[-1] > samples:
        raise ValueError(f"an excitation of {signal.shape[-1]} samples for a transform of {samples}")
    share = regularisation(np.fft.rfftfreq(samples, 1 / sampling_rate), band, inside, outside)
    return _inverted(np.asarray(scipy.fft.rfft(signal, samples, axis=-1)), share)


@method(
    "deconvolution",
    version=1,
    title="Impulse responses of recorded sweeps",
    formula="Inverse transform of the recording's spectrum times the regularised inverse of the excitation's",
    source="division of spectra, Mueller and Massarani 2001, J. Audio Eng. Soc. 49, 443-471",
    limitations="Circular: responses before time zero (harmonics of an exponential sweep) are at the end of the "
    "record.",
)
def deconvolve(recordings: ArrayLike, inverse: ArrayLike, samples: int, workers: int = 1) -> Floats:
    """Return the impulse responses of recordings of one excitation.

    Parameters
    ----------
    recordings : array_like, shape (..., at most samples)
        Recordings that begin when the excitation begins.
    inverse : array_like of complex, shape (samples // 2 + 1,) or one for each recording
        From :func:`inverse_spectrum`.
    samples : int
        Length of the transform.
    workers : int
        Number of threads.

    Returns
    -------
    numpy.ndarray, shape (..., samples)
        Unit of the recording per unit of the excitation; time before zero is at the end.

    Raises
    ------
    ValueError
        If a recording is longer than the transform.
    """
    import scipy.fft

    signal = np.asarray(recordings, dtype=np.float64)
    if signal.shape[-1] > samples:
        raise ValueError(f"recordings of {signal.shape[-1]} samples for a transform of {samples}")
    spectrum = scipy.fft.rfft(signal, samples, axis=-1, workers=workers)
    spectrum *= np.asarray(inverse)
    return np.asarray(scipy.fft.irfft(spectrum, samples, axis=-1, workers=workers, overwrite_x=True))


def deconvolve_with_references(
    recordings: ArrayLike,
    references: ArrayLike,
    samples: int,
    share: Floats,
    workers: int = 1,
    factor: Complexes | None = None,
) -> Floats:
    """Return the impulse responses of recordings that each have their own reference: an electrical loopback.

    The response and the delay that interface and converters add to both channels cancel.

    Parameters
    ----------
    recordings, references : array_like, shape (..., at most samples)
        Channel of the microphone and channel of the loopback.
    samples : int
        Length of the transform.
    share : numpy.ndarray, shape (samples // 2 + 1,)
        From :func:`regularisation`.
    workers : int
        Number of threads.
    factor : numpy.ndarray of complex, shape (samples // 2 + 1,), optional
        By which the spectrum of each response is multiplied.

    Returns
    -------
    numpy.ndarray, shape (..., samples)
        Unit of the recording per unit of the reference; time before zero is at the end.
    """
    import scipy.fft

    reference = np.asarray(scipy.fft.rfft(np.asarray(references, np.float64), samples, axis=-1, workers=workers))
    inverse = _inverted(reference, share)
    if factor is not None:
        inverse *= factor
    return deconvolve(recordings, inverse, samples, workers)
