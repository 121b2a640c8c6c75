"""What was played: from a file, from the law of the sweep, or from the loopback channel of each recording."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.recording.deconvolution import (
    deconvolve,
    deconvolve_pairs,
    inverse_spectrum,
    regularisation,
    transform_length,
)
from anechain.acoustics.recording.excitation_timing import sweep_ending
from anechain.acoustics.recording.sweeps import steady_amplitude, sweep_rate, swept_sine
from anechain.arrays import Floats
from anechain.errors import InputError
from anechain_capture.options import CaptureOptions
from anechain_capture.recordings import header_of, samples_of

__all__ = ["Excitation", "excitation_of", "impulse_responses"]


@dataclass(frozen=True, eq=False)
class Excitation:
    """What was played.

    Attributes
    ----------
    signal : numpy.ndarray or None
        None where each recording carries its own, in a loopback channel.
    amplitude : float or None
        Amplitude of its sine as a share of full scale; None with a loopback.
    band : (float, float)
        Hz that it covers.
    ends : float or None
        Seconds at which it falls silent; None with a loopback.
    rate : float or None
        Seconds; see :func:`anechain.acoustics.recording.sweeps.sweep_rate`. None where orders do not come apart.
    inside, outside : float
        dB of the regularisation.
    report : tuple of str
        What it is.
    """

    signal: Floats | None
    amplitude: float | None
    band: tuple[float, float]
    ends: float | None
    rate: float | None
    inside: float
    outside: float
    report: tuple[str, ...]


def excitation_of(options: CaptureOptions, sampling_rate: int) -> Excitation:
    """Excitation that the options state, at the recordings' sampling rate.

    Raises
    ------
    InputError
        If its file cannot be read or has another sampling rate, or the sweep cannot be made at this one.
    """
    sweep = options.sweep
    report = []
    top = 0.475 * sampling_rate
    band = options.band or ((sweep.start, sweep.stop) if sweep else (20.0, 20000.0))
    if band[1] > top:
        band = band[0], top
        report.append(f"the excitation's band ends at {top:g} Hz, as the sampling rate of {sampling_rate} Hz bids")
    rate = None
    try:
        if sweep is not None and sweep.kind != "linear":
            rate = sweep_rate(sweep.kind, sweep.start, sweep.stop, sweep.duration)
        signal = amplitude = None
        if options.excitation is not None:
            label = options.excitation.name
            header = header_of(options.excitation, label)
            if header.sampling_rate != sampling_rate:
                raise InputError.single(
                    label,
                    f"the excitation has {header.sampling_rate} Hz, the recordings have {sampling_rate} Hz",
                    "one sampling rate: a rate that was converted is another signal",
                    "give the excitation as it was played, at the recordings' sampling rate",
                )
            signal = samples_of(options.excitation, label, header, [options.excitation_channel])[0]
            amplitude = steady_amplitude(signal)
            report.append(f"excitation: the file {label}, its sine of amplitude {amplitude:.4g} of full scale")
        elif options.loopback is not None:
            report.append(f"excitation: channel {options.loopback} of each recording, its electrical loopback")
        elif sweep is not None:
            signal = sweep.amplitude * swept_sine(
                sweep.kind, sweep.start, sweep.stop, sweep.duration, sampling_rate, sweep.fade_in, sweep.fade_out
            )
            amplitude = sweep.amplitude
            report.append(
                f"excitation: {sweep.kind} sweep from {sweep.start:g} to {sweep.stop:g} Hz in {sweep.duration:g} s, "
                f"fades {sweep.fade_in:g} s and {sweep.fade_out:g} s, amplitude {amplitude:g}"
            )
    except ValueError as error:
        raise InputError.single("importer capture", f"option `sweep`: {error}", fix="correct the option") from None
    kind = options.regularisation
    report.append(
        f"deconvolution regularised by {kind.inside:g} dB within {band[0]:g} to {band[1]:g} Hz and {kind.outside:g} dB "
        "outside, re the greatest squared magnitude"
    )
    ends = None if signal is None else sweep_ending(signal, sampling_rate).time
    return Excitation(signal, amplitude, band, ends, rate, kind.inside, kind.outside, tuple(report))


@lru_cache(maxsize=1)
def _inverse(excitation: Excitation, length: int, sampling_rate: int) -> NDArray[np.complex128]:
    assert excitation.signal is not None
    return inverse_spectrum(
        excitation.signal, length, sampling_rate, excitation.band, excitation.inside, excitation.outside
    )


@lru_cache(maxsize=1)
def _share(excitation: Excitation, length: int, sampling_rate: int) -> Floats:
    frequency = np.fft.rfftfreq(length, 1 / sampling_rate)
    return regularisation(frequency, excitation.band, excitation.inside, excitation.outside)


def impulse_responses(
    excitation: Excitation, recordings: Floats, loopbacks: Floats | None, sampling_rate: int, workers: int
) -> Floats:
    """Circular impulse responses of recordings, shape (recordings, samples), that all have one length."""
    played = 0 if excitation.signal is None else excitation.signal.size
    length = transform_length(recordings.shape[-1], played)
    if loopbacks is None:
        return deconvolve(recordings, _inverse(excitation, length, sampling_rate), length, workers)
    return deconvolve_pairs(recordings, loopbacks, length, _share(excitation, length, sampling_rate), workers)
