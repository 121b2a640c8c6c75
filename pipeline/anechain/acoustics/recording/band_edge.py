"""Lower edge of the band of a deconvolution: causal, so that it does not ring before the arrival."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Complexes, Floats
from anechain.methods import method

__all__ = ["causal_edge_phase", "phase_at"]

_FLOOR_DB = -60.0
"""Lowest level of the band's edge that counts, dB. A lower one only delays the lowest octave more."""


@method(
    "causal-band-edge",
    version=1,
    title="Phase that makes the lower edge of a deconvolution's band causal",
    formula="Minimum phase of the excitation's squared magnitude over itself plus the regularisation, below the middle "
    "of the band",
    source="Oppenheim and Schafer, Discrete-Time Signal Processing: minimum phase from the real cepstrum (recalled); "
    "minimum-phase regularisation, Bouchard, Norcross and Soulodre 2006, AES preprint 6929 (recalled)",
    source_status="recalled",
    limitations="Attenuation by more than 60 dB counts as 60 dB: what remains rings before the arrival 90 dB or more "
    "below the response.",
)
def causal_edge_phase(
    spectrum: ArrayLike, share: ArrayLike, samples: int, sampling_rate: float, band: tuple[float, float]
) -> Floats:
    """Return the phase that makes the lower edge of the band causal.

    A deconvolved response is band-limited by the excitation and the regularisation. With a phase of zero, the steep
    lower edge rings as long before the arrival as after it: the ringing before it is cut by the time window, and
    falls into the windows of harmonic orders. Multiply the inverse spectrum by exp(j phase), and the spectrum of the
    windowed response by exp(-j phase).

    Parameters
    ----------
    spectrum : array_like of complex, shape (samples // 2 + 1,)
        Of the excitation.
    share : array_like, shape (samples // 2 + 1,)
        From :func:`anechain.acoustics.recording.deconvolution.regularisation`.
    samples : int
        Length of the transform.
    sampling_rate : float
        Hz.
    band : (float, float)
        Band of the excitation, Hz.

    Returns
    -------
    numpy.ndarray, shape (samples // 2 + 1,)
        Radians, continuous over frequency.

    Raises
    ------
    ValueError
        If the excitation is silent.
    """
    import scipy.fft

    squared = np.abs(np.asarray(spectrum, dtype=np.complex128)) ** 2
    greatest = float(squared.max(initial=0.0))
    if not greatest > 0:
        raise ValueError("the excitation is silent")
    edge = squared / (squared + np.asarray(share, dtype=np.float64) * greatest)
    logarithm = np.log(np.maximum(edge, 10 ** (_FLOOR_DB / 20)))
    logarithm[np.fft.rfftfreq(samples, 1 / sampling_rate) > np.sqrt(band[0] * band[1])] = 0.0
    # Causal part of the cepstrum.
    cepstrum = scipy.fft.irfft(logarithm, samples)
    middle = samples // 2
    cepstrum[1 : samples - middle] *= 2
    cepstrum[middle + 1 :] = 0.0
    return np.asarray(scipy.fft.rfft(cepstrum).imag)


def phase_at(phase: ArrayLike, samples: int, sampling_rate: float, frequency: ArrayLike) -> Complexes:
    """Return exp(j phase) at any frequencies.

    Parameters
    ----------
    phase : array_like, shape (samples // 2 + 1,)
        From :func:`causal_edge_phase`.
    samples : int
        Length of the transform.
    sampling_rate : float
        Hz.
    frequency : array_like, shape (n,)
        Hz.

    Returns
    -------
    numpy.ndarray of complex, shape (n,)
    """
    bins = np.asarray(frequency, dtype=np.float64) * samples / sampling_rate
    return np.asarray(np.exp(1j * np.interp(bins, np.arange(np.size(phase)), np.asarray(phase, dtype=np.float64))))
