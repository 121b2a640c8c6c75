"""Figure of the limits of the frequency range and of the band of the sensitivity, on the curves."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.figures import style
from anechain.figures.curve_set import values_in_band
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panel_elements import Point, Segment

if TYPE_CHECKING:
    import xarray as xr
from anechain.figures.curve_panel import NAMED_CURVE_LOOKS, curves_with_values, single_panel_figure
from anechain.figures.label_column import level_above_curves, place_labels

__all__ = ["limits_figure", "limits_of_device"]


Entries = Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True)
class _LimitKind:
    """A kind of limit.

    Attributes
    ----------
    ids : tuple of str
        Beginnings of the ids of its numbers.
    shape, filled : str, bool
        Its marker.
    note : str
        Its name in the notes.
    label : str
        Its name in labels; empty if labels name the curve instead.
    """

    ids: tuple[str, ...]
    shape: str
    filled: bool
    note: str
    label: str


_LIMIT_KINDS = (
    _LimitKind(("range.lower_", "range.upper_"), "circle", True, "Filled circles: limits of the range", ""),
    _LimitKind(
        ("range.effective.",), "square", True, "Filled squares: effective frequency range", "effective frequency range"
    ),
    _LimitKind(("range.in_room.lower_",), "diamond", False, "Hollow diamonds: limits in the room", "in the room"),
    _LimitKind(
        ("preference.lfx_frequency",), "triangle-up", False, "Hollow triangle: low-frequency extension (LFX)", "LFX"
    ),
)


_HALF_POWER_PREFIX = "\N{MINUS SIGN}3 dB is "
"""Beginning of the part of a note that explains a drop of 3 dB."""


def limits_figure(curves: xr.Dataset, numbers: Entries) -> dict[str, Any]:
    """Return the figure of the limits of the frequency range, on their curves, and of the band of the sensitivity.

    Parameters
    ----------
    curves : xarray.Dataset
        After the contract `curves`.
    numbers : mapping
        Members of numbers.json by id; their marks are the points on the curves.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If no curve has a value.
    """
    limits = [
        (kind, number)
        for kind in _LIMIT_KINDS
        for number in _numbers_with_value(numbers, kind.ids)
        if _marked_points(number)
    ]
    curve_names = {curve for _, number in limits for curve, _, _ in _marked_points(number)} | {"on_axis", "in_room"}
    drawn = curves_with_values(curves, {name: look for name, look in NAMED_CURVE_LOOKS.items() if name in curve_names})
    frequency = np.asarray(curves["frequency"].values, np.float64)
    lowest = style.level_limits(values_in_band(drawn, frequency, style.valid_band(curves.attrs)))[0]
    lower: list[Point] = []
    upper: list[Point] = []
    notes_by_text: dict[str, None] = {}
    half_power_notes: dict[str, None] = {}
    for kind, number in limits:
        first, *others = str(number.get("note", "")).split("; ")
        for curve, hz, level in _marked_points(number):
            label = f"{_label_of(kind, number, curve)}: {style.format_frequency(hz)}"
            points = upper if number["title"].endswith("upper limit") else lower
            points.append(Point(hz, level, label, kind.shape, kind.filled))
            notes_by_text[", ".join(filter(None, (kind.note, _curve_name(curve), first)))] = None
        half_power_notes |= dict.fromkeys(part for part in others if part.startswith(_HALF_POWER_PREFIX))
    lower = place_labels(lower, "right", drawn, frequency, lowest)
    upper = place_labels(upper, "left", drawn, frequency, lowest, lower)
    segments = []
    for number in _numbers_with_value(numbers, "level.sensitivity"):
        mark = number["marks"][0]
        start, end = (mark["low_hz"], number["value"]), (mark["high_hz"], number["value"])
        label = f"sensitivity {number['value']:.1f} dB"
        segments.append(Segment(start, end, label, level_above_curves(drawn, frequency, end[0]), style.INK, (2, 2)))
        notes_by_text["Dotted: band and level of the sensitivity"] = None
    notes_by_text |= half_power_notes
    prefixes = ("level.sens", *(id_ for kind in _LIMIT_KINDS for id_ in kind.ids))
    gaps = [
        f"{numbers[id_]['title']}: {numbers[id_]['reason']}"
        for id_ in numbers.get("order", numbers)
        if id_.startswith(prefixes) and numbers[id_]["value"] is None
    ]
    notes = [*(f"{note}." for note in notes_by_text), *(f"Not marked: {note}." for note in gaps)]
    return single_panel_figure(curves, drawn, "Limits of the range and sensitivity", notes, [*lower, *upper], segments)


def _numbers_with_value(numbers: Entries, prefix: str | tuple[str, ...]) -> list[Mapping[str, Any]]:
    """Return the numbers with a value whose ids begin with a prefix, in the order of the page."""
    ids: Sequence[str] = [*numbers["order"]] if "order" in numbers else [*numbers]
    return [numbers[id_] for id_ in ids if id_.startswith(prefix) and numbers[id_].get("value") is not None]


def _marked_points(number: Mapping[str, Any]) -> list[tuple[str, float, float]]:
    """Return the marked points of a number: curve, Hz, dB."""
    return [(m["curve"], m["low_hz"], m["level_db"]) for m in number["marks"] if m.get("level_db") is not None]


def _curve_name(curve: str) -> str:
    """Return the title of a curve with a lower-case initial."""
    from anechain.acoustics.directivity.curve_titles import TITLES

    name = TITLES.get(curve, curve)
    return name[:1].lower() + name[1:]


def _label_of(kind: _LimitKind, number: Mapping[str, Any], curve: str) -> str:
    """Return the label of a limit: its drop, with the name of its kind or of its curve."""
    if not number["title"].endswith(" limit"):
        return kind.label
    _, drop, _ = number["title"].rsplit(", ", 2)
    return f"{drop}, {kind.label or _curve_name(curve)}"


def limits_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the limits of the frequency range, if there is a curve that they can be on."""
    if {"on_axis", "in_room"} & set(data["curves.nc"]["curve"].values):
        caption = (
            "Limits of the frequency range on the curves that they are determined from, and the band of the "
            "sensitivity."
        )
        yield DeviceFigure("limits", caption, ("curves.nc", "numbers.json"), limits_figure)
