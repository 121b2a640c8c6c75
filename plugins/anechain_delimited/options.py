"""What a campaign can tell this importer about its files."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from anechain.errors import Problem
from anechain.hooks import Options
from anechain_delimited.naming import parse_template

__all__ = ["Columns", "DelimitedOptions", "PositiveIs", "Resample", "option_problems"]

PLANES: dict[str, Literal["horizontal", "vertical"]] = {
    "horizontal": "horizontal",
    "hor": "horizontal",
    "h": "horizontal",
    "vertical": "vertical",
    "ver": "vertical",
    "v": "vertical",
}
SIDES: dict[str, Literal[1, -1]] = {"left": 1, "l": 1, "up": 1, "u": 1, "right": -1, "r": -1, "down": -1, "d": -1}


class Columns(Options):
    """Which column holds what."""

    frequency: int | str = Field(description="column of the frequency: its number, from 1, or its name in the header")
    level: int | str = Field(description="column of the level: its number, from 1, or its name in the header")
    phase: int | str | None = Field(default=None, description="column of the phase, number or name; none if not given")

    @model_validator(mode="after")
    def _apart(self) -> Columns:
        given = [column for column in (self.frequency, self.level, self.phase) if column is not None]
        if any(isinstance(column, int) and column < 1 for column in given):
            raise ValueError("columns are counted from 1")
        if len(set(given)) < len(given):
            raise ValueError("frequency, level and phase are three different columns")
        return self


class PositiveIs(Options):
    """Which way positive angles go in the file names or in the manifest."""

    horizontal: Literal["left", "right"] = Field(
        default="left",
        description="side of positive angles on the horizontal orbit, seen from above along the reference axis",
    )
    vertical: Literal["up", "down"] = Field(default="up", description="side of positive angles on the vertical orbit")


class Resample(Options):
    """A logarithmic frequency grid to resample to."""

    low: float = Field(gt=0, allow_inf_nan=False, description="lowest frequency of the grid in Hz")
    high: float = Field(gt=0, allow_inf_nan=False, description="highest frequency of the grid in Hz")
    per_octave: int = Field(ge=1, le=960, description="points per octave, counted upwards from the lowest frequency")

    @model_validator(mode="after")
    def _rising(self) -> Resample:
        if not self.low < self.high:
            raise ValueError("`low` must lie below `high`")
        return self


class DelimitedOptions(Options):
    """Options of the importer for delimited text."""

    pattern: str | None = Field(
        default=None,
        description="file name as literal text with the fields {plane}, {angle}, {side} and {any}, for example "
        '"hall-north {plane} {angle}.txt"; upper and lower case are alike; with "/" the last folders count too',
    )
    manifest: Path | None = Field(
        default=None,
        description="table with the columns file, plane and angle, instead of a pattern; relative to the campaign file",
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
    columns: Columns | None = Field(
        default=None,
        description="columns of frequency, level and phase; by default found by the header's names, else 1, 2, 3",
    )
    level_scale: Literal["decibel", "pascal", "linear"] = Field(
        default="decibel",
        description='"decibel"; "pascal" for r.m.s. sound pressure, turned into dB re 20 µPa; "linear" for a '
        "magnitude without unit, turned into dB re 1",
    )
    phase_unit: Literal["degree", "radian"] = Field(default="degree", description="unit of the phase column")
    frequency_unit: Literal["hertz", "kilohertz"] = Field(default="hertz", description="unit of the frequency column")
    separator: Literal["auto", "comma", "tab", "semicolon", "blank"] = Field(
        default="auto", description="what stands between columns; blank is any run of blanks and tabs"
    )
    decimal: Literal["auto", "point", "comma"] = Field(
        default="auto", description="decimal mark; by default decided from each file as a whole"
    )
    encoding: Literal["auto", "utf-8", "utf-16", "latin-1"] = Field(default="auto", description="encoding of the text")
    missing: Literal["refuse", "keep"] = Field(
        default="refuse",
        description="what to do with empty cells, NaN and infinities in level or phase: refuse the file, or keep them "
        "as not measured and name their frequencies in the report",
    )
    skip_lines: int = Field(
        default=0, ge=0, description="lines to pass over at the start of each file whatever they hold"
    )
    skip_last_lines: int = Field(
        default=0, ge=0, description="lines to pass over at the end of each file whatever they hold"
    )
    resample: Resample | None = Field(
        default=None,
        description="logarithmic grid for directions whose frequencies differ; never beyond the range they share; "
        "left alone where all are on one grid",
    )

    @field_validator("pattern")
    @classmethod
    def _pattern(cls, pattern: str | None) -> str | None:
        if pattern is not None:
            parse_template(pattern)
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


def option_problems(options: DelimitedOptions, where: str) -> list[Problem]:
    """Problems between options, each of which is fine by itself."""
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
    if options.separator == "comma" and options.decimal == "comma":
        problems.append(
            Problem(
                where,
                "options `separator` and `decimal` are both comma",
                "a decimal comma with a tab, a semicolon or blanks; commas between columns with a decimal point",
                "export with another separator or with a decimal point: the two commas cannot be told apart",
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
