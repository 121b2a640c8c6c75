"""Read the delimited text files of one device."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from anechain.assemble import Curve, assemble_responses
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain.importing.direction_manifest import directions_of_manifest
from anechain.importing.direction_names import Direction, direction_of_name
from anechain.importing.file_labels import label_files
from anechain.importing.report_lines import merge_notes
from anechain.importing.text_decoding import decode, read_bytes
from anechain.importing.text_table import read_table
from anechain_delimited.columns import choose_columns
from anechain_delimited.curve import curve_of_table
from anechain_delimited.options import DelimitedOptions, option_problems
from anechain_delimited.resampling import on_one_grid, resample_curves

__all__ = ["read"]

HERE = "importer delimited"


def read(paths: Sequence[Path], options: DelimitedOptions) -> Reading:
    """Read the files of one device, one direction each.

    Parameters
    ----------
    paths : sequence of Path
        The files, in any order. The manifest may be among them.
    options : DelimitedOptions
        Names and format of the files.

    Returns
    -------
    Reading
        `responses`, with the attribute `level_kind`: "spl" for pascals, "relative" for a linear scale, and none
        for decibels, because a text file does not state their reference. The report has one line for each change,
        with the files that it applies to.

    Raises
    ------
    InputError
        With one problem for each bad file. Problems between directions are reported once each file is good.
    """
    problems = option_problems(options, HERE)
    if not paths:
        problems.append(Problem(HERE, "no files", "at least one file", "correct the device's files in the campaign"))
    if problems:
        raise InputError(problems)
    folder, files = label_files(paths)
    report: list[str] = []
    curves, notes = _read_curves(folder, files, options, report)
    if not curves:
        raise InputError.single(
            HERE, "no files besides the manifest", "at least one curve", "correct the device's files"
        )
    report.extend(merge_notes(notes))
    if options.resample is not None:
        grid = options.resample
        if on_one_grid(curves):
            report.append("not resampled: all directions have the same frequencies")
        else:
            curves, lines = resample_curves(curves, grid.low, grid.high, grid.per_octave, HERE)
            report.extend(lines)
    responses = assemble_responses(curves, report)
    if level_kind := {"pascal": "spl", "linear": "relative"}.get(options.level_scale):
        responses.attrs["level_kind"] = level_kind
    return Reading(responses=responses, report=tuple(report))


def _read_curves(
    folder: Path, files: dict[str, Path], options: DelimitedOptions, report: list[str]
) -> tuple[list[Curve], dict[str, list[str]]]:
    """Return the curves of all files, and the notes on each file."""
    directions: dict[str, Direction] = {}
    problems: list[Problem] = []
    manifest_problems: dict[str, Problem] = {}
    if options.manifest is not None:
        directions, problems = _directions_by_manifest(options.manifest, folder, files, options, report)
        manifest_problems = {problem.where: problem for problem in problems if problem.where in files}
        problems = [problem for problem in problems if problem.where not in files]
    curves = []
    notes: dict[str, list[str]] = {}
    # A file without a known direction is read nevertheless, so that all its problems are reported at once.
    unknown = Direction("horizontal", 0.0)
    for label, path in files.items():
        file_problems: list[Problem] = [manifest_problems[label]] if label in manifest_problems else []
        if options.pattern is not None:
            try:
                directions[label] = direction_of_name(path, label, options)
            except InputError as input_error:
                file_problems.extend(input_error.problems)
        try:
            curve, notes[label] = _read_curve(path, label, directions.get(label, unknown), options)
            curves.append(curve)
        except InputError as input_error:
            file_problems.extend(input_error.problems)
        if file_problems:
            problems.append(_one_problem(label, file_problems))
    if problems:
        raise InputError(problems)
    return curves, notes


def _read_curve(path: Path, label: str, direction: Direction, options: DelimitedOptions) -> tuple[Curve, list[str]]:
    """Return the curve of one file, and notes."""
    decoded = decode(read_bytes(path, label), label, options.encoding)
    table = read_table(
        decoded.text, label, options.separator, options.decimal, options.skip_lines, options.skip_last_lines
    )
    columns = choose_columns(table, options.columns, label)
    frequency, level, phase, notes = curve_of_table(table, columns, options, label)
    curve = Curve(direction.plane, direction.angle, frequency, level, phase, label, take=direction.take)
    return curve, [*direction.notes, *decoded.notes, *table.notes, *columns.notes, *notes]


def _one_problem(label: str, problems: Sequence[Problem]) -> Problem:
    """Return one problem that holds the texts of all problems of a file."""

    def texts(part: str) -> str:
        return "; ".join(text for problem in problems if (text := getattr(problem, part)))

    return Problem(label, texts("what"), texts("expected"), texts("fix"))


def _directions_by_manifest(
    manifest: Path, folder: Path, files: dict[str, Path], options: DelimitedOptions, report: list[str]
) -> tuple[dict[str, Direction], list[Problem]]:
    """Return the directions in the manifest, and its problems. Removes the manifest itself from `files`."""
    path = Path(os.path.abspath(folder / manifest))  # noqa: PTH100 - links stay as they are named
    for label in [label for label, file in files.items() if file == path]:
        del files[label]
        report.append(f"{label} is the manifest, not a curve")
    try:
        text = decode(read_bytes(path, manifest.name), manifest.name).text
    except InputError as input_error:
        return {}, list(input_error.problems)
    return directions_of_manifest(text, manifest.name, files, options)
