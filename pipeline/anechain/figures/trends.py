"""Figure of the curves with trend line and target, and of the deviations from them."""

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
from anechain.figures.panel_elements import Panel, Point, Segment, Series, Side
from anechain.figures.panels import stack_panels
from anechain.figures.style import DASHES, ORANGE, SKY

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["REVIEWER_DASH", "TREND_DASH", "band_letters", "trends_figure", "trends_of_device"]

Entry = Mapping[str, Any]
Entries = Mapping[str, Entry]

GREY = "#6a6a6a"
TREND_DASH, REVIEWER_DASH, TARGET_DASH = (6.0, 3.0), DASHES[6], DASHES[2]
MIN_SPAN_DB, MAX_SPAN_DB = 20.0, style.LEVEL_SPAN_DB
"""dB: minimum and maximum height of a panel of levels."""
MIN_DEVIATION_DB, MAX_DEVIATION_DB = 5.0, 20.0
"""dB above and below zero: minimum and maximum limit of a panel of deviations."""
_REFERENCES: dict[str, tuple[str, str, str, tuple[float, ...], str]] = {
    "line": ("trend", "trend line", ORANGE, DASHES[0], "circle"),
    "own_line": ("own_trend", "reviewer's line", GREY, DASHES[2], "square"),
    "target": ("target", "target", SKY, DASHES[1], "diamond"),
}
"""What a curve is compared with: part of the numbers' ids, name in print, look of the deviation, shape of its largest
value."""
LETTERS = "abcdefghijklmnopqrstuvwxyz"


def trends_figure(trends: xr.Dataset, numbers: Entries) -> dict[str, Any]:
    """Return the figure of each curve with trend line and target, and below it the deviations from them.

    Parameters
    ----------
    trends : xarray.Dataset
        After the contract `trends`.
    numbers : mapping
        Members of numbers.json by id: slopes, largest deviations, highest and lowest values of the linearity.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If no curve has a trend line, a target or a linearity.
    """
    attrs = trends.attrs
    frequency = np.asarray(trends["frequency"].values, np.float64)
    trend_band = float(attrs["band_low"]), float(attrs["band_high"])
    bands = band_letters(numbers)
    panels: list[Panel] = []
    for curve in (str(name) for name in trends["curve"].values):
        panels += _panels(trends.sel(curve=curve), curve, numbers, bands, frequency, trend_band)
    gaps = _gap_notes(numbers)
    if not panels:
        raise InputError.single(
            str(attrs["title"]), "no curve has a trend line, a target or a linearity", fix="; ".join(gaps)
        )
    return stack_panels(
        frequency,
        panels,
        title=str(attrs["title"]),
        lines=[f"Trends, targets and linearity, {_band_text(trend_band)}; {style.conditions_text(attrs)}"],
        notes=[*_notes(trends, panels, bands), *(f"Not drawn: {gap}." for gap in gaps)],
        band=style.valid_band(attrs),
    )


def _band_text(band: tuple[float, float]) -> str:
    return f"{style.format_frequency(band[0])} to {style.format_frequency(band[1])}"


def _signed(value: float, decimals: int) -> str:
    """Return a number with its sign, in print."""
    text = f"{value:+.{decimals}f}"
    return (text if float(text) else text[1:]).replace("-", "\N{MINUS SIGN}")


def _linearity_entries(numbers: Entries) -> list[tuple[str, str, Entry]]:
    """Return curve, band in words and entry of each linearity (±)."""
    entries = []
    for id_ in numbers.get("order", numbers):
        if id_.startswith("linearity.") and id_.endswith(".plus_minus"):
            band = str(numbers[id_]["title"]).partition(":")[0].rpartition(", ")[2]
            entries.append((id_.split(".")[1], band, numbers[id_]))
    return entries


def band_letters(numbers: Entries) -> dict[str, str]:
    """Return the letter of each band of the linearity; an empty text if there is only one band."""
    names = list(dict.fromkeys(band for _, band, _ in _linearity_entries(numbers)))
    letters = [LETTERS[index] if index < len(LETTERS) else f"{index + 1}" for index in range(len(names))]
    return dict(zip(names, letters if len(names) > 1 else [""] * len(names), strict=True))


def _panels(
    of_curve: xr.Dataset,
    curve: str,
    numbers: Entries,
    bands: Mapping[str, str],
    frequency: Floats,
    trend_band: tuple[float, float],
) -> list[Panel]:
    """Return the panels of a curve and of its deviations; none without trend line, target and linearity."""
    from anechain.acoustics.directivity.curve_titles import TITLES

    values = {
        name: np.asarray(of_curve[name].values, np.float64)
        for name in ("level", *(f"{kind}{part}" for kind in _REFERENCES for part in ("", "_deviation")))
    }
    present = {name for name, row in values.items() if np.isfinite(row).any()}
    extremes = _linearity_points(curve, numbers, bands)
    if "level" not in present or not (extremes or present & {*_REFERENCES}):
        return []
    shift = float(of_curve["target_shift"].values)
    target = f"Target, shifted by {_signed(shift, 1)} dB" if shift else "Target"
    looks = {
        "level": (TITLES.get(curve, curve), *CURVE_LOOKS[curve]),
        "line": (_line_title("Trend line", numbers.get(f"trend.{curve}.slope")), ORANGE, TREND_DASH),
        "own_line": (
            _line_title("Set by the reviewer", numbers.get(f"own_trend.{curve}.slope")),
            GREY,
            REVIEWER_DASH,
        ),
        "target": (target, SKY, TARGET_DASH),
    }
    lines = [
        Series(f"{curve}_{kind}", kind, title, values[kind], colour, dash)
        for kind, (title, colour, dash) in looks.items()
        if kind in present
    ]
    low, high = (choose([trend_band[end], *(p.frequency for p in extremes)]) for end, choose in ((0, min), (1, max)))
    inside = (frequency >= low) & (frequency <= high)
    drawn_values = np.concatenate([line.values[inside] for line in lines])
    axis = "Relative level in dB" if str(of_curve.attrs["level_kind"]) == "relative" else "Level in dB re 20 µPa"
    panels = [Panel(f"{curve}_level", axis, _level_limits(drawn_values), tuple(lines), points=tuple(extremes))]
    deviations, points = [], []
    for kind, (prefix, words, colour, dash, shape) in _REFERENCES.items():
        row = values[f"{kind}_deviation"]
        if f"{kind}_deviation" not in present:
            continue
        title = f"From the {words}"
        for mark in _marks(numbers.get(f"{prefix}.{curve}.largest", {})):
            hz = float(mark["low_hz"])
            deviation = float(row[np.argmin(np.abs(np.log(frequency / hz)))])
            title += f": largest {_signed(deviation, 2)} dB, {style.format_frequency(hz)}"
            side = _side(hz, deviation, kind, numbers.get(f"target.{curve}.largest", {}), trend_band)
            points.append(Point(hz, round(deviation, 2), _signed(deviation, 2), shape, kind == "line", side))
        deviations.append(Series(f"{curve}_{kind}_deviation", kind, title, row, colour, dash))
    if deviations:
        limits = _deviation_limits(np.concatenate([line.values for line in deviations]))
        zero_line = Segment((trend_band[0], 0.0), (trend_band[1], 0.0), colour="#888888")
        panels.append(
            Panel(
                f"{curve}_deviation",
                "Deviation in dB",
                limits,
                tuple(deviations),
                points=tuple(points),
                segments=(zero_line,),
            )
        )
    return panels


def _line_title(name: str, slope: Entry | None) -> str:
    """Return the name of a line with its slope, if that is known."""
    value = None if slope is None else slope.get("value")
    return name if value is None else f"{name}, {_signed(value, 2)} dB/octave"


def _side(hz: float, deviation: float, kind: str, target: Entry, trend_band: tuple[float, float]) -> Side:
    """Return the side of the label of a largest deviation, since trend line and target often share a frequency."""
    target_hz = [float(mark["low_hz"]) for mark in _marks(target)]
    if not target_hz or (kind == "line" and abs(math.log2(hz / target_hz[0])) > 1):
        return "above" if deviation > 0 else "below"
    in_upper_half = target_hz[0] > math.sqrt(trend_band[0] * trend_band[1])
    return "right" if in_upper_half == (kind == "target") else "left"


def _marks(entry: Entry) -> list[Mapping[str, Any]]:
    """Return the marked points of a number; none if it has no value."""
    return [mark for mark in entry.get("marks", ()) if mark["level_db"] is not None]


def _linearity_points(curve: str, numbers: Entries, bands: Mapping[str, str]) -> list[Point]:
    """Return the points of the highest and lowest value in each band of the linearity; equal points are merged."""
    letters_by_point: dict[tuple[float, float, bool], list[str]] = {}
    for entry_curve, band, entry in _linearity_entries(numbers):
        marks = _marks(entry) if entry_curve == curve else []
        for highest, mark in zip((True, False), marks, strict=False):
            point = float(mark["low_hz"]), round(float(mark["level_db"]), 2), highest
            letters_by_point.setdefault(point, []).append(bands[band])
    return [
        Point(
            hz,
            level,
            " ".join(letters).strip(),
            "triangle-up" if highest else "triangle-down",
            True,
            "above" if highest else "below",
        )
        for (hz, level, highest), letters in letters_by_point.items()
    ]


def _level_limits(values: Floats) -> tuple[float, float]:
    """Return limits of multiples of 5 dB around the values, with room for labels; low values may be outside."""
    finite = values[np.isfinite(values)]
    top = math.ceil((float(finite.max()) + 2.5) / style.GRID_STEP_DB) * style.GRID_STEP_DB
    low = math.floor((float(finite.min()) - 2.5) / style.GRID_STEP_DB) * style.GRID_STEP_DB
    return top - min(max(top - low, MIN_SPAN_DB), MAX_SPAN_DB), top


def _deviation_limits(values: Floats) -> tuple[float, float]:
    """Return limits of multiples of 5 dB around zero deviation, with room for labels."""
    finite = values[np.isfinite(values)]
    high = math.ceil((float(finite.max()) + 2.5) / style.GRID_STEP_DB) * style.GRID_STEP_DB
    low = math.floor((float(finite.min()) - 2.5) / style.GRID_STEP_DB) * style.GRID_STEP_DB
    return max(min(low, -MIN_DEVIATION_DB), -MAX_DEVIATION_DB), min(max(high, MIN_DEVIATION_DB), MAX_DEVIATION_DB)


def _notes(trends: xr.Dataset, panels: Sequence[Panel], bands: Mapping[str, str]) -> list[str]:
    """Return the notes that explain the marks, and the reasons of trends set by the reviewer."""
    from anechain.acoustics.directivity.curve_titles import TITLES

    shapes = {point.shape for panel in panels for point in panel.points}
    texts = []
    if "triangle-up" in shapes:
        names = ", ".join(f"{letter} {band}".strip() for band, letter in bands.items())
        texts.append(f"Triangles: highest and lowest value in the bands of the linearity ({names}).")
    if "circle" in shapes:
        texts.append("Filled circles: largest deviation from the trend line.")
    if "square" in shapes:
        texts.append("Hollow squares: largest deviation from the reviewer's line.")
    if "diamond" in shapes:
        texts.append("Hollow diamonds: largest deviation from the target.")
    reasons: dict[str, str] = json.loads(str(trends.attrs["own_reasons"]))
    return [
        " ".join(texts),
        *(f"{TITLES.get(curve, curve)}: line set by the reviewer: {why}" for curve, why in reasons.items()),
    ]


def _gap_notes(numbers: Entries) -> list[str]:
    """Return the requested numbers that have no value, with the reasons."""
    ids = [
        *(
            id_
            for id_ in numbers.get("order", numbers)
            if id_.startswith(("trend.", "own_trend.")) and id_.endswith(".slope")
        ),
        *(id_ for id_ in numbers.get("order", numbers) if id_.endswith((".largest", ".plus_minus"))),
    ]
    gaps: dict[str, str] = {}
    for id_ in ids:
        kind, curve = id_.split(".")[:2]
        if kind in ("trend", "own_trend", "target", "linearity") and numbers[id_]["value"] is None:
            # A missing trend line or target is stated once: its deviation has the same reason.
            gaps.setdefault(f"{kind} {curve} {id_ if kind == 'linearity' else ''}", _gap_text(numbers[id_]))
    return list(gaps.values())


def _gap_text(entry: Entry) -> str:
    return f"{entry['title']}: {entry['reason']}"


def trends_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the trend lines, if any curve has a trend line, a target or a linearity."""
    trends, numbers = data["trends.nc"], data["numbers.json"]
    bands = band_letters(numbers)
    curves = [str(name) for name in trends["curve"].values]
    has_reference = any(np.isfinite(trends[kind].values).any() for kind in _REFERENCES)
    if not has_reference and not any(_linearity_points(curve, numbers, bands) for curve in curves):
        return
    caption = (
        "Curves with trend line and target; deviations below. Triangles: highest and lowest value in the bands of the "
        "linearity."
    )
    yield DeviceFigure("trends", caption, ("trends.nc", "numbers.json"), trends_figure)
