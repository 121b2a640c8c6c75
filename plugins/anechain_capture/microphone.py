"""Microphone: its response from a text file, and its sensitivity from the recording of a sound calibrator."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from anechain.acoustics.recording.calibration import calibrator_tone
from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.number_rows import numbers_of_line
from anechain_capture.options import CaptureOptions
from anechain_capture.sound_files import read_header, read_samples

__all__ = ["MicrophoneResponse", "microphone_response", "pascals_per_full_scale"]


MAX_RESIDUAL = 0.1
"""Largest accepted share of noise in the recording of a calibrator."""
MAX_SPREAD_DB = 0.2
"""Largest accepted variation of the level of a calibrator's tone in dB."""


@dataclass(frozen=True)
class MicrophoneResponse:
    """Response of a microphone.

    Attributes
    ----------
    frequency : numpy.ndarray, shape (frequencies,)
        Hz, rising.
    level : numpy.ndarray, shape (frequencies,)
        dB.
    phase : numpy.ndarray or None
        Degrees; None if it is not known.
    """

    frequency: Floats
    level: Floats
    phase: Floats | None


def microphone_response(path: Path, gives: str) -> MicrophoneResponse:
    """Read the response of a microphone from its calibration file.

    Parameters
    ----------
    path : Path
        Text: lines of two or three numbers, separated by blanks, tabs, commas or semicolons, with decimal points
        or, where no comma separates, decimal commas. Lines that do not begin with a number are ignored.
    gives : str
        "response", or "correction" for its negative.

    Raises
    ------
    InputError
        If the file cannot be read or a line is wrong.
    """
    label = path.name
    rows: list[list[float]] = []
    try:
        text = path.read_text(encoding="utf-8-sig", errors="replace")
    except OSError as error:
        raise InputError.single(
            label, f"cannot be read: {error.strerror}", fix="check the option `microphone`"
        ) from None
    for number, line in enumerate(text.splitlines(), start=1):
        row = numbers_of_line(line)
        if row is None:
            if line.strip()[:1].isdigit():
                what, fix = f"line {number}: {line.strip()[:60]!r} is not a row of numbers", "correct the line"
                raise InputError.single(label, what, "frequency, dB and, if known, degrees", fix)
            continue
        if not row:
            continue
        if len(row) not in (2, 3) or (rows and len(row) != len(rows[0])) or not all(map(math.isfinite, row)):
            what = f"line {number}: {line.strip()[:60]!r}"
            raise InputError.single(
                label, what, "two numbers in every line, or three in every line", "correct the line"
            )
        if row[0] <= 0 or (rows and row[0] <= rows[-1][0]):
            what = f"line {number}: the frequency {row[0]:g} Hz is not above the previous one, or not above 0 Hz"
            raise InputError.single(label, what, "rising frequencies above 0 Hz", "sort the lines")
        rows.append(row)
    if len(rows) < 2:
        raise InputError.single(label, "no calibration", "at least two lines of frequency and dB", "check the file")
    columns = np.array(rows).T
    sign = 1.0 if gives == "response" else -1.0
    return MicrophoneResponse(columns[0], sign * columns[1], sign * columns[2] if len(columns) > 2 else None)


def pascals_per_full_scale(options: CaptureOptions) -> tuple[float | None, list[str]]:
    """Return the sound pressure of full scale.

    Returns
    -------
    sensitivity : float or None
        Pa; None if it is not known.
    report : list of str
        Lines of the import report.

    Raises
    ------
    InputError
        If the recording of the calibrator cannot be read, or is not a steady tone.
    """
    if options.sensitivity is not None:
        return options.sensitivity, [f"full scale is {options.sensitivity:g} Pa, by the options"]
    if options.calibrator is None:
        return None, [
            "no calibration given: levels are relative, 0 dB is a full-scale sine (of impulse responses: a gain of 1)"
        ]
    label = options.calibrator.name
    header = read_header(options.calibrator, label)
    record = read_samples(options.calibrator, label, header, [options.calibrator_channel])[0]
    expected = f"a steady tone of {options.calibrator_frequency:g} Hz"
    fix = "record the calibrator again, with a tight fit on the microphone, or correct `calibrator_frequency`"
    try:
        tone = calibrator_tone(record, header.sampling_rate, options.calibrator_level, options.calibrator_frequency)
    except ValueError as error:
        raise InputError.single(label, str(error), expected, fix) from None
    if tone.residual > MAX_RESIDUAL:
        raise InputError.single(
            label, f"{100 * tone.residual:.1f} % of the recording is not the calibrator's tone", expected, fix
        )
    if tone.spread > MAX_SPREAD_DB:
        raise InputError.single(label, f"the tone's level varies by {tone.spread:.2f} dB", expected, fix)
    return tone.sensitivity, [
        f"full scale is {tone.sensitivity:.5g} Pa: calibrator of {options.calibrator_level:g} dB at "
        f"{tone.frequency:.1f} Hz in {label}, {100 * tone.residual:.2g} % noise, level varies by "
        f"{tone.spread:.2g} dB"
    ]
