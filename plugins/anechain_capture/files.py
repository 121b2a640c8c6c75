"""Which recordings there are, which direction and drive each belongs to, and whether they can be used at all."""

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
from anechain.importing.file_labels import labelled
from anechain.importing.report_lines import gathered_notes
from anechain_capture.excitations import Excitation
from anechain_capture.options import CaptureOptions
from anechain_capture.recordings import Header, header_of

__all__ = ["HERE", "RecordedFile", "axis_files", "length_problems", "recorded_files", "take_of", "volts_by_word"]

HERE = "importer capture"


@dataclass(frozen=True)
class RecordedFile:
    """One recording, before it is read."""

    label: str
    path: Path
    header: Header
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
    """Recordings with their directions and headers, whatever is wrong with them gathered."""
    folder, files = labelled(paths)
    beside = {Path(os.path.abspath(folder / path)) for path in options.companion_files()}  # noqa: PTH100
    for label in [label for label, path in files.items() if path in beside]:
        del files[label]
        report.append(f"{label} is named in the options, and is no recording of a direction")
    if not files:
        raise InputError.single(HERE, "no recordings", "at least one", "correct the device's files in the campaign")
    directions: dict[str, Direction] = {}
    problems: list[Problem] = []
    if options.manifest is not None:
        text = _manifest_text(options.manifest)
        directions, problems = directions_of_manifest(text, options.manifest.name, files, options)
    headers: dict[str, Header] = {}
    for label, path in files.items():
        if options.pattern is not None:
            try:
                directions[label] = direction_of_name(path, label, options)
            except InputError as input_error:
                problems.extend(input_error.problems)
        try:
            headers[label] = header_of(path, label)
        except InputError as input_error:
            problems.extend(input_error.problems)
    usual = Counter(header.sampling_rate for header in headers.values()).most_common(1)
    for label, header in headers.items():
        if header.sampling_rate != usual[0][0]:
            what = f"{header.sampling_rate} Hz, where most recordings have {usual[0][0]} Hz"
            problems.append(Problem(label, what, "one sampling rate for a device", "record or export it again"))
    if not problems:
        problems = _given_twice(directions)
    if problems:
        raise InputError(problems)
    report.extend(gathered_notes({label: directions[label].notes for label in files}))
    report.extend(gathered_notes({label: [f"read as {headers[label].encoding}"] for label in files}))
    return [
        RecordedFile(label, path, headers[label], directions[label], directions[label].labels.get("drive", ""))
        for label, path in files.items()
    ]


def take_of(direction: Direction) -> str:
    """Word that tells a recording from others of its direction and drive: its take's, or its place in the order."""
    order = direction.labels.get("order", "")
    return direction.take or (f"number {order}" if order else "")


def _given_twice(directions: Mapping[str, Direction]) -> list[Problem]:
    """Recordings of a direction and drive that are not told apart as takes."""
    problems = []
    known: dict[tuple[str, float, str], dict[str, str]] = {}
    for label, one in sorted(directions.items()):
        drive = one.labels.get("drive", "")
        takes = known.setdefault((one.plane, one.angle, drive), {})
        take = take_of(one)
        if takes and (not take or "" in takes or take in takes):
            first = takes.get(take) or next(iter(takes.values()))
            at = f" at the drive {drive!r}" if drive else ""
            problems.append(
                Problem(
                    label,
                    f"{one.plane} {one.angle:g}°{at} is given twice, the first time by {first}",
                    "each direction and drive once, or each take under a word of its own",
                    "remove one of the two, or tell takes apart by {take} or {order}, in names or manifest",
                )
            )
        takes.setdefault(take, label)
    return problems


def axis_files(files: Sequence[RecordedFile]) -> list[RecordedFile]:
    """The recordings on the axis: at each drive those of the horizontal orbit, of the vertical where it has none."""
    on_axis = [file for file in files if file.direction.angle == 0.0]
    horizontal = {file.drive for file in on_axis if file.direction.plane == "horizontal"}
    return [file for file in on_axis if file.direction.plane == "horizontal" or file.drive not in horizontal]


def volts_by_word(files: Sequence[RecordedFile], options: CaptureOptions) -> dict[str, float]:
    """Volts of each word of {drive}, where they are known."""
    volts: dict[str, float] = {}
    problems = []
    for word in sorted({file.drive for file in files}):
        if word in options.drives:
            volts[word] = options.drives[word]
        elif word == "":
            if options.drive is not None:
                volts[word] = options.drive
        else:
            try:
                number = float(word.replace(",", ".").removesuffix("v"))
            except ValueError:
                number = 0.0
            if number > 0:
                volts[word] = number
            else:
                label = next(file.label for file in files if file.drive == word)
                allowed = ", ".join(options.drives) or "a number of volts"
                fix = "add the word to the option `drives`"
                problems.append(Problem(label, f"the word {word!r} in the place of {{drive}}", allowed, fix))
    for name in ("drives", "gains"):
        for word in sorted(getattr(options, name).keys() - {file.drive for file in files}):
            what = f"option `{name}`: no recording has the drive {word!r}"
            problems.append(Problem(HERE, what, ", ".join(sorted(volts)), "correct the word, or leave it out"))
    if problems:
        raise InputError(problems)
    if options.drive is not None and "" not in volts:
        raise InputError.single(
            HERE, "option `drive` beside a field {drive}", "one of the two", "leave out the option `drive`"
        )
    return volts


def length_problems(
    files: Sequence[RecordedFile], excitation: Excitation | None, window: Window | None
) -> list[Problem]:
    """Recordings that end before the sweep does, or are shorter than the window."""
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
