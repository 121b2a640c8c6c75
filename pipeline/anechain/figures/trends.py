"""Which way each curve leans, and how far it strays from its trend line, from its target and in bands."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.curve_set import CURVE_LOOKS
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panels import Panel, Point, Series, Side, Stroke, stacked
from anechain.figures.style import DASHES, ORANGE, SKY

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["FITTED", "OWN", "letters_of", "trends_figure", "trends_of_device"]

Entry = Mapping[str, Any]
Entries = Mapping[str, Entry]

FITTED, OWN, TARGET = (6.0, 3.0), DASHES[6], DASHES[2]
SMALLEST, LARGEST = 20.0, style.LEVEL_SPAN
"""dB that a panel of levels spans, at least and at most."""
LEFT_SMALLEST, LEFT_LARGEST = 5.0, 20.0
"""dB above and below nothing that a panel of deviations reaches, at least and at most."""
LETTERS = "abcdefghijklmnopqrstuvwxyz"


def trends_figure(trends: xr.Dataset, numbers: Entries) -> dict[str, Any]:
    """Each curve with its trend line and its target, and below it what is left of it beside them.

    Parameters
    ----------
    trends : xarray.Dataset
        After the contract `trends`.
    numbers : mapping
        Members of numbers.json by id: slopes, largest deviations, and where linearity has its highest and lowest value.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If no curve has a line, a target or a place of linearity.
    """
    attrs = trends.attrs
    frequency = np.asarray(trends["frequency"].values, np.float64)
    judged = float(attrs["band_low"]), float(attrs["band_high"])
    bands = letters_of(numbers)
    panels: list[Panel] = []
    for curve in (str(one) for one in trends["curve"].values):
        panels += _panels(trends.sel(curve=curve), curve, numbers, bands, frequency, judged)
    gaps = _gaps(numbers)
    if not panels:
        raise InputError.single(
            str(attrs["title"]), "no curve has a trend line, a target or a linearity", fix="; ".join(gaps)
        )
    return stacked(
        frequency,
        panels,
        title=str(attrs["title"]),
        lines=[f"Trends, targets and linearity, {_band_words(judged)}; {style.conditions(attrs)}"],
        notes=[*_notes(trends, panels, bands), *(f"Not drawn: {gap}." for gap in gaps)],
        band=style.valid_band(attrs),
    )


def _band_words(band: tuple[float, float]) -> str:
    return f"{style.hertz(band[0])} to {style.hertz(band[1])}"


def _signed(value: float, decimals: int) -> str:
    """With its sign, in print."""
    text = f"{value:+.{decimals}f}"
    return (text if float(text) else text[1:]).replace("-", "\N{MINUS SIGN}")


def _spreads(numbers: Entries) -> list[tuple[str, str, Entry]]:
    """Curve, band in words and entry of each linearity (±)."""
    found = []
    for id_ in numbers.get("order", numbers):
        if id_.startswith("linearity.") and id_.endswith(".plus_minus"):
            words = str(numbers[id_]["title"]).partition(":")[0].rpartition(", ")[2]
            found.append((id_.split(".")[1], words, numbers[id_]))
    return found


def letters_of(numbers: Entries) -> dict[str, str]:
    """Letter of each band of linearity by its words; without letters where there is one band."""
    words = list(dict.fromkeys(band for _, band, _ in _spreads(numbers)))
    letters = [LETTERS[at] if at < len(LETTERS) else f"{at + 1}" for at in range(len(words))]
    return dict(zip(words, letters if len(words) > 1 else [""] * len(words), strict=True))


def _panels(
    one: xr.Dataset,
    curve: str,
    numbers: Entries,
    bands: Mapping[str, str],
    frequency: Floats,
    judged: tuple[float, float],
) -> list[Panel]:
    """The curve beside its lines, and what is left of it; nothing where it is held against nothing."""
    from anechain.acoustics.directivity.curve_titles import TITLES

    values = {
        name: np.asarray(one[name].values, np.float64)
        for name in ("level", "line", "line_deviation", "target", "target_deviation")
    }
    there = {name for name, row in values.items() if np.isfinite(row).any()}
    places = _extremes(curve, numbers, bands)
    if "level" not in there or not (places or there & {"line", "target"}):
        return []
    own = str(one["origin"].values) == "set by the reviewer"
    slope = numbers.get(f"trend.{curve}.slope", {}).get("value")
    name = "Line set by the reviewer" if own else "Trend line"
    name = name if slope is None else f"{name}, {_signed(slope, 2)} dB/octave"
    shift = float(one["target_shift"].values)
    target = f"Target, moved by {_signed(shift, 1)} dB" if shift else "Target"
    looks = {
        "level": (TITLES.get(curve, curve), *CURVE_LOOKS[curve]),
        "line": (name, ORANGE, OWN if own else FITTED),
        "target": (target, SKY, TARGET),
    }
    lines = [
        Series(f"{curve}_{kind}", kind, words, values[kind], colour, dash)
        for kind, (words, colour, dash) in looks.items()
        if kind in there
    ]
    low, high = (choose([judged[at], *(p.frequency for p in places)]) for at, choose in ((0, min), (1, max)))
    inside = (frequency >= low) & (frequency <= high)
    seen = np.concatenate([line.values[inside] for line in lines])
    axis = "Relative level in dB" if str(one.attrs["level_kind"]) == "relative" else "Level in dB re 20 µPa"
    panels = [Panel(f"{curve}_level", axis, _level_limits(seen), tuple(lines), points=tuple(places))]
    left, points = [], []
    for kind, colour, dash in (("line", ORANGE, DASHES[0]), ("target", SKY, DASHES[1])):
        row = values[f"{kind}_deviation"]
        if f"{kind}_deviation" not in there:
            continue
        words = f"Less the {kind}"
        prefix = "trend" if kind == "line" else "target"
        for mark in _marks(numbers.get(f"{prefix}.{curve}.largest", {})):
            hz = float(mark["low_hz"])
            off = float(row[np.argmin(np.abs(np.log(frequency / hz)))])
            words += f": largest {_signed(off, 2)} dB, {style.hertz(hz)}"
            side = _side(hz, off, kind, numbers.get(f"target.{curve}.largest", {}), judged)
            shape = "diamond" if kind == "target" else "circle"
            points.append(Point(hz, round(off, 2), _signed(off, 2), shape, kind == "line", side))
        left.append(Series(f"{curve}_{kind}_deviation", kind, words, row, colour, dash))
    if left:
        limits = _left_limits(np.concatenate([line.values for line in left]))
        nothing = Stroke((judged[0], 0.0), (judged[1], 0.0), colour="#888888")
        panels.append(
            Panel(f"{curve}_left", "Deviation, dB", limits, tuple(left), points=tuple(points), strokes=(nothing,))
        )
    return panels


def _side(hz: float, off: float, kind: str, target: Entry, judged: tuple[float, float]) -> Side:
    """Where the words beside a largest deviation stand: those of line and target, often at one frequency, part."""
    aimed_at = [float(one["low_hz"]) for one in _marks(target)]
    if not aimed_at or (kind == "line" and abs(math.log2(hz / aimed_at[0])) > 1):
        return "above" if off > 0 else "below"
    outside = aimed_at[0] > math.sqrt(judged[0] * judged[1])
    return "right" if outside == (kind == "target") else "left"


def _marks(entry: Entry) -> list[Mapping[str, Any]]:
    """Places of a number that has a value."""
    return [one for one in entry.get("marks", ()) if one["level_db"] is not None]


def _extremes(curve: str, numbers: Entries, bands: Mapping[str, str]) -> list[Point]:
    """Highest and lowest value in the bands of linearity; bands that share one share its mark."""
    found: dict[tuple[float, float, bool], list[str]] = {}
    for of, band, entry in _spreads(numbers):
        marks = _marks(entry) if of == curve else []
        for highest, mark in zip((True, False), marks, strict=False):
            place = float(mark["low_hz"]), round(float(mark["level_db"]), 2), highest
            found.setdefault(place, []).append(bands[band])
    return [
        Point(
            hz,
            level,
            " ".join(letters).strip(),
            "triangle-up" if highest else "triangle-down",
            True,
            "above" if highest else "below",
        )
        for (hz, level, highest), letters in found.items()
    ]


def _level_limits(values: Floats) -> tuple[float, float]:
    """Limits on a 5 dB raster around the values, with room for words beside a mark; the top counts."""
    finite = values[np.isfinite(values)]
    top = math.ceil((float(finite.max()) + 2.5) / style.RASTER) * style.RASTER
    low = math.floor((float(finite.min()) - 2.5) / style.RASTER) * style.RASTER
    return top - min(max(top - low, SMALLEST), LARGEST), top


def _left_limits(values: Floats) -> tuple[float, float]:
    """Limits on a 5 dB raster around no deviation, with room for words beside a mark."""
    finite = values[np.isfinite(values)]
    high = math.ceil((float(finite.max()) + 2.5) / style.RASTER) * style.RASTER
    low = math.floor((float(finite.min()) - 2.5) / style.RASTER) * style.RASTER
    return max(min(low, -LEFT_SMALLEST), -LEFT_LARGEST), min(max(high, LEFT_SMALLEST), LEFT_LARGEST)


def _notes(trends: xr.Dataset, panels: Sequence[Panel], bands: Mapping[str, str]) -> list[str]:
    from anechain.acoustics.directivity.curve_titles import TITLES

    shapes = {point.shape for panel in panels for point in panel.points}
    words = []
    if "triangle-up" in shapes:
        of = ", ".join(f"{letter} {band}".strip() for band, letter in bands.items())
        words.append(f"Triangles: highest and lowest value in the bands of the linearity ({of}).")
    if "circle" in shapes:
        words.append("Filled circles: largest deviation from the line.")
    if "diamond" in shapes:
        words.append("Hollow diamonds: largest deviation from the target.")
    reasons: dict[str, str] = json.loads(str(trends.attrs["own_reasons"]))
    return [
        " ".join(words),
        *(f"{TITLES.get(curve, curve)}: set by the reviewer: {why}" for curve, why in reasons.items()),
    ]


def _gaps(numbers: Entries) -> list[str]:
    """What is asked for and cannot be had, with its reason."""
    places = [
        *(id_ for id_ in numbers.get("order", numbers) if id_.startswith("trend.") and id_.endswith(".slope")),
        *(id_ for id_ in numbers.get("order", numbers) if id_.endswith((".largest", ".plus_minus"))),
    ]
    gaps: dict[str, str] = {}
    for id_ in places:
        kind, curve = id_.split(".")[:2]
        if kind in ("trend", "target", "linearity") and numbers[id_]["value"] is None:
            # Without a line there is no deviation from it.
            gaps.setdefault(f"{kind} {curve} {id_ if kind == 'linearity' else ''}", _gap(numbers[id_]))
    return list(gaps.values())


def _gap(entry: Entry) -> str:
    return f"{entry['title']}: {entry['reason']}"


def trends_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the trend lines."""
    del data
    caption = (
        "Curves with trend and target; deviations below, with the highest and lowest value in the bands of the "
        "linearity."
    )
    yield DeviceFigure("trends", caption, ("trends.nc", "numbers.json"), trends_figure)
