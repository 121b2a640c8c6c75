"""Figures of merit where they lie on the curves: limits and trend lines, peaks and dips, aims."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from anechain.errors import Refusal
from anechain.figures import style
from anechain.figures.curve_set import Look, lines_of, within
from anechain.figures.panels import Panel, Point, Series, Side, Stroke, stacked
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, PURPLE, VERMILION

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["aim_figure", "deviations_figure", "limits_figure"]

Floats = NDArray[np.float64]
Entries = Mapping[str, Mapping[str, Any]]

_LOOKS: dict[str, Look] = {
    "on_axis": (BLACK, DASHES[0]),
    "listening_window": (BLUE, DASHES[1]),
    "early_reflections": (GREEN, DASHES[2]),
    "sound_power": (VERMILION, DASHES[3]),
    "in_room": (PURPLE, DASHES[4]),
}
_SHAPES = {"resonance": ("circle", True), "interference or diffraction": ("diamond", False)}
_UNDECIDED = ("square", False)
_MOST_NUMBERED = 40


def _valued(numbers: Entries, prefix: str) -> list[Mapping[str, Any]]:
    """Numbers that have a value, of those whose id begins so, in the order in which they are shown."""
    ids: Sequence[str] = [*numbers["order"]] if "order" in numbers else [*numbers]
    return [numbers[id_] for id_ in ids if id_.startswith(prefix) and numbers[id_].get("value") is not None]


def _places(one: Mapping[str, Any]) -> list[tuple[str, float, float]]:
    """Marked points of a number: curve, Hz, dB."""
    return [(m["curve"], m["low_hz"], m["level_db"]) for m in one["marks"] if m.get("level_db") is not None]


def limits_figure(curves: xr.Dataset, numbers: Entries) -> dict[str, Any]:
    """Where the range ends, where the sensitivity is read, and which way the curves lean.

    Parameters
    ----------
    curves : xarray.Dataset
        After the contract `curves`.
    numbers : mapping
        Members of numbers.json by id; their marks say where they lie.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    Refusal
        If no curve has a value.
    """
    looks = {name: _LOOKS[name] for name in ("on_axis", "in_room")}
    lines, frequency, band, device = _lines(curves, looks)
    points, told = [], []
    looks_of: dict[str, tuple[str, bool, Side]] = {
        # Words stand where the curve, rising to the lower limits and falling from the upper ones, is not.
        "range.lower_": ("circle", True, "below right"),
        "range.upper_": ("circle", True, "below left"),
        "range.in_room.lower_": ("diamond", False, "above left"),
    }
    for prefix, (shape, filled, side) in looks_of.items():
        for one in _valued(numbers, prefix):
            _, drop, _ = one["title"].rsplit(", ", 2)
            for _, hz, level in _places(one):
                points.append(Point(hz, level, drop.removesuffix(" dB"), shape, filled, side))
                told.append(f"{one['title']}: {style.hertz(hz)}")
    strokes = []
    for one in _valued(numbers, "level.sensitivity"):
        mark = one["marks"][0]
        ends = [(mark["low_hz"], one["value"]), (mark["high_hz"], one["value"])]
        words = f"sensitivity {one['value']:.1f} dB"
        strokes.append(Stroke(ends[0], ends[1], words, _clear_of(lines, frequency, ends[1][0]), style.INK, (2, 2)))
    for name, (colour, _) in looks.items():
        for one in _valued(numbers, f"trend.{name}.slope"):
            ends = [(hz, level) for _, hz, level in _places(one)]
            if len(ends) == 2:
                words = f"{one['value']:+.2f} dB/octave".replace("-", "\N{MINUS SIGN}")
                where: Literal["above", "below"] = "below" if name == "in_room" else "above"
                strokes.append(
                    Stroke(ends[0], ends[1], words, _clear_of(lines, frequency, ends[1][0], where), colour, (6, 3))
                )
    panel = Panel(
        "level",
        style.level_title(str(curves.attrs["level_kind"])),
        style.level_limits(within(lines, frequency, band)),
        lines,
        points=tuple(points),
        strokes=tuple(strokes),
    )
    in_room = [one["note"].split("; ")[0] for one in _valued(numbers, "range.in_room.lower_") if one.get("note")]
    notes = [
        f"Filled: limits of the range on axis. Hollow: limits in the room{''.join(f', {one}' for one in in_room[:1])}. "
        "Dotted: band and level of the sensitivity. Dashed straight lines: trends in the band that they span.",
        "; ".join(told),
    ]
    sought = ("range.lower_", "range.upper_", "range.in_room", "level.sens")
    missing = [
        f"{numbers[id_]['title']}: {numbers[id_]['reason']}"
        for id_ in numbers.get("order", numbers)
        if id_.startswith(sought) and numbers[id_]["value"] is None
    ]
    return stacked(
        frequency,
        [panel],
        title=device,
        lines=[f"Limits and trends; {style.conditions(curves.attrs)}"],
        notes=[*notes, *(f"Not marked: {line}." for line in missing)],
        band=band,
    )


def _clear_of(
    lines: Sequence[Series], frequency: Floats, ends_at: float, side: Literal["above", "below"] = "above"
) -> float | None:
    """Level above, or below, all curves and their bands over the octave and a half that words ending there take."""
    here = (frequency <= ends_at) & (frequency >= ends_at / 2**1.5)
    sign = 1.0 if side == "above" else -1.0
    edges = [sign * line.values[here] + (0.0 if line.spread is None else line.spread[here]) for line in lines]
    known = np.concatenate([edge[np.isfinite(edge)] for edge in edges]) if edges else np.empty(0)
    return round(sign * float(known.max()), 2) if known.size else None


def _lines(
    curves: xr.Dataset, looks: Mapping[str, Look]
) -> tuple[tuple[Series, ...], Floats, tuple[float, float], str]:
    from anechain.acoustics.curves import TITLES

    device = str(curves.attrs["title"])
    lines = lines_of(curves, "level", "curve", looks, TITLES)
    if not lines:
        raise Refusal.because(device, "no curve has a value", mend="see the gaps of this device for what is missing")
    return lines, np.asarray(curves["frequency"].values, np.float64), style.valid_band(curves.attrs), device


def deviations_figure(curves: xr.Dataset, deviations: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Peaks and dips on the curves where they were found, by what the evidence says of their cause.

    Parameters
    ----------
    curves : xarray.Dataset
        After the contract `curves`.
    deviations : sequence of mapping
        The member `deviations` of numbers.json; they are numbered in its order.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    Refusal
        If no curve has a value.
    """
    lines, frequency, band, device = _lines(curves, _LOOKS)
    values = {line.column: line.values for line in lines}
    points = []
    for number, one in enumerate(deviations[:_MOST_NUMBERED], start=1):
        if one["curve"] not in values:
            continue
        shape, filled = _SHAPES.get(one["cause"], _UNDECIDED)
        level = float(np.interp(np.log(one["centre_hz"]), np.log(frequency), values[one["curve"]]))
        if np.isfinite(level):
            side: Side = "above" if one["height_db"] > 0 else "below"
            points.append(Point(one["centre_hz"], round(level, 2), str(number), shape, filled, side))
    panel = Panel(
        "level",
        style.level_title(str(curves.attrs["level_kind"])),
        style.level_limits(within(lines, frequency, band)),
        lines,
        points=tuple(points),
    )
    notes = [
        "Numbered as in the table of peaks and dips; marked on the curve in which each stands out most. Filled circle: "
        "like a resonance. Hollow diamond: like interference or diffraction. Hollow square: the evidence does not "
        "decide."
    ]
    if len(deviations) > _MOST_NUMBERED:
        notes.append(f"{len(deviations) - _MOST_NUMBERED} more at higher frequencies are in the table only.")
    return stacked(
        frequency,
        [panel],
        title=device,
        lines=[f"Peaks and dips: {len(deviations)}; {style.conditions(curves.attrs)}"],
        notes=notes,
        band=band,
    )


def aim_figure(aim: xr.Dataset) -> dict[str, Any]:
    """Direct sound at the listener: axis on the listener, axis parallel to the side walls, and the best toe-in.

    Parameters
    ----------
    aim : xarray.Dataset
        After the contract `aim`.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.
    """
    attrs = aim.attrs
    frequency = np.asarray(aim["frequency"].values, np.float64)
    toe_in, off_axis = (np.asarray(aim[name].values, np.float64) for name in ("toe_in", "off_axis"))
    level = np.asarray(aim["level"].transpose("toe_in", "frequency").values, np.float64)
    listener = float(attrs["listener"])
    wanted = {
        "axis": ("at the listener", listener, BLACK, DASHES[0]),
        "parallel": ("parallel", 0.0, VERMILION, DASHES[2]),
    }
    if "best_toe_in" in attrs:
        wanted["best"] = ("best", float(attrs["best_toe_in"]), BLUE, DASHES[1])
    lines: list[Series] = []
    taken: dict[int, str] = {}
    for column, (words, wished, colour, dash) in wanted.items():
        row = int(np.argmin(np.abs(toe_in - wished)))
        if abs(toe_in[row] - wished) > 0.01:
            continue
        if row in taken:
            words = f"{taken[row]}; {words}"
            lines = [line for line in lines if line.column != f"toe_in_{row}"]
        taken[row] = words
        away = f"{off_axis[row]:g}".replace("-", "\N{MINUS SIGN}")
        title = f"Toe-in {toe_in[row]:g}°, {away}° off: {words}"
        lines.append(Series(f"toe_in_{row}", column, title, level[row], colour, dash))
    band = style.valid_band(attrs)
    panel = Panel(
        "level",
        style.level_title(str(attrs["level_kind"])),
        style.level_limits(within(lines, frequency, band)),
        tuple(lines),
    )
    return stacked(
        frequency,
        [panel],
        title=str(attrs["title"]),
        lines=[f"Direct sound by aim; listener seen at {listener:g}°; {style.conditions(attrs)}"],
        notes=[
            "Off: angle between the axis and the listener. Parallel: axis parallel to the side walls. Best: follows "
            "its trend line most closely. Directions between measured ones are interpolated."
        ],
        band=band,
    )
