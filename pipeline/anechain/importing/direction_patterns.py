"""Find the direction that a file belongs to, by its name or by a manifest: for importers of one file per direction."""

from __future__ import annotations

import csv
import itertools
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePath
from typing import ClassVar, Literal

from pydantic import Field, ValidationInfo, field_validator

from anechain.errors import InputError, Problem
from anechain.importing.hooks import Options

__all__ = [
    "JOINING",
    "Direction",
    "NamingOptions",
    "PositiveIs",
    "direction_of_name",
    "directions_of_manifest",
    "gathered_notes",
    "labelled",
    "naming_problems",
    "parse_template",
]

FIELDS = ("plane", "angle", "side", "any")
JOINING = ("repeated-takes", "repeatability")
"""Methods that join takes: an importer with the field {take} names them in its description."""
_ANGLE = "(?:[+\\-\N{MINUS SIGN}]|[pm](?=[0-9]))?[0-9]+(?:[.,][0-9]+)?"
_WORD = r"[^\W\d_]+"
_LABEL = r"[^\W_]+(?:[.,][0-9]+)?"
_HORIZONTAL_SIDES, _VERTICAL_SIDES = {"left", "l", "right", "r"}, {"up", "u", "down", "d"}


PLANES: dict[str, Literal["horizontal", "vertical"]] = {
    "horizontal": "horizontal",
    "hor": "horizontal",
    "h": "horizontal",
    "vertical": "vertical",
    "ver": "vertical",
    "v": "vertical",
}
SIDES: dict[str, Literal[1, -1]] = {"left": 1, "l": 1, "up": 1, "u": 1, "right": -1, "r": -1, "down": -1, "d": -1}


class PositiveIs(Options):
    """Which way positive angles go in the file names or in the manifest."""

    horizontal: Literal["left", "right"] = Field(
        default="left",
        description="side of positive angles on the horizontal orbit, seen from above along the reference axis",
    )
    vertical: Literal["up", "down"] = Field(default="up", description="side of positive angles on the vertical orbit")


class NamingOptions(Options):
    """How the files of a device say which direction each belongs to."""

    more_fields: ClassVar[tuple[str, ...]] = ()
    """Fields of the pattern, and columns of the manifest, that an importer has besides plane, angle and side."""
    more_columns: ClassVar[tuple[str, ...]] = ()
    """Further columns of the manifest that no file name could hold."""

    pattern: str | None = Field(
        default=None,
        description="file name as literal text with the fields {plane}, {angle}, {side}, {take} and {any}, for example "
        '"hall-north {plane} {angle}.txt"; takes of one direction, told apart by {take}, are joined; upper and lower '
        'case are alike; with "/" the last folders count too',
    )
    manifest: Path | None = Field(
        default=None,
        description="table with the columns file, plane, angle and, if there are several, take, instead of a pattern; "
        "relative to the campaign file",
    )
    planes: dict[str, Literal["horizontal", "vertical"]] = Field(
        default=PLANES, description="words that stand for the planes in file names and manifest; case does not count"
    )
    sides: dict[str, Literal[1, -1]] = Field(
        default=SIDES, description="words of {side} and the sign they give the angle: 1 is left or up, -1 right or down"
    )
    positive_is: PositiveIs = Field(
        default=PositiveIs(), description="which way positive angles go; for signed angles only, {side} needs none"
    )

    @field_validator("pattern")
    @classmethod
    def _pattern(cls, pattern: str | None) -> str | None:
        if pattern is not None:
            parse_template(pattern, cls.more_fields)
        return pattern

    @field_validator("planes", "sides")
    @classmethod
    def _lower_case(cls, words: dict[str, object], info: ValidationInfo) -> dict[str, object]:
        lower = {word.strip().casefold(): meaning for word, meaning in words.items()}
        if len(lower) < len(words) or "" in lower or not lower:
            raise ValueError(f"the words of {info.field_name} must differ, case aside, and none may be empty")
        return lower

    def companion_files(self) -> tuple[Path, ...]:
        """Files beside the curves that decide the result: the manifest, if there is one."""
        return () if self.manifest is None else (self.manifest,)


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
    labels : dict of str to str
        What the name or the manifest says in the importer's own fields, such as the drive; in lower case.
    """

    plane: str
    angle: float
    notes: tuple[str, ...] = ()
    labels: Mapping[str, str] = field(default_factory=dict)

    @property
    def take(self) -> str:
        """Word that tells this take of the direction from others; empty where the importer has no field {take}."""
        return self.labels.get("take", "")


def parse_template(template: str, more_fields: Sequence[str] = ()) -> tuple[str, ...]:
    """Split a file-name template into literal texts and fields; a field keeps its braces.

    `more_fields` are fields that an importer has besides plane, angle, side and any.

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
    known = (*FIELDS[:-1], *more_fields, FIELDS[-1])
    for name in fields:
        if name not in known:
            *first, last = (f"{{{one}}}" for one in known)
            raise ValueError(f"{{{name}}} is not a field; fields are {', '.join(first)} and {last}")
        if name != "any" and fields.count(name) > 1:
            raise ValueError(f"{{{name}}} is given twice in {template!r}")
    for name in ("plane", "angle"):
        if name not in fields:
            raise ValueError(f"{template!r} lacks the field {{{name}}}; a manifest can say what file names do not")
    for left, right in itertools.pairwise(tokens):
        if left.startswith("{") and right.startswith("{") and "{any}" in (left, right):
            raise ValueError(f"{left}{right}: {{any}} needs literal text between it and another field")
    return tokens


def _expression(tokens: Sequence[str], words: Mapping[str, Sequence[str]] | None, any_text: str) -> str:
    """Regular expression of tokens; with `words` None any word will do for a plane or a side."""
    parts = []
    for token in tokens:
        name = token[1:-1]
        if not token.startswith("{"):
            parts.append(re.escape(token))
        elif name == "any":
            parts.append(any_text)
        elif name == "angle":
            # Digits on either side would mean that only a part of the number was taken.
            parts.append(f"(?P<angle>{_ANGLE})(?![0-9])")
        elif name not in FIELDS:
            parts.append(f"(?P<{name}>{_LABEL})")
        else:
            known = _WORD if words is None else "|".join(map(re.escape, sorted(words[name], key=len, reverse=True)))
            parts.append(f"(?P<{name}>{known})")
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


def _direction(
    plane: str, angle: float, options: NamingOptions, side: int | None = None, labels: Mapping[str, str] | None = None
) -> Direction:
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
    return Direction(plane, angle + 0.0, tuple(notes), labels or {})


def direction_of_name(path: PurePath, where: str, options: NamingOptions) -> Direction:
    """Direction that a file's name gives by the pattern in the options.

    Raises
    ------
    InputError
        If the name does not fit the pattern (naming the field that fails), fits it in two ways, holds an unknown
        word for plane or side, or gives a direction that cannot be.
    """
    assert options.pattern is not None
    tokens = parse_template(options.pattern, options.more_fields)
    name = "/".join(path.parts[-1 - options.pattern.count("/") :])
    words = {"plane": list(options.planes), "side": list(options.sides)}
    expected = f"names like {options.pattern!r}"
    found = _match(tokens, name, words)
    if found is None:
        loose = _match(tokens, name, None)
        if loose is None:
            raise InputError.single(
                where,
                f"file name {name!r} does not fit the pattern: {_why_not(tokens, name)}",
                expected,
                "correct the option `pattern`, leave this file out, or use a manifest",
            )
        raise InputError(
            Problem(
                where,
                f"the word {word!r} in the place of {{{name_}}} is unknown",
                ", ".join(words[name_]),
                f"add it to the option `{name_}s`",
            )
            for name_, word in loose.items()
            if name_ in words and word.casefold() not in words[name_]
        )
    if found != _match(tokens, name, words, ".*"):
        raise InputError.single(
            where,
            f"file name {name!r} fits the pattern in more than one way, with different directions",
            expected,
            "write more literal text into the option `pattern` in place of {any}, or use a manifest",
        )
    plane = options.planes[found["plane"].casefold()]
    side_word = found.get("side", "").casefold()
    opposite = _VERTICAL_SIDES if plane == "horizontal" else _HORIZONTAL_SIDES
    # A word that the options define anew may mean something else than it does in English.
    if side_word in opposite and "sides" not in options.model_fields_set:
        raise InputError.single(
            where, f"side {side_word!r} on the {plane} orbit", "left or right, up or down", "correct the file's name"
        )
    side = options.sides[side_word] if side_word else None
    labels = {label: found[label].casefold() for label in options.more_fields if label in found}
    try:
        return _direction(plane, _number(found["angle"]), options, side, labels)
    except ValueError as error:
        raise InputError.single(where, f"file name {name!r}: {error}", expected, "correct the file's name") from None


def directions_of_manifest(
    text: str, where: str, labels: Mapping[str, PurePath], options: NamingOptions
) -> tuple[dict[str, Direction], list[Problem]]:
    """Direction of each file by a manifest.

    Parameters
    ----------
    text : str
        The manifest: a header line with the names file, plane and angle (and, where it likes, the importer's own
        fields), then a line for each file; separated by commas, semicolons or tabs. A file is named by its name, or by
        as many folders before it as tell it apart.
    where : str
        The manifest's name, for messages.
    labels : mapping of str to PurePath
        The files by the names that messages use.
    options : NamingOptions
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
        fix = "write the header line file, plane, angle"
        return {}, [
            Problem(where, f"line 1 lacks the column {', '.join(lacking)}", "file, plane, angle, each once", fix)
        ]
    directions: dict[str, Direction] = {}
    problems: list[Problem] = []

    def bad(line: int, what: str, expected: str, fix: str) -> None:
        problems.append(Problem(where, f"line {line}: {what}", expected, fix))

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
            columns = (*options.more_fields, *options.more_columns)
            own = {one: row[header.index(one)].strip().casefold() for one in columns if one in header}
            word = options.planes[plane.casefold()]
            try:
                directions[matching[0]] = _direction(word, _number(angle), options, labels=own)
            except ValueError as error:
                bad(line, str(error), "degrees within a full turn", "correct the angle")
    fix = "list it, or leave it out of the device's files"
    problems.extend(
        Problem(label, f"not listed in {where}", "every file of the device in the manifest", fix)
        for label in labels
        if label not in mentioned
    )
    return directions, problems


def naming_problems(options: NamingOptions, where: str) -> list[Problem]:
    """Problems between the options of the naming, each of which is fine by itself."""
    problems = []
    if (options.pattern is None) == (options.manifest is None):
        given = "both are" if options.pattern is not None else "neither is"
        problems.append(
            Problem(
                where,
                f"options `pattern` and `manifest`: {given} given",
                "exactly one of `pattern` and `manifest`",
                "say by a pattern how file names give plane and angle, or list the files in a manifest",
            )
        )
    if options.pattern is not None and "{side}" in options.pattern and options.positive_is != PositiveIs():
        problems.append(
            Problem(
                where,
                "options `pattern` with {side} and `positive_is` both say which way an angle goes",
                "one of the two",
                "leave `positive_is` out; the words of `sides` say which are left or up",
            )
        )
    return problems


def labelled(paths: Iterable[Path]) -> tuple[Path, dict[str, Path]]:
    """The folder that holds all files, and each file by its path from there: no message names the machine's folders."""
    absolute = [Path(os.path.abspath(path)) for path in paths]  # noqa: PTH100 - links stay as they are named
    folder = Path(os.path.commonpath([path.parent for path in absolute]))
    return folder, {path.relative_to(folder).as_posix(): path for path in sorted(absolute)}


def gathered_notes(notes: Mapping[str, Sequence[str]]) -> list[str]:
    """One line for each note, however many files have it."""
    files: dict[str, list[str]] = {}
    for label, lines in notes.items():
        for line in dict.fromkeys(lines):
            files.setdefault(line, []).append(label)
    return [
        f"{having[0]}: {line}" if len(having) == 1 else f"{line} ({len(having)} files, the first is {having[0]})"
        for line, having in files.items()
    ]
