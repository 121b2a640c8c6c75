"""Find the direction that a file belongs to, by its name or by a manifest."""

from __future__ import annotations

import csv
import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING

from anechain.errors import Problem, Refusal

if TYPE_CHECKING:
    from anechain_delimited.options import DelimitedOptions

__all__ = ["Direction", "direction_of_name", "directions_of_manifest", "parse_template"]

FIELDS = ("plane", "angle", "side", "any")
_ANGLE = "(?:[+\\-\N{MINUS SIGN}]|[pm](?=[0-9]))?[0-9]+(?:[.,][0-9]+)?"
_WORD = r"[^\W\d_]+"
_HORIZONTAL_SIDES, _VERTICAL_SIDES = {"left", "l", "right", "r"}, {"up", "u", "down", "d"}


@dataclass(frozen=True)
class Direction:
    """Where a curve was measured.

    Attributes
    ----------
    plane : str
        "horizontal" or "vertical".
    angle : float
        Degrees in (-180, 180], positive to the left or upwards.
    notes : tuple of str
        What was changed to get there.
    """

    plane: str
    angle: float
    notes: tuple[str, ...] = ()


def parse_template(template: str) -> tuple[str, ...]:
    """Split a file-name template into literal texts and fields; a field keeps its braces.

    Raises
    ------
    ValueError
        If a field is unknown, missing, given twice, or if {any} touches another field, which would leave open where
        the one ends and the other begins.
    """
    tokens = tuple(token for token in re.split(r"(\{[^{}]*\})", template) if token)
    fields = [token[1:-1] for token in tokens if token.startswith("{")]
    if any(brace in token for token in tokens if token[0] != "{" or token[-1] != "}" for brace in "{}"):
        raise ValueError(f"a brace of {template!r} has no partner")
    for field in fields:
        if field not in FIELDS:
            raise ValueError(f"{{{field}}} is not a field; fields are {{plane}}, {{angle}}, {{side}} and {{any}}")
        if field != "any" and fields.count(field) > 1:
            raise ValueError(f"{{{field}}} is given twice in {template!r}")
    for field in ("plane", "angle"):
        if field not in fields:
            raise ValueError(f"{template!r} lacks the field {{{field}}}; a manifest can say what file names do not")
    for left, right in itertools.pairwise(tokens):
        if left.startswith("{") and right.startswith("{") and "{any}" in (left, right):
            raise ValueError(f"{left}{right}: {{any}} needs literal text between it and another field")
    return tokens


def _expression(tokens: Sequence[str], words: Mapping[str, Sequence[str]] | None, any_text: str) -> str:
    """Regular expression of tokens; with `words` None any word will do for a plane or a side."""
    parts = []
    for token in tokens:
        field = token[1:-1]
        if not token.startswith("{"):
            parts.append(re.escape(token))
        elif field == "any":
            parts.append(any_text)
        elif field == "angle":
            # Digits on either side would mean that only a part of the number was taken.
            parts.append(f"(?P<angle>{_ANGLE})(?![0-9])")
        else:
            known = _WORD if words is None else "|".join(map(re.escape, sorted(words[field], key=len, reverse=True)))
            parts.append(f"(?P<{field}>{known})")
    return "".join(parts)


def _match(
    tokens: Sequence[str], name: str, words: Mapping[str, Sequence[str]] | None, any_text: str = ".*?"
) -> dict[str, str] | None:
    found = re.fullmatch(_expression(tokens, words, any_text), name, re.IGNORECASE | re.DOTALL)
    return found.groupdict() if found else None


def _why_not(tokens: Sequence[str], name: str) -> str:
    """Say which part of the template the name does not fit."""
    reached = 0
    for count in range(1, len(tokens) + 1):
        found = re.match(_expression(tokens[:count], None, ".*?"), name, re.IGNORECASE | re.DOTALL)
        if found is None:
            rest = name[reached:]
            kind = (
                f"the field {tokens[count - 1]}" if tokens[count - 1][0] == "{" else f"the text {tokens[count - 1]!r}"
            )
            return f"{kind} does not fit {rest!r}" if rest else f"{kind} is lacking at the end"
        reached = found.end()
    return f"{name[reached:]!r} is left over at its end"


def _number(text: str) -> float:
    plain = text.replace(",", ".").replace("\N{MINUS SIGN}", "-")
    return float({"p": "+", "m": "-"}.get(plain[0].lower(), plain[0]) + plain[1:])


def _direction(plane: str, angle: float, options: DelimitedOptions, side: int | None = None) -> Direction:
    """Bring a plane and an angle as written to the project's convention.

    Raises
    ------
    ValueError
        If the angle is beyond a full turn, or has a sign besides its side.
    """
    notes = []
    if not abs(angle) <= 360:
        raise ValueError(f"the angle {angle:g}° is more than a full turn")
    if side is not None:
        if angle < 0:
            raise ValueError(f"the angle {angle:g}° has a sign besides its side")
        angle *= side
    positive = options.positive_is.horizontal if plane == "horizontal" else options.positive_is.vertical
    if positive in ("right", "down"):
        angle = -angle
        notes.append(f"{plane} angles turned round: positive is {positive} in the files")
    if not -180 < angle <= 180:
        angle = 180.0 - (180.0 - angle) % 360.0
        notes.append("angles outside (-180°, 180°] taken as the same directions inside it")
    return Direction(plane, angle + 0.0, tuple(notes))


def direction_of_name(path: PurePath, where: str, options: DelimitedOptions) -> Direction:
    """Direction that a file's name gives by the pattern in the options.

    Raises
    ------
    Refusal
        If the name does not fit the pattern (naming the field that fails), fits it in two ways, holds an unknown
        word for plane or side, or gives a direction that cannot be.
    """
    assert options.pattern is not None
    tokens = parse_template(options.pattern)
    name = "/".join(path.parts[-1 - options.pattern.count("/") :])
    words = {"plane": list(options.planes), "side": list(options.sides)}
    allowed = f"names like {options.pattern!r}"
    found = _match(tokens, name, words)
    if found is None:
        loose = _match(tokens, name, None)
        if loose is None:
            raise Refusal.because(
                where,
                f"file name {name!r} does not fit the pattern: {_why_not(tokens, name)}",
                allowed,
                "correct the option `pattern`, leave this file out, or use a manifest",
            )
        raise Refusal(
            Problem(
                where,
                f"the word {word!r} in the place of {{{field}}} is unknown",
                ", ".join(words[field]),
                f"add it to the option `{field}s`",
            )
            for field, word in loose.items()
            if field in words and word.casefold() not in words[field]
        )
    if found != _match(tokens, name, words, ".*"):
        raise Refusal.because(
            where,
            f"file name {name!r} fits the pattern in more than one way, with different directions",
            allowed,
            "write more literal text into the option `pattern` in place of {any}, or use a manifest",
        )
    plane = options.planes[found["plane"].casefold()]
    side_word = found.get("side", "").casefold()
    opposite = _VERTICAL_SIDES if plane == "horizontal" else _HORIZONTAL_SIDES
    # A word that the options define anew may mean something else than it does in English.
    if side_word in opposite and "sides" not in options.model_fields_set:
        raise Refusal.because(
            where, f"side {side_word!r} on the {plane} orbit", "left or right, up or down", "correct the file's name"
        )
    try:
        return _direction(plane, _number(found["angle"]), options, options.sides[side_word] if side_word else None)
    except ValueError as error:
        raise Refusal.because(where, f"file name {name!r}: {error}", allowed, "correct the file's name") from None


def directions_of_manifest(
    text: str, where: str, labels: Mapping[str, PurePath], options: DelimitedOptions
) -> tuple[dict[str, Direction], list[Problem]]:
    """Direction of each file by a manifest.

    Parameters
    ----------
    text : str
        The manifest: a header line with the names file, plane and angle, then a line for each file; separated by
        commas, semicolons or tabs. A file is named by its name, or by as many folders before it as tell it apart.
    where : str
        The manifest's name, for messages.
    labels : mapping of str to PurePath
        The files by the names that messages use.
    options : DelimitedOptions
        For the words of the planes and the side of positive angles.

    Returns
    -------
    directions : dict of str to Direction
        By label.
    problems : list of Problem
        Every bad line, every file in the manifest that is not there, and every file that it does not list.
    """
    lines = text.split("\n")
    mentioned: set[str] = set()
    delimiter = next((mark for mark in "\t;," if mark in lines[0]), ",")
    try:
        rows = list(csv.reader(lines, delimiter=delimiter)) or [[]]
    except csv.Error as error:
        return {}, [Problem(where, f"not a table: {error}", "a table with the columns file, plane, angle")]
    header = [cell.strip().casefold() for cell in rows[0]]
    lacking = [name for name in ("file", "plane", "angle") if header.count(name) != 1]
    if lacking:
        mend = "write the header line file, plane, angle"
        return {}, [
            Problem(where, f"line 1 lacks the column {', '.join(lacking)}", "file, plane, angle, each once", mend)
        ]
    directions: dict[str, Direction] = {}
    problems: list[Problem] = []

    def bad(line: int, what: str, allowed: str, mend: str) -> None:
        problems.append(Problem(where, f"line {line}: {what}", allowed, mend))

    for line, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) < len(header):
            bad(line, f"{len(row)} cells", f"{len(header)} cells", "complete the line")
            continue
        file, plane, angle = (row[header.index(name)].strip() for name in ("file", "plane", "angle"))
        parts = PurePath(file.replace("\\", "/")).parts
        matching = [label for label, path in labels.items() if parts and path.parts[-len(parts) :] == parts]
        mentioned.update(matching)
        if len(matching) != 1:
            what = f"file {file!r} is " + ("none of the device's files" if not matching else f"any of {matching}")
            bad(line, what, "the name of one of the device's files", "correct the name, or remove the line")
        elif matching[0] in directions:
            bad(line, f"file {file!r} is listed twice", "each file once", "remove one of the two lines")
        elif plane.casefold() not in options.planes:
            bad(line, f"plane {plane!r} is unknown", ", ".join(options.planes), "add the word to the option `planes`")
        elif not re.fullmatch(_ANGLE, angle, re.IGNORECASE):
            bad(line, f"angle {angle!r} is not a number", "degrees", "correct the angle")
        else:
            try:
                directions[matching[0]] = _direction(options.planes[plane.casefold()], _number(angle), options)
            except ValueError as error:
                bad(line, str(error), "degrees within a full turn", "correct the angle")
    mend = "list it, or leave it out of the device's files"
    problems.extend(
        Problem(label, f"not listed in {where}", "every file of the device in the manifest", mend)
        for label in labels
        if label not in mentioned
    )
    return directions, problems
