"""Excitation: the signal that was played, from a file, from the options, or from a loopback channel."""

from __future__ import annotations

from dataclasses import dataclass

from anechain.acoustics.recording.excitation_timing import sweep_end
from anechain.acoustics.recording.sweeps import sweep_amplitude, sweep_rate, swept_sine
from anechain.arrays import Floats
from anechain.errors import InputError
from anechain_capture.options import CaptureOptions
from anechain_capture.sound_files import read_header, read_samples

__all__ = ["Excitation", "excitation_of"]


@dataclass(frozen=True, eq=False)
class Excitation:
    """The signal that was played.

    Attributes
    ----------
    signal : numpy.ndarray or None
        Full scale is 1. None if each recording has its own excitation, in a loopback channel.
    amplitude : float or None
        Amplitude of its sine as a share of full scale; None with a loopback.
    band : (float, float)
        Frequency range of the signal in Hz.
    end : float or None
        Time in seconds at which the signal ends; None with a loopback.
    rate : float or None
        Seconds; see :func:`anechain.acoustics.recording.sweeps.sweep_rate`. None if harmonic orders cannot be
        separated.
    inside, outside : float
        Regularisation inside and outside the band in dB re the largest squared magnitude.
    report : tuple of str
        Lines of the import report.
    """

    signal: Floats | None
    amplitude: float | None
    band: tuple[float, float]
    end: float | None
    rate: float | None
    inside: float
    outside: float
    report: tuple[str, ...]


def excitation_of(options: CaptureOptions, sampling_rate: int) -> Excitation:
    """Return the excitation by the options.

    Parameters
    ----------
    options : CaptureOptions
    sampling_rate : int
        Sampling rate of the recordings in Hz.

    Raises
    ------
    InputError
        If its file cannot be read or has another sampling rate, or the sweep is not possible at this sampling rate.
    """
    sweep = options.sweep
    report = []
    top = 0.475 * sampling_rate
    band = options.band or ((sweep.start, sweep.stop) if sweep else (20.0, 20000.0))
    if band[1] > top:
        band = band[0], top
        report.append(
            f"the band of the excitation ends at {top:g} Hz, limited by the sampling rate of {sampling_rate} Hz"
        )
    rate = None
    try:
        if sweep is not None and sweep.kind != "linear":
            rate = sweep_rate(sweep.kind, sweep.start, sweep.stop, sweep.duration)
        signal = amplitude = None
        if options.excitation is not None:
            label = options.excitation.name
            header = read_header(options.excitation, label)
            if header.sampling_rate != sampling_rate:
                raise InputError.single(
                    label,
                    f"the excitation has {header.sampling_rate} Hz, the recordings have {sampling_rate} Hz",
                    "one sampling rate: conversion of the sampling rate changes the signal",
                    "name the excitation as it was played, at the sampling rate of the recordings",
                )
            signal = read_samples(options.excitation, label, header, [options.excitation_channel])[0]
            amplitude = sweep_amplitude(signal)
            report.append(f"excitation: the file {label}, amplitude {amplitude:.4g} of full scale")
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
    inside, outside = options.regularisation.inside, options.regularisation.outside
    report.append(
        f"deconvolution regularised by {inside:g} dB within {band[0]:g} to {band[1]:g} Hz and {outside:g} dB outside, "
        "re the largest squared magnitude"
    )
    end = None if signal is None else sweep_end(signal, sampling_rate).time
    return Excitation(signal, amplitude, band, end, rate, inside, outside, tuple(report))
