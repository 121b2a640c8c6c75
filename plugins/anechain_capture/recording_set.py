"""All recordings of a device: they are read and analysed a few at a time."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from anechain.acoustics.recording.deconvolution import transform_length
from anechain.acoustics.recording.harmonic_bands import HarmonicBand
from anechain.acoustics.recording.time_windows import Window, lowest_valid_frequency
from anechain.arrays import Floats
from anechain.errors import InputError, Problem
from anechain_capture.deconvolution import Deconvolution, deconvolution_of, impulse_responses, reference_signal
from anechain_capture.drives import volts_by_drive
from anechain_capture.excitation import Excitation, excitation_of
from anechain_capture.files import HERE, RecordedFile, axis_files, length_problems, recorded_files
from anechain_capture.frequency_grid import frequency_grid
from anechain_capture.measurement_order import MeasurementOrder, measurement_order
from anechain_capture.microphone import MicrophoneResponse, microphone_response, pascals_per_full_scale
from anechain_capture.options import CaptureOptions, option_problems
from anechain_capture.recording_analysis import AnalysisSettings, Recording, analyse_recording
from anechain_capture.sampling_rate import RateRatio, rate_ratio
from anechain_capture.sound_files import read_samples
from anechain_capture.time_window import time_window, window_report
from anechain_capture.valid_bands import bands_of_orders, bands_report, lowest_accurate

__all__ = ["RecordingSet", "analyse_recordings"]


BATCH = 4
"""Number of recordings in memory at a time: enough to use all processors, few enough for long recordings."""


@dataclass(frozen=True)
class RecordingSet:
    """All recordings of a device.

    Attributes
    ----------
    recordings : tuple of Recording
        Sorted by file name.
    frequency : numpy.ndarray, shape (frequencies,)
        Hz.
    window : Window or None
        None if impulse responses count as a whole.
    valid_band : (float, float)
        Limits in Hz between which the responses are valid.
    volts : dict of str to float
        V r.m.s. of each drive, if known.
    has_pascals : bool
        Whether the spectra are in Pa.
    axis_labels : tuple of str
        Labels of the recordings on the axis, of one orbit at each drive.
    order : MeasurementOrder or None
        Measurement order of the recordings on the axis, if known.
    sampling_rate : int
        Sampling rate of all recordings in Hz.
    excitation : Excitation or None
        None for impulse responses.
    bands : tuple of HarmonicBand
        Band of each harmonic order; empty if they are not separated.
    rate_ratio : RateRatio or None
        Another sampling rate that fits the recordings better; None if there is none.
    report : list of str
        Lines of the import report.
    """

    recordings: tuple[Recording, ...]
    frequency: Floats
    window: Window | None
    valid_band: tuple[float, float]
    volts: Mapping[str, float]
    has_pascals: bool
    axis_labels: tuple[str, ...]
    order: MeasurementOrder | None
    sampling_rate: int
    excitation: Excitation | None
    bands: tuple[HarmonicBand, ...]
    rate_ratio: RateRatio | None
    report: list[str]


def analyse_recordings(paths: Sequence[Path], options: CaptureOptions) -> RecordingSet:
    """Read and analyse the recordings of one device.

    Parameters
    ----------
    paths : sequence of Path
        The files. Files named in the options may be among them.
    options : CaptureOptions

    Raises
    ------
    InputError
        With one problem for each thing that is wrong.
    """
    problems = option_problems(options, HERE)
    if not paths:
        problems.append(Problem(HERE, "no files", "at least one file", "correct the device's files in the campaign"))
    if problems:
        raise InputError(problems)
    report: list[str] = []
    files = recorded_files(paths, options, report)
    volts = volts_by_drive(files, options)
    files_on_axis = axis_files(files)
    order = measurement_order(files, files_on_axis, options)
    axis_labels = tuple(file.label for file in files_on_axis)
    rate = files[0].header.sampling_rate
    excitation = excitation_of(options, rate) if options.content == "sweep" else None
    window = time_window(files, options, excitation)
    if problems := length_problems(files, excitation, window):
        raise InputError(problems)
    report.extend(excitation.report if excitation else ["the files are impulse responses: no deconvolution"])
    length = min(file.header.samples for file in files) / rate
    lowest = 1.0 / length if window is None else lowest_valid_frequency(window)
    report.extend(window_report(options, window, lowest))
    deconvolution = None
    bands: tuple[HarmonicBand, ...] = ()
    if excitation is not None and window is not None:
        samples = min(file.header.samples for file in files)
        deconvolution = deconvolution_of(excitation, reference_signal(excitation, files, options), samples, rate)
        lowest = lowest_accurate(deconvolution, excitation, window, max(lowest, excitation.band[0]), report)
        if options.harmonics and files_on_axis:
            bands = bands_of_orders(deconvolution, excitation, window, options.harmonics.orders)
            report.extend(bands_report(bands))
    microphone = _microphone(options, report)
    low, high = _valid_band(rate, lowest, excitation, microphone)
    frequency = frequency_grid(options, low, high, window, length, report)
    sensitivity, lines = pascals_per_full_scale(options)
    report.extend(lines)
    if options.gain or options.gains:
        steps = "".join(f", {step:+g} dB for {drive}" for drive, step in sorted(options.gains.items()))
        report.append(f"gain relative to the calibration removed: {options.gain:+g} dB{steps}")
    if options.loopback is None and excitation is not None:
        report.append("no loopback: the responses include the response of converters and amplifier")
    settings = AnalysisSettings(
        options,
        excitation,
        window,
        frequency,
        microphone,
        sensitivity or (np.sqrt(2) if excitation else 1.0),  # without pascals a full-scale sine is 0 dB, as in AES17
        frozenset(axis_labels if options.harmonics else ()),
        volts,
        bands,
        frozenset(axis_labels),
        (low, high),
    )
    recordings = _analyse_files(settings, files, deconvolution)
    return RecordingSet(
        recordings=recordings,
        frequency=frequency,
        window=window,
        valid_band=(low, high),
        volts=volts,
        has_pascals=sensitivity is not None,
        axis_labels=axis_labels,
        order=order,
        sampling_rate=rate,
        excitation=excitation,
        bands=bands,
        rate_ratio=rate_ratio(files, recordings, axis_labels, excitation, options),
        report=report,
    )


def _microphone(options: CaptureOptions, report: list[str]) -> MicrophoneResponse | None:
    """Return the response of the microphone, if the options name it."""
    if options.microphone is None:
        report.append("microphone not corrected: no calibration of its response given")
        return None
    microphone = microphone_response(options.microphone, options.microphone_gives)
    quantities = "level and phase" if microphone.phase is not None else "level only, its phase is not known"
    report.append(f"microphone corrected by {options.microphone.name}: {quantities}")
    return microphone


def _valid_band(
    sampling_rate: int, lowest: float, excitation: Excitation | None, microphone: MicrophoneResponse | None
) -> tuple[float, float]:
    """Return the limits in Hz between which window, excitation and microphone calibration are valid."""
    band = excitation.band if excitation else (0.0, 0.475 * sampling_rate)
    low, high = max(band[0], lowest), band[1]
    if microphone is not None:
        low, high = max(low, float(microphone.frequency[0])), min(high, float(microphone.frequency[-1]))
    return low, high


def _batches(files: Sequence[RecordedFile]) -> Iterator[list[RecordedFile]]:
    """Yield up to BATCH successive recordings of the same length."""
    batch: list[RecordedFile] = []
    for file in files:
        if batch and (len(batch) == BATCH or file.header.samples != batch[0].header.samples):
            yield batch
            batch = []
        batch.append(file)
    if batch:
        yield batch


def _analyse_files(
    settings: AnalysisSettings, files: Sequence[RecordedFile], deconvolution: Deconvolution | None
) -> tuple[Recording, ...]:
    """Read and analyse all recordings, a few at a time; `deconvolution` is that of the shortest."""
    recordings: list[Recording] = []
    problems: list[Problem] = []
    options, excitation = settings.options, settings.excitation
    channels = [options.channel] if options.loopback is None else [options.channel, options.loopback]
    workers = min(BATCH, os.cpu_count() or 1)
    for batch in _batches(files):
        loaded: list[tuple[RecordedFile, Floats]] = []
        for file in batch:
            try:
                loaded.append((file, read_samples(file.path, file.label, file.header, channels)))
            except InputError as input_error:
                problems.extend(input_error.problems)
        if not loaded or problems:
            continue
        rate = loaded[0][0].header.sampling_rate
        records = np.stack([samples[0] for _, samples in loaded])
        loopbacks = np.stack([samples[1] for _, samples in loaded]) if options.loopback else None
        if excitation is None or deconvolution is None:
            # Zeros before time zero, for a response that begins with its file.
            responses = np.pad(records, ((0, 0), (0, round(0.1 * rate))))
        else:
            samples, reference = records.shape[-1], deconvolution.reference
            if transform_length(samples, reference.size) != deconvolution.length:
                deconvolution = deconvolution_of(excitation, reference, samples, rate)
            responses = impulse_responses(deconvolution, records, loopbacks, workers)
        for row, (file, _) in enumerate(loaded):
            loopback = None if loopbacks is None else loopbacks[row]
            try:
                recordings.append(
                    analyse_recording(settings, file, records[row], loopback, responses[row], deconvolution)
                )
            except ValueError as error:
                fix = "check the recording, and whether the excitation belongs to it"
                problems.append(Problem(file.label, f"no response in it: {error}", "a response", fix))
    if problems:
        raise InputError(problems)
    return tuple(recordings)
