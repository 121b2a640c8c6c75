"""Read the universal files of one device."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from anechain.assemble import Curve, assemble_responses
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain.importing.assemble import without_repeats
from anechain.importing.direction_lookup import directions_of_files, without_manifest
from anechain.importing.direction_names import Direction, direction_of_title
from anechain.importing.direction_options import naming_problems
from anechain.importing.file_labels import label_files
from anechain.importing.report_lines import merge_notes
from anechain_uff.functions import Function, functions_of
from anechain_uff.options import UffOptions
from anechain_uff.spectra import KNOWN_KINDS, level_and_phase_of, spectrum_of

__all__ = ["read"]

HERE = "importer uff"


def read(paths: Sequence[Path], options: UffOptions) -> Reading:
    """Read the files of one device, one function for each direction.

    Parameters
    ----------
    paths : sequence of Path
        Files with one or more functions; the manifest may be one of them.
    options : UffOptions
        How the functions state their directions, and what they are.

    Returns
    -------
    Reading
        `level_kind` is "spl" for pascals, else "relative".

    Raises
    ------
    InputError
        With a problem for every function that is damaged, is not a response, or has no direction.
    """
    if not paths:
        raise InputError.single(HERE, "no files", "at least one file", "correct the device's files in the campaign")
    problems = [] if options.nodes is not None else naming_problems(options, HERE)
    if problems:
        raise InputError(problems)
    folder, files = label_files(paths)
    files = without_manifest(files, folder, options)
    directions: dict[str, Direction] = {}
    if options.nodes is None and options.direction_from == "file":
        directions, problems = directions_of_files(files, folder, options)
    curves: list[Curve] = []
    all_functions: list[Function] = []
    notes: dict[str, list[str]] = {}
    for label, path in files.items():
        try:
            data = path.read_bytes()
        except OSError as error:
            problems.append(
                Problem(label, f"cannot be read: {error.strerror}", "a readable file", "check its permissions")
            )
            continue
        functions, function_problems, notes[label] = functions_of(data, label)
        problems.extend(function_problems)
        all_functions += functions
        used = 0
        for function in functions:
            function_notes = notes[function.where] = list(function.notes)
            if options.others == "leave out" and function.kind not in KNOWN_KINDS:
                function_notes.append(f"left out: a {function.type_name} is not a response")
                continue
            used += 1
            try:
                curve = _curve(function, directions.get(label), options, function_notes)
            except InputError as input_error:
                problems.extend(input_error.problems)
                continue
            if curve is not None:
                curves.append(curve)
        if used > 1 and label in directions:
            problems.append(
                Problem(
                    label,
                    f"contains {used} functions, but its name states one direction",
                    "one function per file, if the file states the direction",
                    "declare with the options `direction_from` or `nodes` where each function states its direction",
                )
            )
    found_nodes = {function.response_node for function in all_functions}
    if options.nodes is not None and not problems and (absent := sorted(options.nodes.keys() - found_nodes)):
        problems.append(
            Problem(
                HERE,
                f"no function has the response node {', '.join(map(str, absent))} of the option `nodes`",
                "a function for each node",
                "check that the files are complete and all listed, or remove the node from the option",
            )
        )
    if not curves and not problems:
        problems.append(Problem(HERE, "the files contain no response", "frequency responses", "correct the files"))
    if problems:
        raise InputError(problems)
    report = merge_notes(notes)
    report.append(
        "levels in dB re 20 µPa of the pressures in the files"
        if options.quantity == "pascal"
        else "levels are relative: 20 lg of the numbers in the files, as declared by quantity"
    )
    responses = assemble_responses(without_repeats(curves, report), report)
    responses.attrs["level_kind"] = "spl" if options.quantity == "pascal" else "relative"
    responses.attrs["source_convention"] = "universal file, dataset 58"
    return Reading(responses=responses, report=tuple(report))


def _curve(function: Function, file_direction: Direction | None, options: UffOptions, notes: list[str]) -> Curve | None:
    """Return the curve of a function; None if its file has no direction, which is a problem of the file."""
    frequency, values, has_phase = spectrum_of(function, options, notes)
    direction = _direction(function, file_direction, options)
    if direction is None:
        return None
    notes.extend(direction.notes)
    level, phase = level_and_phase_of(values, options, notes)
    return Curve(
        direction.plane,
        direction.angle,
        frequency,
        level,
        phase if has_phase else None,
        function.where,
        take=direction.take,
    )


def _direction(function: Function, file_direction: Direction | None, options: UffOptions) -> Direction | None:
    if options.nodes is not None:
        node = options.nodes.get(function.response_node)
        if node is None:
            known = ", ".join(map(str, sorted(options.nodes)))
            raise InputError.single(
                function.where,
                f"its response node {function.response_node} is not in the option `nodes`",
                known or "nodes with their directions",
                "add the node, or leave the file out",
            )
        return Direction(node.plane, node.angle)
    if options.direction_from == "file":
        return file_direction
    title = function.texts[options.direction_from]
    return direction_of_title(title, options.direction_from, function.where, options)
