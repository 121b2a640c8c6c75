"""Read the files of one device and put them together."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from anechain.assemble import Curve, assemble_responses
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain.importing.direction_manifest import directions_of_manifest
from anechain.importing.direction_names import Direction, direction_of_name
from anechain.importing.file_labels import labelled
from anechain.importing.report_lines import gathered_notes
from anechain_delimited.columns import choose_columns
from anechain_delimited.curves import curve_of
from anechain_delimited.decoding import decode
from anechain_delimited.options import DelimitedOptions, option_problems
from anechain_delimited.resampling import on_one_grid, resampled
from anechain_delimited.table import read_table

__all__ = ["read"]

HERE = "importer delimited"


def _bytes_of(path: Path, where: str) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError.single(
            where, f"cannot be read: {error.strerror}", "a readable file", "check its rights and that it exists"
        ) from None


def _content(path: Path, label: str, direction: Direction, options: DelimitedOptions) -> tuple[Curve, list[str]]:
    decoded = decode(_bytes_of(path, label), label, options.encoding)
    table = read_table(
        decoded.text, label, options.separator, options.decimal, options.skip_lines, options.skip_last_lines
    )
    chosen = choose_columns(table, options.columns, label)
    frequency, level, phase, notes = curve_of(table, chosen, options, label)
    curve = Curve(direction.plane, direction.angle, frequency, level, phase, label, take=direction.take)
    return curve, [*direction.notes, *decoded.notes, *table.notes, *chosen.notes, *notes]


def _joined(label: str, found: Sequence[Problem]) -> Problem:
    """One problem that says all that is wrong with a file."""

    def all_of(part: str) -> str:
        return "; ".join(text for problem in found if (text := getattr(problem, part)))

    return Problem(label, all_of("what"), all_of("expected"), all_of("fix"))


def _by_manifest(
    manifest: Path, folder: Path, files: dict[str, Path], options: DelimitedOptions
) -> tuple[dict[str, Direction], list[Problem], list[str]]:
    """Directions by the manifest; the manifest itself is taken out of `files` if it is among them."""
    notes = []
    path = Path(os.path.abspath(folder / manifest))  # noqa: PTH100
    for label in [label for label, file in files.items() if file == path]:
        del files[label]
        notes.append(f"{label} is the manifest, not a curve")
    try:
        text = decode(_bytes_of(path, manifest.name), manifest.name, "auto").text
    except InputError as input_error:
        return {}, list(input_error.problems), notes
    directions, problems = directions_of_manifest(text, manifest.name, files, options)
    return directions, problems, notes


def read(paths: Sequence[Path], options: DelimitedOptions) -> Reading:
    """Read the files of one device, one direction each.

    Parameters
    ----------
    paths : sequence of Path
        The files, in any order; the manifest may be among them.
    options : DelimitedOptions
        How they are named and written.

    Returns
    -------
    Reading
        `responses` with `level_kind` in its attributes: "spl" for pascals, "relative" for a linear scale, and none
        for decibels, since a text file does not say what they refer to. The report has one line for each thing done,
        with the files it was done to.

    Raises
    ------
    InputError
        With one problem for each bad file; with those of the directions together, once each file is good by itself.
    """
    problems = option_problems(options, HERE)
    if not paths:
        problems.append(Problem(HERE, "no files", "at least one file", "correct the device's files in the campaign"))
    if problems:
        raise InputError(problems)
    folder, files = labelled(paths)
    directions: dict[str, Direction] = {}
    report: list[str] = []
    by_name: dict[str, Problem] = {}
    if options.manifest is not None:
        directions, problems, report = _by_manifest(options.manifest, folder, files, options)
        by_name = {problem.where: problem for problem in problems if problem.where in files}
        problems = [problem for problem in problems if problem.where not in files]
    curves = []
    notes: dict[str, list[str]] = {}
    nowhere = Direction("horizontal", 0.0)
    for label, path in files.items():
        found: list[Problem] = [by_name[label]] if label in by_name else []
        if options.pattern is not None:
            try:
                directions[label] = direction_of_name(path, label, options)
            except InputError as input_error:
                found.extend(input_error.problems)
        try:
            # A file of unknown direction is read too, so that all that is wrong with it is said at once.
            curve, notes[label] = _content(path, label, directions.get(label, nowhere), options)
            curves.append(curve)
        except InputError as input_error:
            found.extend(input_error.problems)
        if found:
            problems.append(_joined(label, found))
    if problems:
        raise InputError(problems)
    if not curves:
        raise InputError.single(
            HERE, "no files besides the manifest", "at least one curve", "correct the device's files"
        )
    report.extend(gathered_notes(notes))
    if options.resample is not None:
        wanted = options.resample
        if on_one_grid(curves):
            report.append("not resampled: all directions are on one frequency grid")
        else:
            curves, lines = resampled(curves, wanted.low, wanted.high, wanted.per_octave, HERE)
            report.extend(lines)
    responses = assemble_responses(curves, report)
    if kind := {"pascal": "spl", "linear": "relative"}.get(options.level_scale):
        responses.attrs["level_kind"] = kind
    return Reading(responses=responses, report=tuple(report))
