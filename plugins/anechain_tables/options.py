"""Options of the importer for tables."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, field_validator, model_validator

from anechain.importing.direction_options import NamingOptions
from anechain.importing.direction_patterns import parse_template
from anechain.importing.frames import FieldOptions

__all__ = ["ColumnKind", "TablesOptions"]

Plane = Literal["horizontal", "vertical"]
ColumnKind = Literal["frequency", "level", "phase", "plane", "angle", "azimuth", "elevation"]


class TablesOptions(NamingOptions, FieldOptions):
    """Options of the importer for tables."""

    layout: Literal["auto", "wide", "long"] = Field(
        default="auto",
        description="wide (a column of levels for each direction), long (a row for each direction and frequency), or "
        "auto, by the titles",
    )
    sheets: tuple[str, ...] | None = Field(
        default=None, description="sheets of a workbook to read; required if it has several"
    )
    title_row: int | None = Field(
        default=None, ge=1, description="row or line of the titles; by default the first that names a frequency"
    )
    pattern: str | None = Field(
        default=None,
        description="wide tables: title of a column of levels: literal text with the fields {plane}, {angle}, {side} "
        'and {any}, for example "level {plane} {angle} [dB]"; by default titles such as 10, -10°, H10 and vertical 10',
    )
    phase_pattern: str | None = Field(
        default=None, description="wide tables: title of a column of phases, in the same form"
    )
    plane: Plane | dict[str, Plane] | None = Field(
        default=None,
        description="plane of all directions, or by sheet or file name, if titles or rows state only an angle",
    )
    columns: dict[ColumnKind, str] = Field(
        default_factory=dict,
        description="titles of columns that have other names: frequency, and in long tables level, phase, plane, "
        "angle, azimuth, elevation",
    )
    ignore: tuple[str, ...] = Field(default=(), description="titles of columns to leave out")
    manifest: None = Field(default=None, description="not used: the titles of a table state the directions")
    level_scale: Literal["decibel", "pascal", "linear"] = Field(
        default="decibel",
        description="decibel; pascal (r.m.s., converted to dB re 20 µPa) or linear (converted to dB re 1)",
    )
    phase_unit: Literal["degree", "radian"] = Field(default="degree", description="unit of the phases")
    frequency_unit: Literal["hertz", "kilohertz"] = Field(default="hertz", description="unit of the frequencies")
    separator: Literal["auto", "comma", "tab", "semicolon"] = Field(
        default="auto", description="separator of the columns of a text; by default determined from the titles"
    )
    decimal: Literal["auto", "point", "comma"] = Field(
        default="auto", description="decimal mark of a text; by default determined from the whole file"
    )
    encoding: Literal["auto", "utf-8", "utf-16", "latin-1"] = Field(default="auto", description="encoding of a text")
    missing: Literal["refuse", "keep"] = Field(
        default="refuse", description="empty cells: refuse the file, or keep them as not measured"
    )
    max_gap: float = Field(
        default=15.0,
        gt=0,
        le=90,
        description="tables with azimuth and elevation: widest gap of the grid in degrees across which levels are "
        "interpolated, and that a full sphere may have",
    )

    @field_validator("phase_pattern")
    @classmethod
    def _valid_phase_pattern(cls, pattern: str | None) -> str | None:
        if pattern is not None:
            parse_template(pattern)
        return pattern

    @model_validator(mode="after")
    def _phase_with_level(self) -> TablesOptions:
        if self.phase_pattern is not None and self.pattern is None:
            raise ValueError("phase_pattern requires a pattern for the levels")
        return self
