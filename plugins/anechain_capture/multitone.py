"""Recordings of a multitone signal on the reference axis: its tones, and what lies between them, by drive."""

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
    unlisted_lines,
)
from anechain.acoustics.recording.calibration import correction_at
from anechain.acoustics.recording.stated_signals import level_by_drive
from anechain.arrays import Floats
from anechain.data.checks import Check, drives_in_words, made
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain_capture.corrections import MicrophoneResponse, microphone_response, pascals_per_full_scale
from anechain_capture.files import HERE, RecordedFile, recorded_files, volts_by_word
from anechain_capture.options import CaptureOptions, Multitone, option_problems
from anechain_capture.recordings import header_of, samples_of

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["METHODS", "read_multitone"]

METHODS = ("level-by-drive", "multitone-bands", "multitone-ratio", "unlisted-lines")


@dataclass(frozen=True)
class _Heard:
    """One recording: mean squares re a full scale of 1, by band and by tone; the strongest line beside each tone."""

    bands: MultitoneBands
    noise: Floats
    beside: tuple[Floats, Floats]


def read_multitone(paths: Sequence[Path], options: CaptureOptions) -> Reading:
    """Read recordings of a multitone signal on the reference axis, one for each drive.

    Parameters
    ----------
    paths : sequence of Path
        The recordings, in any order; files named in the options may be among them.
    options : CaptureOptions
        With `content` "multitone".

    Returns
    -------
    Reading
        `multitone`, as its contract describes; `level_kind` "spl" if the microphone's sensitivity is known.

    Raises
    ------
    InputError
        With one problem for each thing that is wrong.
    """
    if problems := option_problems(options, HERE):
        raise InputError(problems)
    assert options.multitone is not None
    report: list[str] = []
    files = recorded_files(paths, options, report)
    volts = volts_by_word(files, options)
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
    heard, problems = _listen(files, options, options.multitone)
    if problems:
        raise InputError(problems)
    report.append(
        f"multitone of {len(options.multitone.tones)} tones on the axis, 1/{options.multitone.bands_per_octave} octave "
        f"bands, lines {heard[0].bands.resolution_hz:.3g} Hz apart; missing where tones leave no line of a band free"
    )
    if options.silence is None:
        report.append("noise beside the tones missing: no recording of silence given")
    else:
        report.append(f"noise from {options.silence.name}, in the same bands")
    # Without pascals a full-scale sine, whose mean square is a half, is 0 dB, as in AES17.
    reference = np.sqrt(0.5) if sensitivity is None else REFERENCE_PRESSURE / sensitivity
    gains = [options.gain + options.gains.get(file.drive, 0.0) for file in files]
    steps = np.array([-gain - 20 * np.log10(reference) for gain in gains])
    dataset = _dataset(heard, steps, np.array(options.multitone.tones), microphone)
    dataset = dataset.assign_coords(drive=[volts[file.drive] for file in files])
    dataset.attrs["level_kind"] = "relative" if sensitivity is None else "spl"
    return Reading(multitone=dataset, report=tuple(report), checks=_checks(files, heard, dataset, options.multitone))


def _checks(
    files: Sequence[RecordedFile], heard: Sequence[_Heard], dataset: xr.Dataset, signal: Multitone
) -> tuple[Check, ...]:
    """Whether the tones are those that were played, and the levels those of the stated drives."""
    worst = []
    for file, one in zip(files, heard, strict=True):
        level, frequency = one.beside
        if np.isfinite(level).any():
            at = int(np.nanargmax(level))
            worst.append((float(level[at]), file.label, signal.tones[at], float(frequency[at])))
    checks = []
    if worst:
        ratio, label, tone, line = max(worst)
        found = f"at most {ratio:.1f} dB re the tone at {tone:g} Hz, at {line:.5g} Hz of {label}"
        if ratio > -10:
            found += ": is that a tone that was played and is not listed, or this one listed and not played?"
        checks.append(made("tones", found, [(label, level) for level, label, *_ in worst]))
    volts = dataset["drive"].values
    if len(volts) > 1:
        off = level_by_drive(dataset["tone_level"].values, volts)
        found = f"stated drives, by the level of the tones, re the lowest drive: {drives_in_words(volts, off)}"
        checks.append(made("drive", found, [(file.label, abs(by)) for file, by in zip(files, off, strict=True)]))
    return tuple(checks)


def _file_problems(files: Sequence[RecordedFile], volts: Mapping[str, float]) -> list[Problem]:
    problems = []
    first: dict[str, str] = {}
    for file in files:
        if file.direction.angle != 0:
            what = f"a multitone recording at {file.direction.angle:g}°"
            problems.append(Problem(file.label, what, "recordings on the reference axis", "leave it out"))
        elif file.drive not in volts:
            fix = "state the option `drive`, or `drives` for several"
            problems.append(Problem(file.label, "its drive is not known", "volts r.m.s. of the whole signal", fix))
        elif file.drive in first:
            what = f"at the same drive as {first[file.drive]}"
            problems.append(Problem(file.label, what, "one recording for each drive", "leave one of them out"))
        else:
            first[file.drive] = file.label
    return problems


def _listen(
    files: Sequence[RecordedFile], options: CaptureOptions, signal: Multitone
) -> tuple[list[_Heard], list[Problem]]:
    """Go through the recordings one by one; only their bands are kept."""
    heard: list[_Heard] = []
    problems: list[Problem] = []
    silence = None
    if options.silence is not None:
        label = options.silence.name
        header = header_of(options.silence, label)
        if header.sampling_rate != files[0].header.sampling_rate:
            what = f"{header.sampling_rate} Hz, the recordings have {files[0].header.sampling_rate} Hz"
            raise InputError.single(label, what, "one sampling rate", "record the silence as the signal")
        silence = samples_of(options.silence, label, header, [options.channel])[0]
    for file in files:
        rate = file.header.sampling_rate
        try:
            record = samples_of(file.path, file.label, file.header, [options.channel])[0]
            start, stop = round(signal.settle * rate), record.size - round(signal.cut * rate)
            if stop - start < 2:
                raise ValueError(f"nothing is left of {record.size / rate:.3g} s beside `settle` and `cut`")
            bands = _bands(record[start:stop], rate, signal)
            noise = np.full(bands.between.shape, np.nan)
            if silence is not None:
                # As long as the recording, so that the tones cover the same share of it.
                same = silence[: stop - start]
                if same.size < stop - start:
                    raise ValueError(
                        f"its steady part of {(stop - start) / rate:.3g} s is longer than the recording of silence"
                    )
                noise = _bands(same, rate, signal).between
            beside = unlisted_lines(record[start:stop], rate, signal.tones)
            heard.append(_Heard(bands, noise, beside))
        except InputError as input_error:
            problems.extend(input_error.problems)
        except ValueError as error:
            fix = "correct the option `multitone`, or record longer"
            problems.append(Problem(file.label, str(error), "a recording of the tones named, long enough", fix))
    return heard, problems


def _bands(record: Floats, rate: int, signal: Multitone) -> MultitoneBands:
    return multitone_bands(record, rate, signal.tones, signal.bands_per_octave)


def _own(microphone: MicrophoneResponse | None, frequency: Floats) -> Floats:
    """Level in dB that the microphone adds; NaN where its calibration says nothing."""
    if microphone is None:
        return np.zeros(frequency.size)
    inside = (frequency >= microphone.frequency[0]) & (frequency <= microphone.frequency[-1])
    level = np.full(frequency.size, np.nan)
    gain = correction_at(frequency[inside], microphone.frequency, microphone.level, microphone.phase)
    level[inside] = 20 * np.log10(np.abs(gain))
    return level


def _dataset(
    heard: Sequence[_Heard], steps: Floats, tones: Floats, microphone: MicrophoneResponse | None
) -> xr.Dataset:
    import xarray as xr

    centres = heard[0].bands.centre_hz
    own = _own(microphone, centres)

    def level(powers: Sequence[Floats], response: Floats) -> Floats:
        values = np.stack(powers)
        with np.errstate(divide="ignore"):
            found = 10 * np.log10(values) + steps[:, np.newaxis] - response
        # No tone in a band is no level, and no silence is endless.
        return np.where(np.isfinite(found), found, np.nan)

    corrected = 10 ** (-own / 10)
    tone_level = level([one.bands.tone_powers for one in heard], _own(microphone, tones))
    between = [one.bands.between * corrected for one in heard]
    total = [10 ** (row / 10) for row in tone_level]
    dims = ("drive", "frequency")
    return xr.Dataset(
        {
            "tones": (dims, level([one.bands.tones for one in heard], own)),
            "between": (dims, level([one.bands.between for one in heard], own)),
            "noise": (dims, level([one.noise for one in heard], own)),
            "free": (dims, np.stack([one.bands.free for one in heard])),
            "tone_level": (("drive", "tone"), tone_level),
            "level": ("drive", np.array([10 * np.log10(np.nansum(row)) for row in total])),
            "ratio": (
                "drive",
                np.array(
                    [
                        multitone_ratio(np.nan_to_num(row), 10 ** (step / 10) * rest)
                        for row, step, rest in zip(total, steps, between, strict=True)
                    ]
                ),
            ),
        },
        coords={"tone": tones, "frequency": centres},
    )
