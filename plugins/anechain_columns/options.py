"""What a campaign can tell this importer about its tables."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from anechain.hooks import Options

__all__ = ["ColumnsOptions", "Kind", "Values", "pattern_tokens"]

Kind = Literal["frequency", "magnitude", "phase", "real", "imaginary"]
Values = Literal["level", "relative", "percent"]
Column = Annotated[int, Field(ge=1)] | str
Order = Annotated[int, Field(ge=1, le=100)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]


def pattern_tokens(pattern: str) -> tuple[str, ...]:
    """Split a file-name pattern into literal texts and the fields {drive} and {any}, which keep their braces.

    Raises
    ------
    ValueError
        If a field is unknown, {drive} is not there once, or two fields touch.
    """
    tokens = tuple(token for token in re.split(r"(\{[^{}]*\})", pattern) if token)
    fields = [token for token in tokens if token[0] == "{" and token[-1] == "}"]
    if any(brace in token for token in tokens if token not in fields for brace in "{}"):
        raise ValueError(f"a brace of {pattern!r} has no partner")
    if unknown := [field for field in fields if field not in ("{drive}", "{any}")]:
        raise ValueError(f"{unknown[0]} is not a field; fields are {{drive}} and {{any}}")
    if fields.count("{drive}") != 1:
        raise ValueError(f"{pattern!r} needs the field {{drive}} once")
    if re.search(r"\}\{", pattern):
        raise ValueError(f"two fields of {pattern!r} touch: literal text has to stand between them")
    return tokens


class ColumnsOptions(Options):
    """Options of the importer for tables of impedance or harmonic orders."""

    quantity: Literal["auto", "impedance", "harmonics"] = Field(
        default="auto", description="what the tables hold; by default told from the header"
    )
    columns: dict[Kind, Column] = Field(
        default_factory=dict,
        description="columns of frequency, and of magnitude and phase, or real and imaginary, of an impedance: number, "
        "from 1, or name in the header; by default told from the header",
    )
    orders: dict[Order, Column] = Field(
        default_factory=dict,
        description="columns of harmonic orders by order, 1 being the fundamental: number, from 1, or name in the "
        "header; by default told from names such as H2, k2, 2nd, order 2",
    )
    noise: dict[Order, Column] = Field(
        default_factory=dict,
        description="columns of the noise under each order, likewise; by default noise 2, H2 noise",
    )
    values: Literal["auto", "level", "relative", "percent"] = Field(
        default="auto",
        description="what the columns of orders above the first hold: level in dB, dB relative to the fundamental, or "
        "per cent of it; by default by the header's units, and refused where these do not say",
    )
    frequency_of: Literal["excitation", "harmonic"] = Field(
        default="excitation",
        description="whose frequency a row of orders is at: the excitation's, or that of each harmonic itself",
    )
    pattern: str | None = Field(
        default=None,
        description="file name as literal text with the fields {drive} and {any}, where there is a file per drive, for "
        'example "hall-north {drive} V.txt"; upper and lower case are alike',
    )
    drives: dict[str, Positive] = Field(
        default_factory=dict,
        description="volts r.m.s. for each word of {drive} (a number needs none), or for each file name where there "
        "is no pattern. High drives and levels hurt hearing and equipment: local rules and qualified practice decide",
    )
    drive: Positive | None = Field(
        default=None,
        description="volts r.m.s. at the terminals, if there is one file of harmonics, or of the impedance",
    )
    repeats: bool = Field(
        default=False, description="whether several files are repeated takes of one impedance, of which the mean counts"
    )
    impedance_unit: Literal["auto", "ohm", "kilohm"] = Field(
        default="auto", description="unit of the impedance; by default the header's, else ohm, which the report says"
    )
    phase_unit: Literal["auto", "degree", "radian"] = Field(
        default="auto", description="unit of the phase; by default the header's, else degree, which the report says"
    )
    frequency_unit: Literal["auto", "hertz", "kilohertz"] = Field(
        default="auto", description="unit of the frequency; by default the header's, else hertz, which the report says"
    )
    separator: Literal["auto", "comma", "tab", "semicolon", "blank"] = Field(
        default="auto", description="what stands between columns; blank is any run of blanks and tabs"
    )
    decimal: Literal["auto", "point", "comma"] = Field(
        default="auto", description="decimal mark; by default decided from each file as a whole"
    )
    encoding: Literal["auto", "utf-8", "utf-16", "latin-1"] = Field(default="auto", description="encoding of the text")
    missing: Literal["refuse", "keep"] = Field(
        default="refuse",
        description="what to do with empty cells, NaN and infinities: refuse the file, or keep them as not measured "
        "and name their frequencies in the report",
    )
    skip_lines: int = Field(
        default=0, ge=0, description="lines to pass over at the start of each file whatever they hold"
    )
    skip_last_lines: int = Field(
        default=0, ge=0, description="lines to pass over at the end of each file whatever they hold"
    )

    @field_validator("pattern")
    @classmethod
    def _pattern(cls, pattern: str | None) -> str | None:
        if pattern is not None:
            pattern_tokens(pattern)
        return pattern

    @model_validator(mode="after")
    def _together(self) -> ColumnsOptions:
        kinds = self.columns.keys()
        of_impedance = kinds - {"frequency"}
        if ("real" in kinds) != ("imaginary" in kinds):
            raise ValueError("columns: real and imaginary belong together")
        if "real" in kinds and of_impedance & {"magnitude", "phase"}:
            raise ValueError("columns: either magnitude and phase, or real and imaginary")
        if "phase" in kinds and "magnitude" not in kinds:
            raise ValueError("columns: a phase needs a magnitude")
        of_harmonics = bool(self.orders or self.noise or self.pattern or self.drives)
        if self.quantity == "harmonics" and of_impedance:
            raise ValueError("columns of an impedance are given, but quantity is harmonics")
        if of_harmonics and (of_impedance or self.quantity == "impedance"):
            raise ValueError("options of an impedance and of harmonics (orders, noise, pattern, drives) are both given")
        named = [*self.columns.values(), *self.orders.values(), *self.noise.values()]
        if len({str(column).strip().casefold() for column in named}) < len(named):
            raise ValueError("two entries of columns, orders and noise are the same column")
        if self.noise.keys() - self.orders.keys() and self.orders:
            raise ValueError("noise is given for an order that orders does not name")
        if self.drive is not None and (self.pattern is not None or self.drives):
            raise ValueError("drive is for one file; pattern and drives are for several")
        if self.separator == "comma" and self.decimal == "comma":
            raise ValueError("separator and decimal are both comma, which cannot be told apart")
        return self
