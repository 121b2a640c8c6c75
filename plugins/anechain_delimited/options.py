"""Options of the importer for delimited text."""

from __future__ import annotations

from typing import ClassVar, Literal

from pydantic import Field, model_validator

from anechain.errors import Problem
from anechain.hooks import Options
from anechain.importing.direction_options import NamingOptions, naming_problems

__all__ = ["Columns", "DelimitedOptions", "Resample", "option_problems"]


class Columns(Options):
    """Columns of frequency, level and phase."""

    frequency: int | str = Field(description="column of the frequency: number, from 1, or name in the header")
    level: int | str = Field(description="column of the level: number, from 1, or name in the header")
    phase: int | str | None = Field(
        default=None, description="column of the phase: number, from 1, or name in the header; by default no phase"
    )

    @model_validator(mode="after")
    def _check_columns(self) -> Columns:
        columns = [column for column in (self.frequency, self.level, self.phase) if column is not None]
        if any(isinstance(column, int) and column < 1 for column in columns):
            raise ValueError("columns are counted from 1")
        if len(set(columns)) < len(columns):
            raise ValueError("frequency, level and phase must be three different columns")
        return self


class Resample(Options):
    """Logarithmic frequency grid for resampling."""

    low: float = Field(gt=0, allow_inf_nan=False, description="lowest frequency of the grid in Hz")
    high: float = Field(gt=0, allow_inf_nan=False, description="highest frequency of the grid in Hz")
    per_octave: int = Field(ge=1, le=960, description="points per octave, counted from the lowest frequency upwards")

    @model_validator(mode="after")
    def _check_limits(self) -> Resample:
        if not self.low < self.high:
            raise ValueError("`low` must be below `high`")
        return self


class DelimitedOptions(NamingOptions):
    """Options of the importer for delimited text."""

    extra_fields: ClassVar[tuple[str, ...]] = ("take",)

    columns: Columns | None = Field(
        default=None,
        description="columns of frequency, level and phase; by default from the names in the header, else 1, 2, 3",
    )
    level_scale: Literal["decibel", "pascal", "linear"] = Field(
        default="decibel",
        description='"decibel"; "pascal": r.m.s. sound pressure, converted to dB re 20 µPa; "linear": magnitude '
        "without unit, converted to dB re 1",
    )
    phase_unit: Literal["degree", "radian"] = Field(default="degree", description="unit of the phase column")
    frequency_unit: Literal["hertz", "kilohertz"] = Field(default="hertz", description="unit of the frequency column")
    separator: Literal["auto", "comma", "tab", "semicolon", "blank"] = Field(
        default="auto", description="separator of columns; blank: any number of blanks and tabs"
    )
    decimal: Literal["auto", "point", "comma"] = Field(
        default="auto", description="decimal mark; by default detected in each file"
    )
    encoding: Literal["auto", "utf-8", "utf-16", "latin-1"] = Field(default="auto", description="encoding of the text")
    missing: Literal["refuse", "keep"] = Field(
        default="refuse",
        description="empty cells, NaN and infinities in level or phase: refuse the file, or keep them as not measured "
        "and report their frequencies",
    )
    skip_lines: int = Field(default=0, ge=0, description="number of lines to ignore at the start of each file")
    skip_last_lines: int = Field(default=0, ge=0, description="number of lines to ignore at the end of each file")
    resample: Resample | None = Field(
        default=None,
        description="logarithmic grid for directions with different frequencies, within their common range; not "
        "applied if all directions have the same frequencies",
    )


def option_problems(options: DelimitedOptions, where: str) -> list[Problem]:
    """Return problems of options that contradict each other.

    Parameters
    ----------
    options : DelimitedOptions
    where : str
        Name of the importer for error messages.
    """
    problems = naming_problems(options, where)
    if options.separator == "comma" and options.decimal == "comma":
        problems.append(
            Problem(
                where,
                "options `separator` and `decimal` are both comma",
                "a decimal comma with tabs, semicolons or blanks; or commas as separators with a decimal point",
                "export with another separator or with a decimal point: a comma cannot be both",
            )
        )
    return problems
