"""Figures of merit where they lie on the curves: limits and sensitivity, peaks and dips, aims."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np

from anechain.arrays import Floats
from anechain.campaign.model import CurveName
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.curve_set import CURVE_LOOKS, Look, lines_of, within
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panels import Panel, Point, Series, Side, Stroke, stacked
from anechain.figures.style import BLACK, BLUE, DASHES, VERMILION

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "aim_figure",
    "aim_of_device",
    "deviations_figure",
    "deviations_of_device",
    "limits_figure",
    "limits_of_device",
]

Entries = Mapping[str, Mapping[str, Any]]

_LOOKS: dict[str, Look] = {name: CURVE_LOOKS[name] for name in get_args(CurveName)}
_SHAPES = {"resonance": ("circle", True), "interference or diffraction": ("diamond", False)}
_UNDECIDED = ("square", False)
_MOST_NUMBERED = 40
_ASIDE = 1.35
"""Times the frequency of the outermost mark, or a share of it, at which words that stand apart begin."""
_LINE = 1.7
"""dB from one line of words to the next: 14 pixels of a panel with 8 to the decibel."""
_DECADES_PER_LETTER = 0.026
"""Width of a letter, on the average: 5 of 200 pixels to the decade."""


def _valued(numbers: Entries, prefix: str | tuple[str, ...]) -> list[Mapping[str, Any]]:
    """Numbers that have a value, of those whose id begins so, in the order in which they are shown."""
    ids: Sequence[str] = [*numbers["order"]] if "order" in numbers else [*numbers]
    return [numbers[id_] for id_ in ids if id_.startswith(prefix) and numbers[id_].get("value") is not None]


def _places(one: Mapping[str, Any]) -> list[tuple[str, float, float]]:
    """Marked points of a number: curve, Hz, dB."""
    return [(m["curve"], m["low_hz"], m["level_db"]) for m in one["marks"] if m.get("level_db") is not None]


@dataclass(frozen=True)
class _Kind:
    """Limits of one kind: ids begin so, the mark's shape, and its words in a note and beside the mark."""

    ids: tuple[str, ...]
    shape: str
    filled: bool
    noted: str
    beside: str


_KINDS = (
    _Kind(("range.lower_", "range.upper_"), "circle", True, "Filled circles: limits of the range", ""),
    _Kind(
        ("range.effective.",), "square", True, "Filled squares: effective frequency range", "effective frequency range"
    ),
    _Kind(("range.in_room.lower_",), "diamond", False, "Hollow diamonds: limits in the room", "in the room"),
    _Kind(("preference.lfx_frequency",), "triangle-up", False, "Hollow triangle: low-frequency extension (LFX)", "LFX"),
)
_HALF = "\N{MINUS SIGN}3 dB is "
"""How the part of a note begins that says what a drop of 3 dB means."""


def limits_figure(curves: xr.Dataset, numbers: Entries) -> dict[str, Any]:
    """Where the range ends, on whichever curve that was read, and where the sensitivity is read.

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
    InputError
        If no curve has a value.
    """
    found = [(kind, one) for kind in _KINDS for one in _valued(numbers, kind.ids) if _places(one)]
    marked = {curve for _, one in found for curve, _, _ in _places(one)} | {"on_axis", "in_room"}
    lines = _lines(curves, {name: look for name, look in _LOOKS.items() if name in marked})
    frequency = np.asarray(curves["frequency"].values, np.float64)
    lowest = style.level_limits(within(lines, frequency, style.valid_band(curves.attrs)))[0]
    lower: list[Point] = []
    upper: list[Point] = []
    noted: dict[str, None] = {}
    halves: dict[str, None] = {}
    for kind, one in found:
        first, *others = str(one.get("note", "")).split("; ")
        for curve, hz, level in _places(one):
            words = f"{_beside(kind, one, curve)}: {style.hertz(hz)}"
            ends = upper if one["title"].endswith("upper limit") else lower
            ends.append(Point(hz, level, words, kind.shape, kind.filled))
            noted[", ".join(filter(None, (kind.noted, _name(curve), first)))] = None
        halves |= dict.fromkeys(part for part in others if part.startswith(_HALF))
    lower = _words_apart(lower, "right", lines, frequency, lowest)
    upper = _words_apart(upper, "left", lines, frequency, lowest, lower)
    strokes = []
    for one in _valued(numbers, "level.sensitivity"):
        mark = one["marks"][0]
        start, end = (mark["low_hz"], one["value"]), (mark["high_hz"], one["value"])
        words = f"sensitivity {one['value']:.1f} dB"
        strokes.append(Stroke(start, end, words, _clear_of(lines, frequency, end[0]), style.INK, (2, 2)))
        noted["Dotted: band and level of the sensitivity"] = None
    noted |= halves
    sought = ("level.sens", *(id_ for kind in _KINDS for id_ in kind.ids))
    missing = [
        f"{numbers[id_]['title']}: {numbers[id_]['reason']}"
        for id_ in numbers.get("order", numbers)
        if id_.startswith(sought) and numbers[id_]["value"] is None
    ]
    notes = [*(f"{line}." for line in noted), *(f"Not marked: {line}." for line in missing)]
    return _figure(curves, lines, "Limits of the range and sensitivity", notes, [*lower, *upper], strokes)


def _name(curve: str) -> str:
    from anechain.acoustics.directivity.curve_titles import TITLES

    name = TITLES.get(curve, curve)
    return name[:1].lower() + name[1:]


def _beside(kind: _Kind, one: Mapping[str, Any], curve: str) -> str:
    """What one limit is, beside its mark: of the range on which curve, of the others which."""
    if not one["title"].endswith(" limit"):
        return kind.beside
    _, drop, _ = one["title"].rsplit(", ", 2)
    return f"{drop}, {kind.beside or _name(curve)}"


def _words_apart(
    points: Sequence[Point],
    side: Literal["left", "right"],
    lines: Sequence[Series],
    frequency: Floats,
    lowest: float,
    others: Sequence[Point] = (),
) -> list[Point]:
    """Marks of one end with their words in a column under the curves, on the side where these do not fall away.

    Parameters
    ----------
    points : sequence of Point
        Marks of the limits at one end.
    side : {"left", "right"}
        On which side of the marks the words stand.
    lines, frequency
        The curves that the words keep clear of.
    lowest : float
        dB, the lower end of the panel.
    others : sequence of Point
        Marks whose words stand already.
    """
    if not points:
        return []
    places = [one.frequency for one in points]
    at = max(places) * _ASIDE if side == "right" else min(places) / _ASIDE
    at = min(max(at, style.FREQUENCY_RANGE[0]), style.FREQUENCY_RANGE[1])
    reach = 10 ** (_DECADES_PER_LETTER * max(len(one.label) for one in points))
    low, high = (at, at * reach) if side == "right" else (at / reach, at)
    here = (frequency >= low) & (frequency <= high)
    edges = [line.values[here] - (0.0 if line.spread is None else line.spread[here]) for line in lines]
    known = np.concatenate([edge[np.isfinite(edge)] for edge in edges])
    first = float(known.min()) - _LINE if known.size else max(one.level for one in points)
    # Two columns that would lie side by side in one place lie one below the other.
    taken = [one.words_at[1] for one in others if one.words_at is not None and low < one.words_at[0] * reach]
    first = min([first, *(level - _LINE for level in taken)])
    first = max(first, lowest + _LINE * len(points))
    left, placed = sorted(points, key=lambda one: (-one.level, one.frequency)), []
    for row in range(len(points)):
        here_db = first - _LINE * row
        # The mark seen highest from these words: all others lie below the line to it, so that no two lines cross.
        seen = [(one.level - here_db) / max(abs(np.log(at / one.frequency)), 1e-3) for one in left]
        one = left.pop(int(np.argmax(seen)))
        placed.append(replace(one, side=side, words_at=(round(at, 2), round(here_db, 2))))
    return placed


def _clear_of(lines: Sequence[Series], frequency: Floats, ends_at: float) -> float | None:
    """Level above all curves and their bands over the octave and a half that words ending there take."""
    here = (frequency <= ends_at) & (frequency >= ends_at / 2**1.5)
    edges = [line.values[here] + (0.0 if line.spread is None else line.spread[here]) for line in lines]
    known = np.concatenate([edge[np.isfinite(edge)] for edge in edges]) if edges else np.empty(0)
    return round(float(known.max()), 2) if known.size else None


def _lines(curves: xr.Dataset, looks: Mapping[str, Look]) -> tuple[Series, ...]:
    from anechain.acoustics.directivity.curve_titles import TITLES

    lines = lines_of(curves, "level", "curve", looks, TITLES)
    if not lines:
        fix = "see the gaps of this device for what is missing"
        raise InputError.single(str(curves.attrs["title"]), "no curve has a value", fix=fix)
    return lines


def _figure(
    data: xr.Dataset,
    lines: Sequence[Series],
    what: str,
    notes: Sequence[str],
    points: Sequence[Point] = (),
    strokes: Sequence[Stroke] = (),
) -> dict[str, Any]:
    """One panel of levels, as high as what lies within the valid band asks for, with places marked in it."""
    attrs = data.attrs
    frequency, band = np.asarray(data["frequency"].values, np.float64), style.valid_band(attrs)
    title, limits = style.level_title(str(attrs["level_kind"])), style.level_limits(within(lines, frequency, band))
    return stacked(
        frequency,
        [Panel("level", title, limits, tuple(lines), points=tuple(points), strokes=tuple(strokes))],
        title=str(attrs["title"]),
        lines=[f"{what}; {style.conditions(attrs)}"],
        notes=notes,
        band=band,
    )


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
    InputError
        If no curve has a value.
    """
    lines, frequency = _lines(curves, _LOOKS), np.asarray(curves["frequency"].values, np.float64)
    values = {line.column: line.values for line in lines}
    points = []
    for number, one in enumerate(deviations[:_MOST_NUMBERED], start=1):
        if one["curve"] not in values:
            continue
        shape, filled = _SHAPES.get(one["cause"], _UNDECIDED)
        # Where the curve itself is highest or lowest: the centre of the fitted shape may lie beside that.
        hz = one["centre_hz"] if one["extreme_hz"] is None else one["extreme_hz"]
        level = float(np.interp(np.log(hz), np.log(frequency), values[one["curve"]]))
        if np.isfinite(level):
            side: Side = "above" if one["height_db"] > 0 else "below"
            points.append(Point(hz, round(level, 2), str(number), shape, filled, side))
    notes = [
        "Numbered as in the table of peaks and dips; marked where the curve that each is told of is highest or lowest "
        "there. Filled circle: like a resonance. Hollow diamond: like interference or diffraction. Hollow square: the "
        "evidence does not decide."
    ]
    if len(deviations) > _MOST_NUMBERED:
        notes.append(f"{len(deviations) - _MOST_NUMBERED} more at higher frequencies are in the table only.")
    return _figure(curves, lines, f"Peaks and dips: {len(deviations)}", notes, points)


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
    notes = [
        "Off: angle between the axis and the listener. Parallel: axis parallel to the side walls. Best: follows its "
        "trend line most closely. Directions between measured ones are interpolated."
    ]
    return _figure(aim, lines, f"Direct sound by aim; listener seen at {listener:g}°", notes)


def limits_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the limits of the frequency range, if a curve is there that they are read from."""
    if {"on_axis", "in_room"} & set(data["curves.nc"]["curve"].values):
        caption = (
            "Limits of the frequency range, each on the curve that it is read from, and the band of the sensitivity."
        )
        yield DeviceFigure("limits", caption, ("curves.nc", "numbers.json"), limits_figure)


def deviations_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of peaks and dips, if a curve is there that is searched."""
    if set(get_args(CurveName)) & set(data["curves.nc"]["curve"].values):
        caption = "Peaks and dips, numbered as in the table, by their probable cause."
        yield DeviceFigure(
            "deviations",
            caption,
            ("curves.nc", "numbers.json"),
            lambda curves, numbers: deviations_figure(curves, numbers["deviations"]),
        )


def aim_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the toe-in."""
    del data
    caption = "Direct sound at the listener by toe-in: towards the listener, parallel to the walls, and the best."
    yield DeviceFigure("aim", caption, ("aim.nc",), aim_figure)
