"""Read the recordings of one device, a few at a time, and put them together."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.acoustics.curve.smoothing import smooth
from anechain.acoustics.recording.complex_smoothing import complex_smooth
from anechain.acoustics.recording.takes import JoinedTakes, join_takes
from anechain.acoustics.recording.time_windows import Window, lowest_valid_frequency
from anechain.acoustics.recording.transforms import level_and_phase
from anechain.arrays import Floats
from anechain.assemble import Curve, assemble_responses
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain.importing.direction_options import JOINING
from anechain_capture.checking import CHECK_METHODS, Ratio, check_captures, ratio_of
from anechain_capture.corrections import microphone_response, pascals_per_full_scale
from anechain_capture.excitations import Excitation, excitation_of, impulse_responses
from anechain_capture.files import (
    HERE,
    RecordedFile,
    axis_files,
    length_problems,
    recorded_files,
    take_of,
    volts_by_word,
)
from anechain_capture.hearing import Common, Heard, heard
from anechain_capture.measuring_order import Measured, measuring_order
from anechain_capture.options import CaptureOptions, option_problems
from anechain_capture.recordings import samples_of
from anechain_capture.windows import frequencies_of, said_of_window, window_of

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["METHODS", "Captured", "captured", "read"]


BATCH = 4
"""Recordings in memory at a time: enough to keep the transforms busy, few enough for long ones."""
METHODS = (
    *JOINING,
    *CHECK_METHODS,
    "arrival-time",
    "calibrator-sensitivity",
    "complex-smoothing",
    "deconvolution",
    "fractional-octave-smoothing",
    "harmonic-advance",
    "harmonic-orders",
    "lowest-valid-frequency",
    "microphone-correction",
    "polarity",
    "regularised-inverse",
    "response-noise",
    "spectrum-at-frequencies",
    "steady-amplitude",
    "swept-sine",
    "time-window",
)


@dataclass(frozen=True)
class Captured:
    """All recordings of a device, as the checks of the captures need them.

    Attributes
    ----------
    heard : tuple of Heard
        By file name.
    frequency : numpy.ndarray
        Hz.
    window : Window or None
        None where whole impulse responses counted.
    valid : (float, float)
        Hz between which the responses mean something.
    volts : dict of str to float
        Drive of each word, where it is known.
    pascals : bool
        Whether the spectra are in pascals.
    on_axis : tuple of str
        Labels of the recordings on the axis, of one orbit at each drive.
    measured : Measured or None
        Those recordings in the order they were measured, if it is known.
    sampling_rate : int
        Hz, of all of them.
    excitation : Excitation or None
        None for impulse responses.
    ratio : Ratio or None
        Another sampling rate that the recordings fit better; None if there is none.
    report : list of str
        What was done.
    """

    heard: tuple[Heard, ...]
    frequency: Floats
    window: Window | None
    valid: tuple[float, float]
    volts: Mapping[str, float]
    pascals: bool
    on_axis: tuple[str, ...]
    measured: Measured | None
    sampling_rate: int
    excitation: Excitation | None
    ratio: Ratio | None
    report: list[str]


def _batches(files: Sequence[RecordedFile]) -> Iterator[list[RecordedFile]]:
    """Up to BATCH successive recordings of one length."""
    batch: list[RecordedFile] = []
    for file in files:
        if batch and (len(batch) == BATCH or file.header.samples != batch[0].header.samples):
            yield batch
            batch = []
        batch.append(file)
    if batch:
        yield batch


def _listen(common: Common, files: Sequence[RecordedFile]) -> tuple[Heard, ...]:
    """Go through all recordings, a few at a time."""
    found: list[Heard] = []
    problems: list[Problem] = []
    options, excitation = common.options, common.excitation
    channels = [options.channel] if options.loopback is None else [options.channel, options.loopback]
    workers = min(BATCH, os.cpu_count() or 1)
    for batch in _batches(files):
        loaded: list[tuple[RecordedFile, Floats]] = []
        for file in batch:
            try:
                loaded.append((file, samples_of(file.path, file.label, file.header, channels)))
            except InputError as input_error:
                problems.extend(input_error.problems)
        if not loaded or problems:
            continue
        rate = loaded[0][0].header.sampling_rate
        records = np.stack([values[0] for _, values in loaded])
        loopbacks = np.stack([values[1] for _, values in loaded]) if options.loopback else None
        if excitation is None:
            # Room before time zero, for a response that begins with its file.
            responses = np.pad(records, ((0, 0), (0, round(0.1 * rate))))
        else:
            responses = impulse_responses(excitation, records, loopbacks, rate, workers)
        for row, (file, _) in enumerate(loaded):
            loopback = None if loopbacks is None else loopbacks[row]
            try:
                found.append(heard(common, file, records[row], loopback, responses[row]))
            except ValueError as error:
                fix = "check the recording, and that it is of this excitation"
                problems.append(Problem(file.label, f"no response in it: {error}", "a response", fix))
    if problems:
        raise InputError(problems)
    return tuple(found)


def captured(paths: Sequence[Path], options: CaptureOptions) -> Captured:
    """Go through the recordings of one device.

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
    volts = volts_by_word(files, options)
    axis = axis_files(files)
    measured = measuring_order(files, axis, options)
    on_axis = tuple(file.label for file in axis)
    rate = files[0].header.sampling_rate
    excitation = excitation_of(options, rate) if options.content == "sweep" else None
    window = window_of(files, options, excitation)
    if problems := length_problems(files, excitation, window):
        raise InputError(problems)
    report.extend(excitation.report if excitation else ["the files are impulse responses: nothing is deconvolved"])
    length = min(file.header.samples for file in files) / rate
    lowest = 1.0 / length if window is None else lowest_valid_frequency(window)
    report.extend(said_of_window(options, window, lowest))
    band = excitation.band if excitation else (0.0, 0.475 * rate)
    low, high = max(band[0], lowest), band[1]
    microphone = None
    if options.microphone is not None:
        microphone = microphone_response(options.microphone, options.microphone_gives)
        low, high = max(low, float(microphone.frequency[0])), min(high, float(microphone.frequency[-1]))
        phase = "level and phase" if microphone.phase is not None else "level only, its phase is not known"
        report.append(f"microphone corrected by {options.microphone.name}: {phase}")
    else:
        report.append("microphone not corrected: no calibration of its response given")
    frequency = frequencies_of(options, low, high, window, length, report)
    sensitivity, lines = pascals_per_full_scale(options)
    report.extend(lines)
    if options.gain or options.gains:
        steps = "".join(f", {step:+g} dB for {word}" for word, step in sorted(options.gains.items()))
        report.append(f"gain above that of the calibration taken off: {options.gain:+g} dB{steps}")
    if options.loopback is None and excitation is not None:
        report.append("no loopback: what converters and amplifier do to the signal is in the responses")
    common = Common(
        options,
        excitation,
        window,
        frequency,
        microphone,
        sensitivity or (np.sqrt(2) if excitation else 1.0),  # without pascals a full-scale sine is 0 dB, as in AES17
        frozenset(on_axis if options.harmonics else ()),
        volts,
    )
    found, pascals = _listen(common, files), sensitivity is not None
    ratio = ratio_of(files, found, on_axis, excitation, options)
    told = frequency, window, (low, high), volts, pascals, on_axis, measured, rate, excitation, ratio
    return Captured(found, *told, report)


def _chosen_drive(captures: Captured, options: CaptureOptions) -> str:
    """Word of the drive that the responses are taken from."""
    # Directions count, not recordings: many takes on the axis do not make an orbit.
    counts = Counter(
        drive for drive, *_ in {(one.drive, one.direction.plane, one.direction.angle) for one in captures.heard}
    )
    if options.response_drive is not None:
        word = options.response_drive.strip().casefold()
        if word not in counts:
            raise InputError.single(
                HERE,
                f"option `response_drive`: no recording has the drive {word!r}",
                ", ".join(sorted(counts)),
                "correct the word, or leave it out",
            )
        return word
    most = max(counts.values())
    # Of drives with equally many directions the one closest to 2.83 V, the reference.
    return min(
        (word for word, count in counts.items() if count == most),
        key=lambda word: (abs(np.log(captures.volts.get(word, 1e9) / 2.83)), word),
    )


def _curve(one: Heard, captures: Captured, options: CaptureOptions) -> Curve:
    spectrum = one.spectrum
    wanted = options.smoothing
    if wanted is not None and wanted.kind == "complex":
        spectrum = complex_smooth(captures.frequency, spectrum, wanted.fraction)
    level, phase = level_and_phase(spectrum, REFERENCE_PRESSURE if captures.pascals else 1.0)
    if wanted is not None and wanted.kind == "power":
        level = smooth(captures.frequency, level, wanted.fraction)
    arrival = one.facts.arrival - options.latency / 1e3
    direction = one.direction
    place = direction.plane, direction.angle
    return Curve(*place, captures.frequency, level, phase, one.label, arrival, take_of(direction))


def _harmonics(captures: Captured, report: list[str]) -> xr.Dataset | None:
    """Levels of the harmonic orders on the axis, by drive."""
    import xarray as xr

    told = [one for one in captures.heard if one.orders is not None]
    if not told:
        report.append("no harmonics: no recording on the axis")
        return None
    if unknown := [one.label for one in told if one.drive not in captures.volts]:
        raise InputError(
            Problem(
                label,
                "harmonics are asked for, and its drive is not known",
                "volts r.m.s. of the sweep at the loudspeaker's terminals",
                "state the option `drive`, or `drives` for several",
            )
            for label in unknown
        )
    by_drive: dict[str, list[Heard]] = {}
    for one in sorted(told, key=lambda one: captures.volts[one.drive]):
        by_drive.setdefault(one.drive, []).append(one)
    reference = REFERENCE_PRESSURE if captures.pascals else 1.0
    joined = {drive: _joined_orders(takes, "orders", reference) for drive, takes in by_drive.items()}
    noises = [_joined_orders(takes, "orders_noise", reference).level for takes in by_drive.values()]
    level, noise = np.stack([one.level for one in joined.values()]), np.stack(noises)
    dims = ("drive", "order", "frequency")
    volts = [captures.volts[drive] for drive in by_drive]
    count = level.shape[1]
    report.append(
        f"harmonic orders 1 to {count} on the axis at {', '.join(f'{one:g} V' for one in volts)}, "
        "each at the frequency of the excitation; missing where an order lies beyond the excitation's band or below "
        "what its window tells"
    )
    if np.isnan(noise).all():
        report.append("noise of the harmonics missing: the recordings have no stretch without a response")
    variables: dict[str, tuple[tuple[str, ...], NDArray[np.generic]]] = {"level": (dims, level), "noise": (dims, noise)}
    if any(len(takes) > 1 for takes in by_drive.values()):
        counts = np.array([len(takes) for takes in by_drive.values()], dtype=np.int32)
        spread = np.stack([one.standard_deviation for one in joined.values()])
        variables |= {"takes": (("drive",), counts), "level_std": (dims, spread)}
        listed = ", ".join(f"{number} at {one:g} V" for number, one in zip(counts, volts, strict=True))
        report.append(f"takes on the axis joined for the harmonics by their mean squared pressure: {listed}")
    return xr.Dataset(
        variables,
        coords={
            "drive": volts,
            "order": np.arange(1, count + 1, dtype=np.int64),
            "frequency": captures.frequency,
        },
    )


def _joined_orders(takes: Sequence[Heard], name: str, reference: float) -> JoinedTakes:
    """Levels of the orders, or of the noise beside them, at one drive."""
    with np.errstate(divide="ignore"):
        levels = 20 * np.log10(np.stack([getattr(one, name) for one in takes]) / reference)
    if len(takes) > 1:
        return join_takes(levels)
    return JoinedTakes(levels[0], np.full(levels.shape[1:], np.nan), None)


def _takes(captures: Captured, options: CaptureOptions, report: list[str]) -> xr.Dataset | None:
    """Each recording on the axis for itself, in the order they were measured."""
    import xarray as xr

    if len(captures.on_axis) < 2:
        return None
    if captures.measured is None:
        report.append(
            "takes on the axis not listed in their order: nothing says in which they were measured (option `order`, "
            "field {order}, columns order or started of the manifest)"
        )
        return None
    told = {one.label: one for one in captures.heard}
    takes = [told[label] for label in captures.measured.labels]
    if unknown := sorted({one.drive for one in takes} - captures.volts.keys()):
        drives = ", ".join(map(repr, unknown)) if any(unknown) else "the drive"
        report.append(f"takes on the axis not listed in their order: volts of {drives} not known")
        return None
    levels = np.stack([_curve(one, captures, options).level for one in takes])
    volts = [captures.volts[one.drive] for one in takes]
    report.append(f"takes on the axis in the order they were measured: {', '.join(f'{one:g} V' for one in volts)}")
    if np.isnan(captures.measured.started).any():
        report.append("times of takes missing: when they were started is not known, or not of all")
    return xr.Dataset(
        {
            "level": (("take", "frequency"), levels),
            "drive": ("take", np.array(volts)),
            "started": ("take", np.array(captures.measured.started)),
            "recording": ("take", np.array(captures.measured.labels, dtype=object)),
        },
        coords={"take": np.arange(1, len(takes) + 1, dtype=np.int64), "frequency": captures.frequency},
    )


def _said_of_arrivals(curves: Sequence[Curve], options: CaptureOptions) -> list[str]:
    arrivals = [curve.arrival for curve in curves if curve.arrival is not None]
    since = "the start of the impulse response" if options.content != "sweep" else "the start of the recording"
    if options.loopback is not None:
        since = "the loopback"
    taken = f", the stated latency of {options.latency:g} ms taken off" if options.latency else ""
    return [
        "phase is relative to the arrival of the sound in each direction; the delay is kept in `arrival`, counted from "
        f"{since}{taken}: {1e3 * min(arrivals):.4f} to {1e3 * max(arrivals):.4f} ms"
    ]


def read(paths: Sequence[Path], options: CaptureOptions) -> Reading:
    """Read the recordings of one device, one direction and drive each.

    Parameters
    ----------
    paths : sequence of Path
        The recordings, in any order; files named in the options may be among them.
    options : CaptureOptions
        How they were made and are named.

    Returns
    -------
    Reading
        `responses` with level, phase and arrival, `level_kind` "spl" if the microphone's sensitivity is known and
        "relative" if not; `harmonics` if they are asked for; `takes` where several recordings are on the axis and
        the order in which they were measured is known; `checks` of the recordings.

    Raises
    ------
    InputError
        With one problem for each thing that is wrong.
    """
    captures = captured(paths, options)
    report = captures.report
    word = _chosen_drive(captures, options)
    curves = [_curve(one, captures, options) for one in captures.heard if one.drive == word]
    others = sorted({one.drive for one in captures.heard} - {word})
    if others:
        held = f"{captures.volts[word]:g} V" if word in captures.volts else repr(word)
        report.append(f"responses taken from the drive of {held}; recordings at other drives: {', '.join(others)}")
    if options.smoothing is not None:
        report.append(f"smoothed over 1/{options.smoothing.fraction:g} octave ({options.smoothing.kind})")
    else:
        report.append("not smoothed")
    responses = assemble_responses(curves, report)
    report.extend(_said_of_arrivals(curves, options))
    harmonics = _harmonics(captures, report) if options.harmonics else None
    takes = _takes(captures, options, report)
    for beside in (harmonics, takes):
        if beside is not None:
            beside.attrs["level_kind"] = "spl" if captures.pascals else "relative"
    if options.harmonics is None and options.content == "sweep":
        report.append("harmonics not separated: not asked for")
    for data in (responses, harmonics, takes):
        if data is not None:
            data.attrs["level_kind"] = "spl" if captures.pascals else "relative"
            data.attrs["valid_low"], data.attrs["valid_high"] = captures.valid
    if word in captures.volts:
        responses.attrs["drive"] = captures.volts[word]
    checks = check_captures(captures, word, options)
    return Reading(responses=responses, report=tuple(report), harmonics=harmonics, takes=takes, checks=checks)
