"""Options that declare how the files of a device state their directions: by a name pattern or by a manifest."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar, Literal

from pydantic import Field, ValidationInfo, field_validator

from anechain.errors import Problem
from anechain.importing.direction_patterns import parse_template
from anechain.importing.hooks import Options

__all__ = ["TAKE_METHODS", "NamingOptions", "PositiveIs", "naming_problems"]

TAKE_METHODS = ("repeated-takes", "repeatability")
"""Methods that join takes. An importer with the field {take} lists them in its description."""

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
    """Direction of positive angles in file names, titles or a manifest."""

    horizontal: Literal["left", "right"] = Field(
        default="left",
        description="side of positive angles on the horizontal orbit, seen from above along the reference axis",
    )
    vertical: Literal["up", "down"] = Field(default="up", description="side of positive angles on the vertical orbit")


class NamingOptions(Options):
    """Options that declare how the files of a device state their directions."""

    extra_fields: ClassVar[tuple[str, ...]] = ()
    """Fields of the pattern, and columns of the manifest, that an importer has besides plane, angle and side."""
    extra_columns: ClassVar[tuple[str, ...]] = ()
    """Further columns of the manifest, which no pattern can hold."""

    pattern: str | None = Field(
        default=None,
        description="file name: literal text with the fields {plane}, {angle}, {side}, {take} and {any}, for example "
        '"hall-north {plane} {angle}.txt"; takes of one direction, distinguished by {take}, are joined; case is '
        'ignored; if the pattern contains "/", folders are compared too',
    )
    manifest: Path | None = Field(
        default=None,
        description="table with the columns file, plane, angle and, for several takes, take; replaces the pattern; "
        "path relative to the campaign file",
    )
    planes: dict[str, Literal["horizontal", "vertical"]] = Field(
        default=PLANES, description="words for the planes in file names and manifest; case is ignored"
    )
    sides: dict[str, Literal[1, -1]] = Field(
        default=SIDES, description="words of {side} and the sign of the angle: 1 for left or up, -1 for right or down"
    )
    positive_is: PositiveIs = Field(
        default=PositiveIs(), description="direction of positive angles; only without {side}, which states it itself"
    )

    @field_validator("pattern")
    @classmethod
    def _valid_pattern(cls, pattern: str | None) -> str | None:
        if pattern is not None:
            parse_template(pattern, cls.extra_fields)
        return pattern

    @field_validator("planes", "sides")
    @classmethod
    def _lower_case(cls, words: dict[str, object], info: ValidationInfo) -> dict[str, object]:
        lower = {word.strip().casefold(): meaning for word, meaning in words.items()}
        if len(lower) < len(words) or "" in lower or not lower:
            raise ValueError(f"the words of {info.field_name} must differ in more than case, and none may be empty")
        return lower

    def companion_files(self) -> tuple[Path, ...]:
        """Return the manifest, if there is one."""
        return () if self.manifest is None else (self.manifest,)


def naming_problems(options: NamingOptions, where: str) -> list[Problem]:
    """Return the problems of options that contradict each other.

    Parameters
    ----------
    options : NamingOptions
        Options, each of them valid.
    where : str
        The importer, for messages.
    """
    problems = []
    if (options.pattern is None) == (options.manifest is None):
        stated = "both are" if options.pattern is not None else "neither is"
        problems.append(
            Problem(
                where,
                f"options `pattern` and `manifest`: {stated} given",
                "exactly one of `pattern` and `manifest`",
                "declare with a pattern where file names state plane and angle, or list the files in a manifest",
            )
        )
    if options.pattern is not None and "{side}" in options.pattern and options.positive_is != PositiveIs():
        problems.append(
            Problem(
                where,
                "the options `pattern` with {side} and `positive_is` both state the side of an angle",
                "one of the two",
                "leave `positive_is` out; the option `sides` states which words mean left or up",
            )
        )
    return problems
