"""Multitone recordings on the reference axis: levels of the tones and of everything between them, at each drive."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.acoustics.nonlinear.intermodulation import (
    MultitoneBands,
    multitone_bands,
    multitone_ratio,
    strongest_unlisted_lines,
)
from anechain.acoustics.recording.calibration import interpolate_microphone_response
from anechain.acoustics.recording.stated_signals import level_error_by_drive
from anechain.arrays import Floats
from anechain.errors import InputError, Problem
from anechain.hooks import Check, Reading, check_result, drive_errors_text
from anechain_capture.drives import volts_by_drive
from anechain_capture.files import HERE, RecordedFile, recorded_files
from anechain_capture.microphone import MicrophoneResponse, microphone_response, pascals_per_full_scale
from anechain_capture.options import CaptureOptions, Multitone, option_problems
from anechain_capture.sound_files import read_header, read_samples

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["MULTITONE_METHODS", "read_multitone"]

MULTITONE_METHODS = ("level-by-drive", "multitone-bands", "multitone-ratio", "unlisted-lines")
"""Ids of the methods that reading a multitone signal uses."""


@dataclass(frozen=True)
class _Recording:
    """Powers of one recording.

    Attributes
    ----------
    bands : MultitoneBands
        Mean squares by band and by tone; full scale is 1.
    noise : numpy.ndarray, shape (bands,)
        Mean square of the silence between the tones; NaN without a recording of silence.
    unlisted : (numpy.ndarray, numpy.ndarray)
        Level in dB re the tone, and frequency in Hz, of the strongest line that is not listed, near each tone.
    """

    bands: MultitoneBands
    noise: Floats
    unlisted: tuple[Floats, Floats]


def read_multitone(paths: Sequence[Path], options: CaptureOptions) -> Reading:
    """Read recordings of a multitone signal on the reference axis, one for each drive.

    Parameters
    ----------
    paths : sequence of Path
        The recordings, in any order. Files named in the options may be among them.
    options : CaptureOptions
        With `content` "multitone".

    Returns
    -------
    Reading
        `multitone`, by its contract; `level_kind` is "spl" if the sensitivity of the microphone is known.

    Raises
    ------
    InputError
        With one problem for each thing that is wrong.
    """
    if problems := option_problems(options, HERE):
        raise InputError(problems)
    signal = options.multitone
    assert signal is not None
    report: list[str] = []
    files = recorded_files(paths, options, report)
    volts = volts_by_drive(files, options)
    if problems := _file_problems(files, volts):
        raise InputError(problems)
    files = sorted(files, key=lambda file: volts[file.drive])
    microphone = None
    if options.microphone is not None:
        microphone = microphone_response(options.microphone, options.microphone_gives)
        report.append(f"microphone corrected by {options.microphone.name}, at tones and mid-band frequencies")
    else:
        report.append("microphone not corrected: no calibration of its response given")
    sensitivity, lines = pascals_per_full_scale(options)
    report.extend(lines)
    recordings = _read_recordings(files, options, signal)
    report.append(
        f"multitone of {len(signal.tones)} tones on the axis, 1/{signal.bands_per_octave} octave bands, lines "
        f"{recordings[0].bands.resolution_hz:.3g} Hz apart; missing where tones leave no line of a band free"
    )
    if options.silence is None:
        report.append("noise between the tones missing: no recording of silence given")
    else:
        report.append(f"noise from {options.silence.name}, in the same bands")
    # Without pascals a full-scale sine, whose mean square is a half, is 0 dB, as in AES17.
    reference = np.sqrt(0.5) if sensitivity is None else REFERENCE_PRESSURE / sensitivity
    gains = [options.gain + options.gains.get(file.drive, 0.0) for file in files]
    offsets = np.array([-gain - 20 * np.log10(reference) for gain in gains])
    dataset = _dataset(recordings, offsets, np.array(signal.tones), microphone)
    dataset = dataset.assign_coords(drive=[volts[file.drive] for file in files])
    dataset.attrs["level_kind"] = "relative" if sensitivity is None else "spl"
    return Reading(multitone=dataset, report=tuple(report), checks=_checks(files, recordings, dataset, signal))


def _file_problems(files: Sequence[RecordedFile], volts: Mapping[str, float]) -> list[Problem]:
    """Return problems of recordings that are not on the axis, or whose drive is not known or repeated."""
    problems = []
    label_of_drive: dict[str, str] = {}
    for file in files:
        if file.direction.angle != 0:
            what = f"a multitone recording at {file.direction.angle:g}°"
            problems.append(Problem(file.label, what, "recordings on the reference axis", "leave it out"))
        elif file.drive not in volts:
            fix = "set the option `drive`, or `drives` for several"
            problems.append(Problem(file.label, "its drive is not known", "V r.m.s. of the whole signal", fix))
        elif file.drive in label_of_drive:
            what = f"has the same drive as {label_of_drive[file.drive]}"
            problems.append(Problem(file.label, what, "one recording for each drive", "leave one of them out"))
        else:
            label_of_drive[file.drive] = file.label
    return problems


def _read_silence(files: Sequence[RecordedFile], options: CaptureOptions) -> Floats | None:
    """Return the recording of silence, shape (samples,), if the options name it."""
    if options.silence is None:
        return None
    label = options.silence.name
    header = read_header(options.silence, label)
    rate = files[0].header.sampling_rate
    if header.sampling_rate != rate:
        what = f"{header.sampling_rate} Hz, but the recordings have {rate} Hz"
        raise InputError.single(label, what, "one sampling rate", "record the silence at the rate of the signal")
    silence: Floats = read_samples(options.silence, label, header, [options.channel])[0]
    return silence


def _read_recordings(files: Sequence[RecordedFile], options: CaptureOptions, signal: Multitone) -> list[_Recording]:
    """Read recordings one at a time, and keep only their powers.

    Raises
    ------
    InputError
        With the problems of all recordings.
    """
    recordings: list[_Recording] = []
    problems: list[Problem] = []
    silence = _read_silence(files, options)
    for file in files:
        rate = file.header.sampling_rate
        try:
            record = read_samples(file.path, file.label, file.header, [options.channel])[0]
            start, stop = round(signal.settle * rate), record.size - round(signal.cut * rate)
            if stop - start < 2:
                raise ValueError(f"nothing is left of {record.size / rate:.3g} s after `settle` and `cut`")
            bands = _bands(record[start:stop], rate, signal)
            noise = np.full(bands.between.shape, np.nan)
            if silence is not None:
                # Of the length of the recording, so that the tones cover the same share of lines.
                part = silence[: stop - start]
                if part.size < stop - start:
                    raise ValueError(
                        f"its steady part of {(stop - start) / rate:.3g} s is longer than the recording of silence"
                    )
                noise = _bands(part, rate, signal).between
            recordings.append(
                _Recording(bands, noise, strongest_unlisted_lines(record[start:stop], rate, signal.tones))
            )
        except InputError as input_error:
            problems.extend(input_error.problems)
        except ValueError as error:
            fix = "correct the option `multitone`, or record longer"
            problems.append(Problem(file.label, str(error), "a long enough recording of the listed tones", fix))
    if problems:
        raise InputError(problems)
    return recordings


def _bands(record: Floats, sampling_rate: int, signal: Multitone) -> MultitoneBands:
    return multitone_bands(record, sampling_rate, signal.tones, signal.bands_per_octave)


def _checks(
    files: Sequence[RecordedFile], recordings: Sequence[_Recording], dataset: xr.Dataset, signal: Multitone
) -> tuple[Check, ...]:
    """Check the tones against the listed tones, and the levels against the stated drives."""
    strongest = []
    for file, recording in zip(files, recordings, strict=True):
        level, frequency = recording.unlisted
        if np.isfinite(level).any():
            tone = int(np.nanargmax(level))
            strongest.append((float(level[tone]), file.label, signal.tones[tone], float(frequency[tone])))
    checks = []
    if strongest:
        ratio, label, tone_frequency, line = max(strongest)
        text = f"at most {ratio:.1f} dB re the tone at {tone_frequency:g} Hz, at {line:.5g} Hz of {label}"
        if ratio > -10:
            text += ": either a tone that was played is not listed, or the listed tone was not played"
        checks.append(check_result("tones", text, [(label, level) for level, label, *_ in strongest]))
    volts = dataset["drive"].values
    if len(volts) > 1:
        errors = level_error_by_drive(dataset["tone_level"].values, volts)
        text = f"level of the tones against stated drives, re the lowest drive: {drive_errors_text(volts, errors)}"
        values = [(file.label, abs(error)) for file, error in zip(files, errors, strict=True)]
        checks.append(check_result("drive", text, values))
    return tuple(checks)


def _microphone_level(microphone: MicrophoneResponse | None, frequency: Floats) -> Floats:
    """Return the response of the microphone in dB; NaN outside its calibration."""
    if microphone is None:
        return np.zeros(frequency.size)
    inside = (frequency >= microphone.frequency[0]) & (frequency <= microphone.frequency[-1])
    level = np.full(frequency.size, np.nan)
    gain = interpolate_microphone_response(frequency[inside], microphone.frequency, microphone.level, microphone.phase)
    level[inside] = 20 * np.log10(np.abs(gain))
    return level


def _dataset(
    recordings: Sequence[_Recording], offsets: Floats, tones: Floats, microphone: MicrophoneResponse | None
) -> xr.Dataset:
    """Return the dataset of all recordings, without the coordinate drive.

    `offsets` are what is added to the level of each recording in dB re full scale; `tones` are frequencies in Hz.
    """
    import xarray as xr

    centres = recordings[0].bands.centre_hz
    microphone_level = _microphone_level(microphone, centres)

    def levels(powers: Sequence[Floats], response: Floats) -> Floats:
        values = np.stack(powers)
        with np.errstate(divide="ignore"):
            level = 10 * np.log10(values) + offsets[:, np.newaxis] - response
        # A band without a tone has no level of tones.
        return np.where(np.isfinite(level), level, np.nan)

    correction = 10 ** (-microphone_level / 10)
    tone_level = levels([recording.bands.tone_powers for recording in recordings], _microphone_level(microphone, tones))
    between = [recording.bands.between * correction for recording in recordings]
    tone_power = [10 ** (row / 10) for row in tone_level]
    dims = ("drive", "frequency")
    return xr.Dataset(
        {
            "tones": (dims, levels([recording.bands.tones for recording in recordings], microphone_level)),
            "between": (dims, levels([recording.bands.between for recording in recordings], microphone_level)),
            "noise": (dims, levels([recording.noise for recording in recordings], microphone_level)),
            "free": (dims, np.stack([recording.bands.free for recording in recordings])),
            "tone_level": (("drive", "tone"), tone_level),
            "level": ("drive", np.array([10 * np.log10(np.nansum(power)) for power in tone_power])),
            "ratio": (
                "drive",
                np.array(
                    [
                        multitone_ratio(np.nan_to_num(power), 10 ** (offset / 10) * rest)
                        for power, offset, rest in zip(tone_power, offsets, between, strict=True)
                    ]
                ),
            ),
        },
        coords={"tone": tones, "frequency": centres},
    )
