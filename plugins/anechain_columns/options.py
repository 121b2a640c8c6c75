"""Options of the importer for tables of impedance or harmonic orders."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from anechain.hooks import Options
from anechain.importing.name_patterns import pattern_tokens

__all__ = ["ColumnsOptions", "Kind", "Values", "drive_pattern_tokens"]

Kind = Literal["frequency", "magnitude", "phase", "real", "imaginary"]
Values = Literal["level", "relative", "percent"]
"""Kind of values of orders: level in dB, dB relative to the fundamental, or per cent of it."""
Column = Annotated[int, Field(ge=1)] | str
Order = Annotated[int, Field(ge=1, le=100)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]


def drive_pattern_tokens(pattern: str) -> tuple[str, ...]:
    """Split a file-name pattern into literal texts and the fields {drive} and {any}.

    Raises
    ------
    ValueError
        As :func:`anechain.importing.name_patterns.pattern_tokens`; the field drive is required.
    """
    return pattern_tokens(pattern, fields=("drive",), required=("drive",))


class ColumnsOptions(Options):
    """Options of the importer for tables of impedance or harmonic orders."""

    quantity: Literal["auto", "impedance", "harmonics"] = Field(
        default="auto", description="content of the tables; by default detected from the header"
    )
    columns: dict[Kind, Column] = Field(
        default_factory=dict,
        description="columns of frequency, and of magnitude and phase, or real and imaginary, of an impedance: number, "
        "from 1, or name in the header; by default detected from the header",
    )
    orders: dict[Order, Column] = Field(
        default_factory=dict,
        description="columns of harmonic orders by order, 1 being the fundamental: number, from 1, or name in the "
        "header; by default detected from names such as H2, k2, 2nd, order 2",
    )
    noise: dict[Order, Column] = Field(
        default_factory=dict,
        description="columns of the noise of each order: number, from 1, or name in the header; by default detected "
        "from names such as noise 2, H2 noise",
    )
    phases: dict[Order, Column] = Field(
        default_factory=dict,
        description="columns of the phase of each order re n times the phase of the excitation (0 degrees: a cosine): "
        "number, from 1, or name in the header; by default no phase is read",
    )
    values: Literal["auto", "level", "relative", "percent"] = Field(
        default="auto",
        description="values in the columns of orders above the first: level in dB, dB relative to the fundamental, or "
        "per cent of it; by default detected from the units in the header, and refused without them",
    )
    frequency_of: Literal["excitation", "harmonic"] = Field(
        default="excitation",
        description="frequency in each row of orders: that of the excitation, or that of each harmonic itself",
    )
    pattern: str | None = Field(
        default=None,
        description="if there is one file per drive: file name as literal text with the fields {drive} and {any}, for "
        'example "hall-north {drive} V.txt"; case is ignored',
    )
    drives: dict[str, Positive] = Field(
        default_factory=dict,
        description="V r.m.s. for each text of {drive} that is not a number, or for each file name if there is no "
        "pattern. High drives and levels damage hearing and equipment: follow local rules and qualified practice",
    )
    drive: Positive | None = Field(
        default=None,
        description="V r.m.s. at the terminals, if there is one file of harmonics, or for the impedance",
    )
    repeats: bool = Field(
        default=False, description="whether several files are repeated takes of one impedance; their mean is used"
    )
    impedance_unit: Literal["auto", "ohm", "kilohm"] = Field(
        default="auto",
        description="unit of the impedance; by default from the header, else ohm, with a note in the report",
    )
    phase_unit: Literal["auto", "degree", "radian"] = Field(
        default="auto",
        description="unit of the phase; by default from the header, else degree, with a note in the report",
    )
    frequency_unit: Literal["auto", "hertz", "kilohertz"] = Field(
        default="auto",
        description="unit of the frequency; by default from the header, else hertz, with a note in the report",
    )
    separator: Literal["auto", "comma", "tab", "semicolon", "blank"] = Field(
        default="auto", description="separator of columns; blank: any number of blanks and tabs"
    )
    decimal: Literal["auto", "point", "comma"] = Field(
        default="auto", description="decimal mark; by default detected in each file"
    )
    encoding: Literal["auto", "utf-8", "utf-16", "latin-1"] = Field(default="auto", description="encoding of the text")
    missing: Literal["refuse", "keep"] = Field(
        default="refuse",
        description="empty cells, NaN and infinities: refuse the file, or keep them as not measured and report their "
        "frequencies",
    )
    skip_lines: int = Field(default=0, ge=0, description="number of lines to ignore at the start of each file")
    skip_last_lines: int = Field(default=0, ge=0, description="number of lines to ignore at the end of each file")

    @field_validator("pattern")
    @classmethod
    def _check_pattern(cls, pattern: str | None) -> str | None:
        if pattern is not None:
            drive_pattern_tokens(pattern)
        return pattern

    @model_validator(mode="after")
    def _check_combinations(self) -> ColumnsOptions:
        kinds = self.columns.keys()
        impedance_kinds = kinds - {"frequency"}
        if ("real" in kinds) != ("imaginary" in kinds):
            raise ValueError("columns: real and imaginary are needed together")
        if "real" in kinds and impedance_kinds & {"magnitude", "phase"}:
            raise ValueError("columns: either magnitude and phase, or real and imaginary")
        if "phase" in kinds and "magnitude" not in kinds:
            raise ValueError("columns: a phase needs a magnitude")
        has_harmonics = bool(self.orders or self.noise or self.phases or self.pattern or self.drives)
        if self.quantity == "harmonics" and impedance_kinds:
            raise ValueError("columns of an impedance are given, but quantity is harmonics")
        if has_harmonics and (impedance_kinds or self.quantity == "impedance"):
            raise ValueError(
                "options of an impedance and of harmonics (orders, noise, phases, pattern, drives) are both given"
            )
        columns = [*self.columns.values(), *self.orders.values(), *self.noise.values(), *self.phases.values()]
        if len({str(column).strip().casefold() for column in columns}) < len(columns):
            raise ValueError("two entries of columns, orders, noise and phases are the same column")
        if self.noise.keys() - self.orders.keys() and self.orders:
            raise ValueError("noise is given for an order that is not in orders")
        if self.phases.keys() - self.orders.keys() and self.orders:
            raise ValueError("a phase is given for an order that is not in orders")
        if self.drive is not None and (self.pattern is not None or self.drives):
            raise ValueError("drive is for one file; pattern and drives are for several")
        if self.separator == "comma" and self.decimal == "comma":
            raise ValueError("separator and decimal are both comma: a comma cannot be both")
        return self
