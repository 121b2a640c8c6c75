"""One number of a device: its value, its uncertainty, its method, and where on a curve it is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

__all__ = [
    "Bound",
    "Mark",
    "Number",
    "Uncertainty",
    "format_interval",
    "format_uncertainty",
    "format_value",
    "format_with_bound",
    "number_from_json",
    "number_to_json",
    "rounded",
    "rounded_uncertainty",
]

Bound = Literal["", "at most", "at least"]

STORED_DIGITS = 6
"""Significant digits that are kept; further digits depend on the processor."""


@dataclass(frozen=True)
class Mark:
    """A point or a band of a curve that a number refers to.

    Attributes
    ----------
    curve : str
        Identifier of a curve or index.
    low_hz, high_hz : float
        Hz; equal for a point.
    level_db : float or None
        dB at that point; None for a band.
    """

    curve: str
    low_hz: float
    high_hz: float
    level_db: float | None = None


@dataclass(frozen=True)
class Uncertainty:
    """The uncertainty of a number.

    Attributes
    ----------
    standard : float or None
        Standard uncertainty (k = 1) in the unit of the number; None if it is not known.
    propagation : str
        How it was propagated to the number; empty if it was not.
    reason : str
        Why it is not known; empty if it is.
    note : str
        A remark, such as the number of draws in which the number could not be determined.
    interval : (float, float) or None
        95 % interval, with equal probabilities on both sides (JCGM 101, 7.7); None if only the standard uncertainty is
        known.
    """

    standard: float | None
    propagation: str = ""
    reason: str = ""
    note: str = ""
    interval: tuple[float, float] | None = None


@dataclass(frozen=True)
class Number:
    """A figure of merit with all that a reader needs to assess it.

    Attributes
    ----------
    id : str
        Stable name: "level.sensitivity".
    heading : str
        Heading under which it is shown.
    title : str
        Title in print.
    value : float or str or None
        None for a gap; then `reason` is set.
    unit : str
        "dB", "Hz", "dB/octave", "°", "Ω", "m"; empty for a count, a dimensionless number or a text.
    bound : {"", "at most", "at least"}
        Whether the value is only a limit: "at most" if it may contain noise or is at the end of the data, "at least" if
        nothing beyond was measured; empty for a value.
    uncertainty : float or None
        Expanded: the standard uncertainty times `coverage_factor`; None if it is not known.
    coverage_factor : float or None
        k of the expanded uncertainty; None without one.
    interval : (float, float) or None
        95 % interval, in place of `uncertainty` where it is not symmetric about the value; None otherwise.
    propagation : str
        How the uncertainty was propagated to the number; empty without one.
    uncertainty_reason : str
        Why there is no uncertainty; empty with an uncertainty, or without a value.
    method, version : str, int
        Id and version of the method that computed it.
    source, source_status : str
        Source of the method.
    note : str
        Conditions and remarks: the reference, the reviewer's reason, a doubt.
    reason : str
        Why there is no value; empty with a value.
    marks : tuple of Mark
        Points or bands of curves that it refers to.
    """

    id: str
    heading: str
    title: str
    value: float | str | None
    unit: str = ""
    bound: Bound = ""
    uncertainty: float | None = None
    coverage_factor: float | None = None
    interval: tuple[float, float] | None = None
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
            raise ValueError(f"{self.id}: either a value or a reason why it is missing")
        if isinstance(self.value, float) and not math.isfinite(self.value):
            raise ValueError(f"{self.id}: {self.value} is not a finite value")
        if self.interval is not None and self.uncertainty is not None:
            raise ValueError(f"{self.id}: either an expanded uncertainty or an interval")
        if self.bound and self.value is None:
            raise ValueError(f"{self.id}: a gap cannot be a limit")


def rounded(value: float) -> float:
    """Return a value with six significant digits, never minus zero."""
    return float(f"{value:.{STORED_DIGITS}g}") + 0.0


def rounded_uncertainty(uncertainty: float) -> float:
    """Return an uncertainty with three significant digits.

    Two digits are usual, and more if the value is rounded again (GUM, JCGM 100:2008, 7.2.6), as it is in print.
    """
    return float(f"{uncertainty:.3g}")


def number_to_json(number: Number) -> dict[str, Any]:
    """Return a number as a JSON object, as in numbers.json under its id."""

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
        "interval": None if number.interval is None else [rounded(end) for end in number.interval],
        "propagation": number.propagation,
        "uncertainty_reason": number.uncertainty_reason,
        "method": number.method,
        "version": number.version,
        "source": number.source,
        "source_status": number.source_status,
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
    """Return the number that :func:`number_to_json` wrote."""
    members = {name: value for name, value in entry.items() if name not in ("marks", "source_status")}
    members["source_status"] = entry["source_status"]
    # Canonical JSON writes 84.0 as 84, which Python reads as an integer.
    for name in ("value", "uncertainty", "coverage_factor"):
        members[name] = float(members[name]) if isinstance(members[name], int) else members[name]
    low_high = members.pop("interval")
    members["interval"] = None if low_high is None else (float(low_high[0]), float(low_high[1]))
    return Number(id=id, **members, marks=tuple(Mark(**mark) for mark in entry["marks"]))


_SIGNIFICANT_DIGITS = {"Hz": 3, "Ω": 3, "m": 2}
"""Significant digits in print; a height interpolated between directions is not accurate to the millimetre."""


def _decimals(value: float, unit: str, uncertainty: float | None = None) -> int:
    """Return the decimals of a value in print; negative if not all digits before the point are significant.

    The same rule holds for a value and its uncertainty, so that both end at the same digit.
    """
    if unit in _SIGNIFICANT_DIGITS:
        return _SIGNIFICANT_DIGITS[unit] - 1 - (math.floor(math.log10(abs(value))) if value else 0)
    if not unit:
        # A dimensionless number has only the decimals it needs: a count, a rating in tenths, or a coefficient.
        return max(_needed_decimals(value), 0 if uncertainty is None else _needed_decimals(uncertainty))
    return {"°": 0, "dB": 1 if abs(value) >= 9.95 else 2}.get(unit, 2)


def _needed_decimals(value: float, max_decimals: int = 2) -> int:
    """Return the decimals of a value without final zeros; `max_decimals` if it would be rounded to zero."""
    if abs(value) < 0.5 * 10.0**-max_decimals and value:
        return max_decimals
    return len(f"{value:.{max_decimals}f}".rstrip("0").partition(".")[2])


def format_value(value: float | str | None, unit: str, uncertainty: float | None = None) -> str:
    """Return a value in print, without its unit, with its significant digits.

    Parameters
    ----------
    value, unit
        As in :class:`Number`.
    uncertainty : float, optional
        The expanded uncertainty of the value; both then end at the same digit (see :func:`format_uncertainty`).
        Without it, a
        frequency, length or resistance has no final zeros.
    """
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    decimals = _decimals(value, unit, uncertainty)
    if unit in _SIGNIFICANT_DIGITS:
        rounded_off = float(f"{value:.{_SIGNIFICANT_DIGITS[unit]}g}")
        return f"{rounded_off:g}" if uncertainty is None else f"{rounded_off:.{max(decimals, 0)}f}"
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0 else text.replace("-", "\N{MINUS SIGN}")


def format_with_bound(number: Number) -> str:
    """Return the value of a number in print without its unit, with "≤" or "≥" in front if it is only a limit."""
    sign = {"": "", "at most": "\N{LESS-THAN OR EQUAL TO}\N{NO-BREAK SPACE}"}.get(
        number.bound, "\N{GREATER-THAN OR EQUAL TO}\N{NO-BREAK SPACE}"
    )
    return sign + format_value(number.value, number.unit, number.uncertainty)


def format_uncertainty(uncertainty: float, value: float, unit: str) -> str:
    """Return an uncertainty in print, rounded to the last digit of its value (GUM, JCGM 100:2008, 7.2.6).

    An uncertainty below half of that digit is printed as "under" that digit.
    """
    decimals = _decimals(value, unit, uncertainty)
    last = 10.0**-decimals
    if uncertainty < last / 2:
        return f"under {last:g}"
    return f"{round(uncertainty, decimals):.{max(decimals, 0)}f}"


def format_interval(interval: tuple[float, float], unit: str) -> str:
    """Return an interval in print, without its unit: "49.6 to 57.4", both ends with the decimals of the larger one."""
    low, high = interval
    largest = max(interval, key=abs)
    low_text, high_text = (format_value(end, unit, high - low) for end in interval)
    if unit in _SIGNIFICANT_DIGITS:
        decimals = max(_decimals(largest, unit), 0)
        low_text, high_text = (f"{end:.{decimals}f}".replace("-", "\N{MINUS SIGN}") for end in interval)
    return f"{low_text} to {high_text}"
