"""One number of a device: its value, how sure it is, what made it, and where on a curve it is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

__all__ = [
    "Bound",
    "Mark",
    "Number",
    "Spread",
    "number_from_json",
    "number_to_json",
    "rounded",
    "rounded_uncertainty",
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
    interval : (float, float) or None
        What holds 95 % of the draws, as many below as above (JCGM 101, 7.7); None where nothing was drawn.
    """

    standard: float | None
    how: str = ""
    reason: str = ""
    note: str = ""
    interval: tuple[float, float] | None = None


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
    source, source_status : str
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
    source_status: str = ""
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


def rounded_uncertainty(uncertainty: float) -> float:
    """An uncertainty to three significant digits.

    Two are usual, more where it is rounded again (GUM, JCGM 100:2008, 7.2.6), as print does to the last digit shown.
    """
    return float(f"{uncertainty:.3g}")


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
        "uncertainty": None if number.uncertainty is None else rounded_uncertainty(number.uncertainty),
        "coverage_factor": number.coverage_factor,
        "propagation": number.propagation,
        "uncertainty_reason": number.uncertainty_reason,
        "method": number.method,
        "version": number.version,
        "source": number.source,
        "standing": number.source_status,
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
    members["source_status"] = members.pop("standing")
    # In canonical JSON 84.0 and 84 are one, and Python reads a whole number.
    for name in ("value", "uncertainty", "coverage_factor"):
        members[name] = float(members[name]) if isinstance(members[name], int) else members[name]
    return Number(id=id, **members, marks=tuple(Mark(**mark) for mark in entry["marks"]))


_FIGURES = {"Hz": 3, "Ω": 3, "m": 2}
"""Significant figures in print; a height read between orbit directions is not known to the millimetre."""


def _decimals(value: float, unit: str, uncertainty: float | None = None) -> int:
    """Decimals of a value in print; negative where not even all digits before the point are shown.

    One rule for a value and for what stands behind its "±", so that both end at the same digit.
    """
    if unit in _FIGURES:
        return _FIGURES[unit] - 1 - (math.floor(math.log10(abs(value))) if value else 0)
    if not unit:
        # A pure number has no more than it needs, be it a count, a rating in tenths or a coefficient.
        return max(_needed(value), 0 if uncertainty is None else _needed(uncertainty))
    return {"°": 0, "dB": 1 if abs(value) >= 9.95 else 2}.get(unit, 2)


def _needed(value: float, most: int = 2) -> int:
    """Decimals, at most so many, that a value is rounded to without last zeros; all of them if it would vanish."""
    if abs(value) < 0.5 * 10.0**-most and value:
        return most
    return len(f"{value:.{most}f}".rstrip("0").partition(".")[2])


def shown(value: float | str | None, unit: str, uncertainty: float | None = None) -> str:
    """A value in print, without its unit: as many digits as anybody reads.

    Parameters
    ----------
    value, unit
        As in :class:`Number`.
    uncertainty : float, optional
        What stands behind the value: then both end at the same digit (see :func:`shown_width`). Alone a frequency,
        length or resistance loses its last zeros.
    """
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    decimals = _decimals(value, unit, uncertainty)
    if unit in _FIGURES:
        rounded_off = float(f"{value:.{_FIGURES[unit]}g}")
        return f"{rounded_off:g}" if uncertainty is None else f"{rounded_off:.{max(decimals, 0)}f}"
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text.replace("-", "\N{MINUS SIGN}")


def shown_bound(number: Number) -> str:
    """The value of a number in print without its unit, with "≤" or "≥" before it where it is only a limit."""
    sign = {"": "", "at most": "\N{LESS-THAN OR EQUAL TO}\N{NO-BREAK SPACE}"}.get(
        number.bound, "\N{GREATER-THAN OR EQUAL TO}\N{NO-BREAK SPACE}"
    )
    return sign + shown(number.value, number.unit, number.uncertainty)


def shown_width(uncertainty: float, value: float, unit: str) -> str:
    """An uncertainty in print, to the last digit that is shown of its value (GUM, JCGM 100:2008, 7.2.6).

    Less than half of that digit is said to be under it.
    """
    decimals = _decimals(value, unit, uncertainty)
    last = 10.0**-decimals
    if uncertainty < last / 2:
        return f"under {last:g}"
    return f"{round(uncertainty, decimals):.{max(decimals, 0)}f}"
