"""Directions that a manifest states: a table with a row for each file."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from pathlib import PurePath

from anechain.errors import Problem
from anechain.importing.direction_names import Direction, normalized_direction
from anechain.importing.direction_options import NamingOptions
from anechain.importing.direction_patterns import ANGLE, parse_angle

__all__ = ["directions_of_manifest"]

_COLUMNS = ("file", "plane", "angle")


def directions_of_manifest(
    text: str, where: str, labels: Mapping[str, PurePath], options: NamingOptions
) -> tuple[dict[str, Direction], list[Problem]]:
    """Return the direction of each file according to a manifest.

    Parameters
    ----------
    text : str
        The manifest: a header line with the names file, plane and angle (and optionally the importer's own fields),
        then a line for each file; separated by commas, semicolons or tabs. A file is given by its name, with as many
        folders before it as are needed to distinguish it from other files.
    where : str
        The manifest's name, for messages.
    labels : mapping of str to PurePath
        The files by their labels in messages.
    options : NamingOptions
        With the words for the planes and the side of positive angles.

    Returns
    -------
    directions : dict of str to Direction
        By label.
    problems : list of Problem
        One for every wrong line, every file in the manifest that does not exist, and every file that it does not list.
    """
    lines = text.split("\n")
    delimiter = next((mark for mark in "\t;," if mark in lines[0]), ",")
    try:
        rows = list(csv.reader(lines, delimiter=delimiter)) or [[]]
    except csv.Error as error:
        return {}, [Problem(where, f"not a table: {error}", f"a table with the columns {', '.join(_COLUMNS)}")]
    header = [cell.strip().casefold() for cell in rows[0]]
    missing = [name for name in _COLUMNS if header.count(name) != 1]
    if missing:
        return {}, [
            Problem(
                where,
                f"line 1 lacks the column {', '.join(missing)}",
                "file, plane, angle, each once",
                "write the header line file, plane, angle",
            )
        ]
    directions: dict[str, Direction] = {}
    problems: list[Problem] = []
    mentioned: set[str] = set()
    for line, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) < len(header):
            problems.append(
                Problem(where, f"line {line}: {len(row)} cells", f"{len(header)} cells", "complete the line")
            )
            continue
        cells = {name: row[header.index(name)].strip() for name in header}
        parts = PurePath(cells["file"].replace("\\", "/")).parts
        matching = [label for label, path in labels.items() if parts and path.parts[-len(parts) :] == parts]
        mentioned.update(matching)
        result = _direction_of_row(cells, matching, directions, options)
        if isinstance(result, Direction):
            directions[matching[0]] = result
        else:
            what, expected, fix = result
            problems.append(Problem(where, f"line {line}: {what}", expected, fix))
    problems.extend(
        Problem(
            label,
            f"not listed in {where}",
            "every file of the device in the manifest",
            "list it, or leave it out of the device's files",
        )
        for label in labels
        if label not in mentioned
    )
    return directions, problems


def _direction_of_row(
    cells: Mapping[str, str], matching: list[str], known: Mapping[str, Direction], options: NamingOptions
) -> Direction | tuple[str, str, str]:
    """Return the direction of a row; or what is wrong with it, what is expected, and the fix."""
    file, plane, angle = (cells[name] for name in _COLUMNS)
    if len(matching) != 1:
        what = f"file {file!r} is " + ("none of the device's files" if not matching else f"any of {matching}")
        return what, "the name of one of the device's files", "correct the name, or remove the line"
    if matching[0] in known:
        return f"file {file!r} is listed twice", "each file once", "remove one of the two lines"
    if plane.casefold() not in options.planes:
        return f"plane {plane!r} is unknown", ", ".join(options.planes), "add the word to the option `planes`"
    if not re.fullmatch(ANGLE, angle, re.IGNORECASE):
        return f"angle {angle!r} is not a number", "degrees", "correct the angle"
    columns = (*options.extra_fields, *options.extra_columns)
    labels = {name: cells[name].casefold() for name in columns if name in cells}
    try:
        return normalized_direction(options.planes[plane.casefold()], parse_angle(angle), options, labels=labels)
    except ValueError as error:
        return str(error), "degrees within a full turn", "correct the angle"
