"""Recordings of a device: their directions, drives and takes, before their samples are read."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from anechain.acoustics.recording.time_windows import Window
from anechain.errors import InputError, Problem
from anechain.importing.direction_manifest import directions_of_manifest
from anechain.importing.direction_names import Direction, direction_of_name
from anechain.importing.file_labels import label_files
from anechain.importing.report_lines import merge_notes
from anechain_capture.excitation import Excitation
from anechain_capture.options import CaptureOptions
from anechain_capture.sound_files import SoundHeader, read_header

__all__ = ["HERE", "RecordedFile", "axis_files", "length_problems", "recorded_files", "take_word"]

HERE = "importer capture"
"""Name of the importer in error messages."""


@dataclass(frozen=True)
class RecordedFile:
    """One recording, before its samples are read.

    Attributes
    ----------
    label : str
        Name of the file in messages.
    path : Path
    header : SoundHeader
    direction : Direction
    drive : str
        Text of the field {drive}, in lower case; empty if there is no such field.
    """

    label: str
    path: Path
    header: SoundHeader
    direction: Direction
    drive: str


def _manifest_text(path: Path) -> str:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise InputError.single(path.name, f"cannot be read: {error.strerror}", fix="check `manifest`") from None
    except UnicodeDecodeError:
        raise InputError.single(path.name, "is not in UTF-8", "text in UTF-8", "save the manifest as UTF-8") from None
    return text


def recorded_files(paths: Sequence[Path], options: CaptureOptions, report: list[str]) -> list[RecordedFile]:
    """Return the recordings with their directions and headers.

    Parameters
    ----------
    paths : sequence of Path
        The files. Files named in the options may be among them.
    options : CaptureOptions
    report : list of str
        Lines of the import report are appended to it.

    Raises
    ------
    InputError
        With all problems of all files.
    """
    folder, files = label_files(paths)
    companions = {Path(os.path.abspath(folder / path)) for path in options.companion_files()}  # noqa: PTH100
    for label in [label for label, path in files.items() if path in companions]:
        del files[label]
        report.append(f"{label} is named in the options: it is not the recording of a direction")
    if not files:
        raise InputError.single(HERE, "no recordings", "at least one", "correct the device's files in the campaign")
    directions: dict[str, Direction] = {}
    problems: list[Problem] = []
    if options.manifest is not None:
        text = _manifest_text(options.manifest)
        directions, problems = directions_of_manifest(text, options.manifest.name, files, options)
    headers: dict[str, SoundHeader] = {}
    for label, path in files.items():
        if options.pattern is not None:
            try:
                directions[label] = direction_of_name(path, label, options)
            except InputError as input_error:
                problems.extend(input_error.problems)
        try:
            headers[label] = read_header(path, label)
        except InputError as input_error:
            problems.extend(input_error.problems)
    rates = Counter(header.sampling_rate for header in headers.values()).most_common(1)
    for label, header in headers.items():
        if header.sampling_rate != rates[0][0]:
            what = f"{header.sampling_rate} Hz, but most recordings have {rates[0][0]} Hz"
            problems.append(Problem(label, what, "one sampling rate for a device", "record or export it again"))
    if not problems:
        problems = _repeated_directions(directions)
    if problems:
        raise InputError(problems)
    report.extend(merge_notes({label: directions[label].notes for label in files}))
    report.extend(merge_notes({label: [f"read as {headers[label].encoding}"] for label in files}))
    return [
        RecordedFile(label, path, headers[label], directions[label], directions[label].labels.get("drive", ""))
        for label, path in files.items()
    ]


def take_word(direction: Direction) -> str:
    """Return the name of a take: the text of {take}, else its place in the measurement order, else empty."""
    order = direction.labels.get("order", "")
    return direction.take or (f"number {order}" if order else "")


def _repeated_directions(directions: Mapping[str, Direction]) -> list[Problem]:
    """Return problems of recordings of the same direction and drive that are not named as different takes."""
    problems = []
    known: dict[tuple[str, float, str], dict[str, str]] = {}
    for label, direction in sorted(directions.items()):
        drive = direction.labels.get("drive", "")
        takes = known.setdefault((direction.plane, direction.angle, drive), {})
        take = take_word(direction)
        if takes and (not take or "" in takes or take in takes):
            first = takes.get(take) or next(iter(takes.values()))
            at = f" at the drive {drive!r}" if drive else ""
            problems.append(
                Problem(
                    label,
                    f"{direction.plane} {direction.angle:g}°{at} appears twice, first in {first}",
                    "each direction and drive once, or a different name for each take",
                    "remove one of the two, or distinguish takes by {take} or {order} in file names or manifest",
                )
            )
        takes.setdefault(take, label)
    return problems


def axis_files(files: Sequence[RecordedFile]) -> list[RecordedFile]:
    """Return the recordings on the reference axis.

    At each drive, these are recordings of the horizontal orbit or, if it has none at 0°, of the vertical orbit.
    """
    on_axis = [file for file in files if file.direction.angle == 0.0]
    horizontal = {file.drive for file in on_axis if file.direction.plane == "horizontal"}
    return [file for file in on_axis if file.direction.plane == "horizontal" or file.drive not in horizontal]


def length_problems(
    files: Sequence[RecordedFile], excitation: Excitation | None, window: Window | None
) -> list[Problem]:
    """Return problems of recordings that end before the sweep, or are shorter than the window."""
    problems = []
    for file in files:
        length = file.header.samples / file.header.sampling_rate
        if excitation is not None and excitation.signal is not None:
            played = excitation.signal.size / file.header.sampling_rate
            if file.header.samples < excitation.signal.size:
                what = f"a recording of {length:.4g} s, shorter than the sweep of {played:.4g} s"
                problems.append(Problem(file.label, what, "the whole sweep and its decay", "record it again"))
        if window is not None and window.before + window.after > length:
            what = f"{length:.4g} s, shorter than the window of {window.before + window.after:.4g} s"
            problems.append(Problem(file.label, what, "a record at least as long", "shorten the option `window`"))
    return problems
