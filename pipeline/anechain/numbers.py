"""One number of a device: its value, how sure it is, what made it, and where on a curve it is; and tables of them."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

__all__ = [
    "Bound",
    "Mark",
    "Number",
    "Spread",
    "number_from_json",
    "number_to_json",
    "numbers_csv",
    "rounded",
    "shown",
    "shown_bound",
    "shown_width",
]

Bound = Literal["", "at most", "at least"]

DIGITS = 6
"""Significant digits that are kept: what lies beyond differs between processors and means nothing here."""


@dataclass(frozen=True)
class Mark:
    """Where on a curve a number is.

    Attributes
    ----------
    curve : str
        Identifier of a curve or index.
    low_hz, high_hz : float
        Hz; the same twice for a point.
    level_db : float or None
        dB at that point; None for a band.
    """

    curve: str
    low_hz: float
    high_hz: float
    level_db: float | None = None


@dataclass(frozen=True)
class Spread:
    """How sure a number is.

    Attributes
    ----------
    standard : float or None
        Standard uncertainty (k = 1) in the unit of the number; None if it is not known.
    how : str
        How it was carried to the number; empty if it was not.
    reason : str
        Why it is not known; empty if it is.
    note : str
        What has to be said with it: draws in which the number was lost.
    """

    standard: float | None
    how: str = ""
    reason: str = ""
    note: str = ""


@dataclass(frozen=True)
class Number:
    """A figure of merit with everything that a reader needs to judge it.

    Attributes
    ----------
    id : str
        Stable name: "level.sensitivity".
    heading : str
        Under which it is shown.
    title : str
        What it is, in print.
    value : float or str or None
        None for a gap, and then `reason` says why.
    unit : str
        "dB", "Hz", "dB/octave", "°", "Ω", "m"; empty for a count, a pure number or a word.
    bound : {"", "at most", "at least"}
        Whether the value is only a limit of the quantity: "at most" where noise may be in it or the data end, "at
        least" where nothing beyond was measured; empty for a value.
    uncertainty : float or None
        Expanded: the standard uncertainty times `coverage_factor`; None if it is not known.
    coverage_factor : float or None
        k of the expanded uncertainty; None without one.
    propagation : str
        How the uncertainty was carried to the number; empty without one.
    uncertainty_reason : str
        Why there is no uncertainty; empty if there is, or if there is no value.
    method, version : str, int
        Id and version of the method that made it.
    source, standing : str
        Of the method.
    note : str
        What belongs to it: the reference, the reviewer's reason, a doubt.
    reason : str
        Why there is no value; empty if there is.
    marks : tuple of Mark
        Where on which curve.
    """

    id: str
    heading: str
    title: str
    value: float | str | None
    unit: str = ""
    bound: Bound = ""
    uncertainty: float | None = None
    coverage_factor: float | None = None
    propagation: str = ""
    uncertainty_reason: str = ""
    method: str = ""
    version: int = 0
    source: str = ""
    standing: str = ""
    note: str = ""
    reason: str = ""
    marks: tuple[Mark, ...] = field(default=())

    def __post_init__(self) -> None:
        if (self.value is None) != bool(self.reason):
            raise ValueError(f"{self.id}: a value, or a reason why there is none")
        if isinstance(self.value, float) and not math.isfinite(self.value):
            raise ValueError(f"{self.id}: {self.value} is no value")
        if self.bound and self.value is None:
            raise ValueError(f"{self.id}: a gap is no limit of a value")


def rounded(value: float) -> float:
    """A value to six significant digits; never minus zero."""
    return float(f"{value:.{DIGITS}g}") + 0.0


def number_to_json(number: Number) -> dict[str, Any]:
    """What numbers.json holds of a number, under its id."""

    def plain(value: Any) -> Any:
        return rounded(value) if isinstance(value, float) else value

    return {
        "heading": number.heading,
        "title": number.title,
        "value": plain(number.value),
        "unit": number.unit,
        "bound": number.bound,
        "uncertainty": plain(number.uncertainty),
        "coverage_factor": number.coverage_factor,
        "propagation": number.propagation,
        "uncertainty_reason": number.uncertainty_reason,
        "method": number.method,
        "version": number.version,
        "source": number.source,
        "standing": number.standing,
        "note": number.note,
        "reason": number.reason,
        "marks": [
            {
                "curve": mark.curve,
                "low_hz": rounded(mark.low_hz),
                "high_hz": rounded(mark.high_hz),
                "level_db": plain(mark.level_db),
            }
            for mark in number.marks
        ],
    }


def number_from_json(id: str, entry: Mapping[str, Any]) -> Number:
    """The number that :func:`number_to_json` wrote."""
    members = {name: value for name, value in entry.items() if name != "marks"}
    return Number(id=id, **members, marks=tuple(Mark(**mark) for mark in entry["marks"]))


_FIGURES = {"Hz": 3, "Ω": 3, "m": 2}
"""Significant figures in print; a height read between orbit directions is not known to the millimetre."""


def _decimals(value: float, unit: str) -> int:
    """Decimals of a value in print; negative where not even all digits before the point are shown."""
    if unit in _FIGURES:
        return _FIGURES[unit] - 1 - (math.floor(math.log10(abs(value))) if value else 0)
    return {"°": 0, "dB": 1 if abs(value) >= 9.95 else 2}.get(unit, 2)


def shown(value: float | str | None, unit: str, whole: bool = True) -> str:
    """A value in print, without its unit: as many digits as anybody reads.

    Parameters
    ----------
    value, unit
        As in :class:`Number`.
    whole : bool
        Whether a frequency, length or resistance may lose its last zeros; beside an uncertainty it keeps them.
    """
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if unit in _FIGURES:
        rounded_off = float(f"{value:.{_FIGURES[unit]}g}")
        return f"{rounded_off:g}" if whole else f"{rounded_off:.{max(_decimals(value, unit), 0)}f}"
    text = f"{value:.{_decimals(value, unit)}f}"
    text = text.rstrip("0").rstrip(".") if not unit else text
    return text.removeprefix("-") if float(text) == 0 else text.replace("-", "\N{MINUS SIGN}")


def shown_bound(number: Number) -> str:
    """The value of a number in print without its unit, with "≤" or "≥" before it where it is only a limit."""
    sign = {"": "", "at most": "\N{LESS-THAN OR EQUAL TO}\N{NO-BREAK SPACE}"}.get(
        number.bound, "\N{GREATER-THAN OR EQUAL TO}\N{NO-BREAK SPACE}"
    )
    return sign + shown(number.value, number.unit, number.uncertainty is None)


def shown_width(uncertainty: float, value: float, unit: str) -> str:
    """An uncertainty in print, to the last digit that is shown of its value (GUM, JCGM 100:2008, 7.2.6).

    Less than half of that digit is said to be under it.
    """
    decimals = _decimals(value, unit)
    last = 10.0**-decimals
    if uncertainty < last / 2:
        return f"under {last:g}"
    return f"{round(uncertainty, decimals):.{max(decimals, 0)}f}"


_COLUMNS = (
    "device",
    "device_title",
    "quantity",
    "heading",
    "title",
    "value",
    "unit",
    "bound",
    "uncertainty",
    "coverage_factor",
    "method",
    "version",
    "standing",
    "note",
    "reason",
)


def numbers_csv(devices: Sequence[tuple[str, str, Iterable[Number]]]) -> bytes:
    """A table of the numbers of several devices, a line each.

    Parameters
    ----------
    devices : sequence of (str, str, iterable of Number)
        Id, name in print, numbers.

    Returns
    -------
    bytes
        UTF-8, comma separated, lines ending in a line feed; an empty cell where there is no value.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for device, device_title, numbers in devices:
        for one in numbers:
            uncertainty = one.uncertainty_reason if one.uncertainty is None else _cell(one.uncertainty)
            writer.writerow(
                [
                    device,
                    device_title,
                    one.id,
                    one.heading,
                    one.title,
                    _cell(one.value),
                    one.unit,
                    one.bound,
                    "" if one.uncertainty is None else uncertainty,
                    _cell(one.coverage_factor),
                    one.method,
                    one.version,
                    one.standing,
                    one.note,
                    one.reason,
                ]
            )
    return out.getvalue().encode()


def _cell(value: float | str | None) -> str:
    return "" if value is None else f"{value:.{DIGITS}g}" if isinstance(value, float) else str(value)
