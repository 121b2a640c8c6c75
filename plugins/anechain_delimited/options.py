"""What a campaign can tell this importer about its files."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field, model_validator

from anechain.errors import Problem
from anechain.hooks import Options
from anechain.importing.direction_options import NamingOptions, naming_problems

__all__ = ["Columns", "DelimitedOptions", "Resample", "option_problems"]


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


class DelimitedOptions(NamingOptions):
    """Options of the importer for delimited text."""

    more_fields: ClassVar[tuple[str, ...]] = ("take",)

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


def option_problems(options: DelimitedOptions, where: str) -> list[Problem]:
    """Problems between options, each of which is fine by itself."""
    problems = naming_problems(options, where)
    if options.separator == "comma" and options.decimal == "comma":
        problems.append(
            Problem(
                where,
                "options `separator` and `decimal` are both comma",
                "a decimal comma with a tab, a semicolon or blanks; commas between columns with a decimal point",
                "export with another separator or with a decimal point: the two commas cannot be told apart",
            )
        )
    return problems
