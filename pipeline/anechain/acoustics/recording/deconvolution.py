"""Impulse responses from recordings of a known excitation, by regularised division of spectra."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Complexes, Floats
from anechain.methods import method

__all__ = ["deconvolve", "deconvolve_pairs", "inverse_spectrum", "regularisation", "transform_length"]


def transform_length(*samples: int) -> int:
    """Length of transform that holds the longest of some records and is quick to compute."""
    import scipy.fft

    return int(scipy.fft.next_fast_len(max(samples), real=True))


def regularisation(frequency: ArrayLike, band: tuple[float, float], inside: float, outside: float) -> Floats:
    """Share of the greatest squared magnitude that is added to the denominator, over frequency.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    band : (float, float)
        Hz. From half an octave below to the lower end, and from the upper end to half an octave above (or to the last
        frequency, if that comes earlier), the share goes over from `outside` to `inside` and back by a squared sine.
    inside, outside : float
        dB re the greatest squared magnitude of the excitation's spectrum.

    Raises
    ------
    ValueError
        If the band does not rise.
    """
    low, high = band
    if not 0 < low < high:
        raise ValueError(f"a band rises from above 0 Hz, not from {low} to {high} Hz")
    f = np.asarray(frequency, dtype=np.float64)
    root = math.sqrt(2)
    below = np.clip((low - f) / (low - low / root), 0, 1)
    end = min(high * root, float(f.max()))
    above = np.clip((f - high) / (end - high), 0, 1) if end > high else np.zeros(f.size)
    share = np.maximum(below, above)
    between = (share > 0) & (share < 1)
    share[between] = np.sin(np.pi / 2 * share[between]) ** 2
    return np.asarray(10 ** (inside / 10) * (1 - share) + 10 ** (outside / 10) * share)


def _inverted(spectrum: Complexes, share: Floats) -> Complexes:
    squared = spectrum.real**2 + spectrum.imag**2
    greatest = squared.max(axis=-1, keepdims=True)
    if not (greatest > 0).all():
        raise ValueError("the excitation is silent")
    squared += share * greatest
    # By parts: a complex number divided by a real one would be divided as by a complex one.
    result = np.conj(spectrum)
    result.real /= squared
    result.imag /= squared
    return np.asarray(result)


@method(
    "regularised-inverse",
    version=1,
    title="Regularised inverse of the excitation's spectrum",
    formula="Conjugate of the excitation's spectrum over its squared magnitude plus a small share of the greatest",
    source="Kirkeby and Nelson 1999, J. Audio Eng. Soc. 47, 583-595: conj(X) / (conj(X) X + e)",
    limitations="Beyond the band the response is held down, not measured; its edges ring in time, before the arrival "
    "too.",
)
def inverse_spectrum(
    excitation: ArrayLike,
    samples: int,
    sampling_rate: float,
    band: tuple[float, float],
    inside: float = -100.0,
    outside: float = 0.0,
) -> Complexes:
    """Regularised inverse of an excitation's spectrum.

    Parameters
    ----------
    excitation : array_like, shape (..., at most samples)
        The signal that was played, or its electrical recording.
    samples : int
        Length of the transform.
    sampling_rate : float
        Hz.
    band : (float, float)
        Hz that the excitation covers.
    inside, outside : float
        dB re the greatest squared magnitude of the spectrum; see :func:`regularisation`.

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
    limitations="Circular: what comes before time zero (harmonics of an exponential sweep) stands at the end of the "
    "record.",
)
def deconvolve(recordings: ArrayLike, inverse: ArrayLike, samples: int, workers: int = 1) -> Floats:
    """Impulse responses of recordings of one excitation.

    Parameters
    ----------
    recordings : array_like, shape (..., at most samples)
        They begin when the excitation begins.
    inverse : array_like of complex, shape (samples // 2 + 1,) or one for each recording
        From :func:`inverse_spectrum`.
    samples : int
        Length of the transform.
    workers : int
        Threads.

    Returns
    -------
    numpy.ndarray, shape (..., samples)
        In recorded unit per unit of the excitation; time before zero stands at the end.

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


def deconvolve_pairs(
    recordings: ArrayLike,
    references: ArrayLike,
    samples: int,
    share: Floats,
    workers: int = 1,
) -> Floats:
    """Impulse responses of recordings that each carry their own excitation: an electrical loopback.

    What interface and converters do to both channels alike, their delay among it, cancels out.

    Parameters
    ----------
    recordings, references : array_like, shape (..., at most samples)
        The microphone's channel and the loopback's.
    samples : int
        Length of the transform.
    share : numpy.ndarray, shape (samples // 2 + 1,)
        From :func:`regularisation`.
    workers : int
        Threads.

    Returns
    -------
    numpy.ndarray, shape (..., samples)
    """
    import scipy.fft

    reference = np.asarray(scipy.fft.rfft(np.asarray(references, np.float64), samples, axis=-1, workers=workers))
    return deconvolve(recordings, _inverted(reference, share), samples, workers)
