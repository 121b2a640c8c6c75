"""Directions that file names and titles state, according to a pattern."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import PurePath

from anechain.errors import InputError, Problem
from anechain.importing.direction_options import NamingOptions
from anechain.importing.direction_patterns import explain_mismatch, match_template, parse_angle, parse_template

__all__ = ["Direction", "direction_of_name", "direction_of_title", "normalized_direction"]

_HORIZONTAL_SIDES, _VERTICAL_SIDES = {"left", "l", "right", "r"}, {"up", "u", "down", "d"}
_SLASH = "\N{DIVISION SLASH}"


@dataclass(frozen=True)
class Direction:
    """Direction in which a curve was measured.

    Attributes
    ----------
    plane : str
        "horizontal" or "vertical".
    angle : float
        Degrees in (-180, 180], positive to the left or upwards.
    notes : tuple of str
        Changes to what the name or the manifest states, for the import report.
    labels : dict of str to str
        Texts of the importer's own fields, such as the drive; in lower case.
    """

    plane: str
    angle: float
    notes: tuple[str, ...] = ()
    labels: Mapping[str, str] = field(default_factory=dict)

    @property
    def take(self) -> str:
        """Word that distinguishes this take of the direction; empty if the importer has no field {take}."""
        return self.labels.get("take", "")


def normalized_direction(
    plane: str, angle: float, options: NamingOptions, side: int | None = None, labels: Mapping[str, str] | None = None
) -> Direction:
    """Return a direction in the project's convention.

    Parameters
    ----------
    plane : str
        "horizontal" or "vertical".
    angle : float
        Degrees, as written.
    options : NamingOptions
        With the side of positive angles.
    side : {1, -1}, optional
        Sign of the angle, where a word states the side.
    labels : mapping of str to str, optional
        Texts of the importer's own fields.

    Raises
    ------
    ValueError
        If the angle exceeds a full turn, or has both a sign and a side.
    """
    notes = []
    if not abs(angle) <= 360:
        raise ValueError(f"the angle {angle:g}° is more than a full turn")
    if side is not None:
        if angle < 0:
            raise ValueError(f"the angle {angle:g}° has both a sign and a side")
        angle *= side
    positive = options.positive_is.horizontal if plane == "horizontal" else options.positive_is.vertical
    if positive in ("right", "down"):
        angle = -angle
        notes.append(f"sign of {plane} angles reversed: positive is {positive} in the files")
    if not -180 < angle <= 180:
        angle = 180.0 - (180.0 - angle) % 360.0
        notes.append("angles outside (-180°, 180°] replaced by the same directions inside it")
    return Direction(plane, angle + 0.0, tuple(notes), labels or {})


def direction_of_name(path: PurePath, where: str, options: NamingOptions) -> Direction:
    """Return the direction that a file's name states.

    Parameters
    ----------
    path : PurePath
        The file.
    where : str
        Its label, for messages.
    options : NamingOptions
        With a pattern.

    Raises
    ------
    InputError
        If the name does not match the pattern (the message names the field), matches it in several ways, has an
        unknown word for plane or side, or states an impossible direction.
    """
    assert options.pattern is not None
    tokens = parse_template(options.pattern, options.extra_fields)
    name = "/".join(path.parts[-1 - options.pattern.count("/") :])
    words = {"plane": list(options.planes), "side": list(options.sides)}
    expected = f"names like {options.pattern!r}"
    fields = match_template(tokens, name, words)
    if fields is None:
        raise _mismatch(tokens, name, where, words, expected)
    if fields != match_template(tokens, name, words, greedy=True):
        raise InputError.single(
            where,
            f"file name {name!r} fits the pattern in more than one way, with different directions",
            expected,
            "replace {any} in the option `pattern` by more literal text, or use a manifest",
        )
    plane = options.planes[fields["plane"].casefold()]
    side_word = fields.get("side", "").casefold()
    opposite = _VERTICAL_SIDES if plane == "horizontal" else _HORIZONTAL_SIDES
    # If the option `sides` is given, a word may have another meaning than in English.
    if side_word in opposite and "sides" not in options.model_fields_set:
        raise InputError.single(
            where, f"side {side_word!r} on the {plane} orbit", "left or right, up or down", "correct the file's name"
        )
    side = options.sides[side_word] if side_word else None
    labels = {label: fields[label].casefold() for label in options.extra_fields if label in fields}
    try:
        return normalized_direction(plane, parse_angle(fields["angle"]), options, side, labels)
    except ValueError as error:
        raise InputError.single(where, f"file name {name!r}: {error}", expected, "correct the file's name") from None


def _mismatch(
    tokens: tuple[str, ...], name: str, where: str, words: Mapping[str, list[str]], expected: str
) -> InputError:
    """Return why a name does not match its pattern: unknown words, or else the part that does not match."""
    fields = match_template(tokens, name, None)
    if fields is None:
        return InputError.single(
            where,
            f"file name {name!r} does not fit the pattern: {explain_mismatch(tokens, name)}",
            expected,
            "correct the option `pattern`, leave this file out, or use a manifest",
        )
    return InputError(
        Problem(
            where,
            f"the word {word!r} for {{{field_name}}} is unknown",
            ", ".join(words[field_name]),
            f"add it to the option `{field_name}s`",
        )
        for field_name, word in fields.items()
        if field_name in words and word.casefold() not in words[field_name]
    )


def direction_of_title(title: str, kind: str, where: str, options: NamingOptions) -> Direction:
    """Return the direction that a title inside a file states.

    Parameters
    ----------
    title : str
        A column's title, a record's description.
    kind : str
        What the title is, for messages: "column title".
    where : str
        Name for messages.
    options : NamingOptions
        With a pattern.

    Raises
    ------
    InputError
        If the title does not match the pattern, or states an impossible direction.
    """
    # A slash in a title does not separate folders, as it does in a path.
    changed = options.model_copy(update={"pattern": (options.pattern or "").replace("/", _SLASH)})
    try:
        return direction_of_name(PurePath(title.replace("/", _SLASH)), where, changed)
    except InputError as input_error:
        raise InputError(
            replace(
                problem,
                what=problem.what.replace("file name", kind).replace(_SLASH, "/"),
                expected=problem.expected.replace("names like", f"{kind}s like").replace(_SLASH, "/"),
                fix=f"correct the option `pattern`, or the {kind}",
            )
            for problem in input_error.problems
        ) from None
