"""Deconvolution of recordings: inverse of the played signal, with a causal lower edge of the band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from anechain.acoustics.recording.band_edge import causal_edge_phase, phase_at
from anechain.acoustics.recording.deconvolution import (
    deconvolve,
    deconvolve_with_references,
    inverse_spectrum,
    regularisation,
    transform_length,
)
from anechain.arrays import Complexes, Floats
from anechain.errors import InputError, Problem
from anechain_capture.excitation import Excitation
from anechain_capture.files import RecordedFile
from anechain_capture.options import CaptureOptions
from anechain_capture.sound_files import read_samples

__all__ = ["Deconvolution", "deconvolution_of", "impulse_responses", "reference_signal"]


@dataclass(frozen=True, eq=False)
class Deconvolution:
    """Deconvolution of recordings of one length.

    Attributes
    ----------
    length : int
        Samples of the transform.
    sampling_rate : int
        Hz.
    reference : numpy.ndarray, shape (samples,)
        The signal that was played; with loopbacks, one of them.
    inverse : numpy.ndarray of complex, shape (length // 2 + 1,)
        Inverse spectrum of the reference, with the phase of the edge.
    edge_phase : numpy.ndarray, shape (length // 2 + 1,)
        Phase in radians that makes the lower edge of the band causal; it is in all responses.
    share : numpy.ndarray, shape (length // 2 + 1,)
        Regularisation.
    """

    length: int
    sampling_rate: int
    reference: Floats
    inverse: Complexes
    edge_phase: Floats
    share: Floats

    def edge(self, frequency: Floats) -> Complexes:
        """Return the factor of magnitude 1 by which the edge changes a spectrum."""
        return phase_at(self.edge_phase, self.length, self.sampling_rate, frequency)


def reference_signal(excitation: Excitation, files: Sequence[RecordedFile], options: CaptureOptions) -> Floats:
    """Return the signal that was played: that of the excitation or, with loopbacks, that of the shortest recording.

    Raises
    ------
    InputError
        If no recording can be read, or all loopbacks are silent.
    """
    if excitation.signal is not None:
        return excitation.signal
    assert options.loopback is not None
    problems: list[Problem] = []
    for file in sorted(files, key=lambda each: (each.header.samples, each.label)):
        try:
            loopback = read_samples(file.path, file.label, file.header, [options.loopback])[0]
        except InputError as input_error:
            problems.extend(input_error.problems)
            continue
        if loopback.any():
            return np.asarray(loopback)
        fix = "correct the option `loopback`, or record it again"
        problems.append(Problem(file.label, "its loopback is silent", "the electrical excitation", fix))
    raise InputError(problems)


def deconvolution_of(excitation: Excitation, reference: Floats, samples: int, sampling_rate: int) -> Deconvolution:
    """Return the deconvolution of recordings of `samples` samples."""
    import scipy.fft

    length = transform_length(samples, reference.size)
    share = regularisation(
        np.fft.rfftfreq(length, 1 / sampling_rate), excitation.band, excitation.inside, excitation.outside
    )
    spectrum = np.asarray(scipy.fft.rfft(reference, length))
    phase = causal_edge_phase(spectrum, share, length, sampling_rate, excitation.band)
    inverse = inverse_spectrum(
        reference, length, sampling_rate, excitation.band, excitation.inside, excitation.outside
    ) * np.exp(1j * phase)
    return Deconvolution(length, sampling_rate, reference, np.asarray(inverse), phase, share)


def impulse_responses(
    deconvolution: Deconvolution, recordings: Floats, loopbacks: Floats | None, workers: int
) -> Floats:
    """Return circular impulse responses of recordings of the same length.

    Parameters
    ----------
    deconvolution : Deconvolution
    recordings : numpy.ndarray, shape (recordings, samples)
    loopbacks : numpy.ndarray, shape (recordings, samples), or None
        None without a loopback channel.
    workers : int
        Number of threads.

    Returns
    -------
    numpy.ndarray, shape (recordings, samples of the transform)
    """
    if loopbacks is None:
        return deconvolve(recordings, deconvolution.inverse, deconvolution.length, workers)
    factor = np.exp(1j * deconvolution.edge_phase)
    return deconvolve_with_references(recordings, loopbacks, deconvolution.length, deconvolution.share, workers, factor)
