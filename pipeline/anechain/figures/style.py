"""Style of all figures: IEC 60263 scales, colours and dashes, axes, headings and notes.

Axis ratios follow IEC 60263:2020, clause 4.1 (one decade of frequency is as long as 10, 20, 25 or 50 dB; 25 dB here).
Colours are those of Okabe and Ito (2008) without the yellow, which is too light for a line on white; each curve also
has its own dash, so that curves can be distinguished without colour.
"""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

if TYPE_CHECKING:
    import altair as alt

__all__ = [
    "BLACK",
    "BLUE",
    "DASHES",
    "DECIBELS_PER_DECADE",
    "FREQUENCY_RANGE",
    "GREEN",
    "INK",
    "INTERACTIVE",
    "ORANGE",
    "PANEL_WIDTH",
    "PURPLE",
    "SHADE",
    "SKY",
    "VERMILION",
    "bands_outside",
    "conditions_text",
    "finish_spec",
    "format_frequency",
    "frequency_axis",
    "frequency_scale",
    "gap_notes",
    "heading",
    "index_limits",
    "inline_data",
    "labels_json",
    "level_axis_title",
    "level_limits",
    "mirrored_text",
    "notes_below",
    "panel_height",
    "rounded",
    "rounded_frequencies",
    "valid_band",
]


INTERACTIVE = "live"
"""Parameter of all figures: whether interactive marks are drawn (on a page, but not in print)."""

FREQUENCY_RANGE = (20.0, 20_000.0)
DECIBELS_PER_DECADE = 25.0
PANEL_WIDTH = 600
LEVEL_SPAN_DB = 50.0
GRID_STEP_DB = 5.0
HEADROOM_DB = 1.0
INDEX_RANGE = (-5.0, 15.0)
INDEX_EXTREMES = (-20.0, 30.0)

FONT = "Liberation Sans, Arial, Helvetica, sans-serif"
INK, GRID, DECADE_GRID, SHADE = "#222222", "#e4e4e4", "#bbbbbb", "#000000"
BLACK, ORANGE, SKY, GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
BLUE, VERMILION, PURPLE = "#0072B2", "#D55E00", "#CC79A7"

DASHES: tuple[tuple[float, ...], ...] = (
    (1, 0),
    (9, 3),
    (3, 2),
    (9, 2, 2, 2),
    (15, 4),
    (1.5, 1.5),
    (6, 2, 1.5, 2, 1.5, 2),
)

_LABELLED = (20, 50, 100, 200, 500, 1_000, 2_000, 5_000, 10_000, 20_000)
_TICKS = tuple(
    step * 10**decade for decade in (1, 2, 3, 4) for step in range(1, 10) if 20 <= step * 10**decade <= 20_000
)


def panel_height(span: float) -> float:
    """Return the height in pixels of a panel of `span` decibels, for the ratio of IEC 60263."""
    decades = math.log10(FREQUENCY_RANGE[1] / FREQUENCY_RANGE[0])
    return PANEL_WIDTH / decades * span / DECIBELS_PER_DECADE


def format_frequency(frequency: float) -> str:
    """Return a frequency with its unit: 55 Hz, 2.5 kHz."""
    return f"{frequency:.3g} Hz" if frequency < 999.5 else f"{frequency / 1000:.3g} kHz"


def rounded(values: ArrayLike, decimals: int = 2) -> list[float | None]:
    """Return values for JSON: rounded, by default to 0.01; None for NaN and infinity."""
    return [round(float(v), decimals) + 0.0 if math.isfinite(v) else None for v in np.asarray(values, np.float64)]


def rounded_frequencies(values: ArrayLike) -> list[float]:
    """Return frequencies to five significant digits; whole numbers as int."""
    short = (float(f"{v:.5g}") for v in np.asarray(values, np.float64))
    return [int(v) if v.is_integer() else v for v in short]


def level_limits(levels: ArrayLike) -> tuple[float, float]:
    """Return the limits of a level panel: 50 dB; the upper limit a multiple of 5 dB, 1 dB or more above all levels."""
    finite = np.asarray(levels, np.float64)
    finite = finite[np.isfinite(finite)]
    highest = float(finite.max()) if finite.size else 0.0
    top = math.ceil((highest + HEADROOM_DB) / GRID_STEP_DB) * GRID_STEP_DB
    return top - LEVEL_SPAN_DB, top


def index_limits(indices: ArrayLike) -> tuple[float, float]:
    """Return the limits of an index panel: -5 to 15 dB, extended by the data in 5 dB steps, at most to -20 and 30."""
    finite = np.asarray(indices, np.float64)
    finite = finite[np.isfinite(finite)]
    if not finite.size:
        return INDEX_RANGE
    low = min(INDEX_RANGE[0], math.floor(finite.min() / GRID_STEP_DB) * GRID_STEP_DB)
    high = max(INDEX_RANGE[1], math.ceil(finite.max() / GRID_STEP_DB) * GRID_STEP_DB)
    return max(low, INDEX_EXTREMES[0]), min(high, INDEX_EXTREMES[1])


def level_axis_title(level_kind: str) -> str:
    """Return the title of a level axis: sound pressure level, or relative level for data without a reference."""
    return "Relative level in dB" if level_kind == "relative" else "Sound pressure level in dB re 20 µPa"


def conditions_text(attrs: Mapping[Any, Any]) -> str:
    """Return the reference conditions of a level, the smoothing and the mirrored directions, in words.

    Parameters
    ----------
    attrs : mapping
        Attributes of a dataset: `level_kind`, and if known `drive` (V), `distance` (m), `smoothing` and
        `mirrored_directions`.
    """
    if attrs.get("level_kind") == "relative":
        parts = ["relative level, no absolute reference"]
    else:
        parts = [f"{float(attrs[key]):.4g} {unit}" for key, unit in (("drive", "V"), ("distance", "m")) if key in attrs]
        parts = [", ".join(parts)] if parts else []
    smoothing = str(attrs.get("smoothing", "")).strip()
    if smoothing:
        parts.append("no smoothing" if smoothing == "none" else f"smoothing: {smoothing}")
    parts += mirrored_text(attrs)
    return "; ".join(parts)


def mirrored_text(attrs: Mapping[Any, Any]) -> list[str]:
    """Return the directions that are mirrored by the declared symmetry of the device; empty if there are none."""
    if "mirrored_directions" not in attrs:
        return []
    return [f"mirrored by declared symmetry, not measured: {attrs['mirrored_directions']}"]


def valid_band(attrs: Mapping[Any, Any]) -> tuple[float, float]:
    """Return the valid band in Hz within the axis; the whole axis if none is stated."""
    low = float(attrs.get("valid_low", FREQUENCY_RANGE[0]))
    high = float(attrs.get("valid_high", FREQUENCY_RANGE[1]))
    return max(low, FREQUENCY_RANGE[0]), min(high, FREQUENCY_RANGE[1])


def bands_outside(band: tuple[float, float]) -> list[tuple[float, float]]:
    """Return the parts of the frequency axis outside a band, in Hz."""
    low, high = FREQUENCY_RANGE
    return [(a, b) for a, b in ((low, band[0]), (band[1], high)) if b > a]


def gap_notes(attrs: Mapping[Any, Any], drawn: Sequence[str], titles: Mapping[str, str]) -> list[str]:
    """Return notes on the missing curves of a figure, one for each reason, in the order of the legend."""
    gaps: dict[str, str] = json.loads(str(attrs.get("gaps") or "{}"))
    by_reason: dict[str, list[str]] = {}
    for identifier in drawn:
        if identifier in gaps:
            by_reason.setdefault(gaps[identifier], []).append(titles.get(identifier, identifier))
    return [f"Not shown ({reason}): {'; '.join(names)}." for reason, names in by_reason.items()]


def labels_json(labels: Mapping[str, str]) -> str:
    """Return labels by column as a Vega expression."""
    return json.dumps(dict(labels), ensure_ascii=False)


def frequency_scale() -> alt.Scale:
    """Return the logarithmic frequency scale, 20 Hz to 20 kHz."""
    import altair as alt

    return alt.Scale(type="log", domain=list(FREQUENCY_RANGE), nice=False)


def frequency_axis(labelled: bool = True) -> alt.Axis:
    """Return the frequency axis: a grid line at each digit of a decade, labels at 20, 50, 100 and so on."""
    import altair as alt

    names = {str(f): f"{f // 1000}k" if f >= 1000 else str(f) for f in _LABELLED}
    decade = "datum.value == 100 || datum.value == 1000 || datum.value == 10000"
    return alt.Axis(
        title="Frequency in Hz" if labelled else None,
        values=list(_TICKS),
        labels=labelled,
        labelExpr=f"{json.dumps(names)}[datum.value] || ''",
        labelOverlap=False,
        labelFlush=False,
        ticks=labelled,
        gridColor=alt.condition(decade, alt.value(DECADE_GRID), alt.value(GRID)),
    )


def heading(title: str, lines: Sequence[str]) -> alt.TitleParams:
    """Return the heading of a figure: a title and lines below it, wrapped."""
    import altair as alt

    below = [part for line in lines if line for part in textwrap.wrap(line, 110)]
    return alt.TitleParams(
        text=textwrap.wrap(title, 75) or [""],
        subtitle=below,
        anchor="start",
        fontSize=16,
        subtitleFontSize=12,
        subtitleColor=INK,
        subtitlePadding=5,
        offset=12,
    )


def notes_below(lines: Sequence[str]) -> alt.TitleParams | None:
    """Return the notes below the last panel, wrapped; None without notes."""
    import altair as alt

    folded = [part for line in lines if line for part in textwrap.wrap(line, 115, subsequent_indent="    ")]
    if not folded:
        return None
    return alt.TitleParams(
        text=folded, orient="bottom", anchor="start", frame="bounds", fontSize=11, fontWeight="normal", offset=10
    )


def inline_data(values: Sequence[Any], name: str) -> alt.InlineData:
    """Return data to be included in a specification, under a name.

    They are included as text, which :func:`finish_spec` parses: Altair copies a chart with all its data at every step,
    but not a text.
    """
    import altair as alt

    return alt.InlineData(values=json.dumps(values, ensure_ascii=False), name=name)


def _parse_inline_data(part: Any) -> Any:
    """Return a part of a specification with the text of :func:`inline_data` parsed."""
    if isinstance(part, list):
        return [_parse_inline_data(item) for item in part]
    if not isinstance(part, dict):
        return part
    parsed = {key: _parse_inline_data(item) for key, item in part.items()}
    data = parsed.get("data")
    if isinstance(data, dict) and isinstance(data.get("values"), str):
        parsed["data"] = {**data, "values": json.loads(data["values"])}
    return parsed


_CONFIG: dict[str, Any] = {
    "font": FONT,
    "axis": {
        "labelColor": INK,
        "titleColor": INK,
        "labelFontSize": 11,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "gridColor": GRID,
        "domainColor": "#888888",
        "tickColor": "#888888",
        "titlePadding": 8,
    },
    "legend": {
        "labelColor": INK,
        "titleColor": INK,
        "labelFontSize": 12,
        "titleFontSize": 12,
        "labelLimit": 300,
        "symbolStrokeWidth": 2,
        "rowPadding": -11,
        "offset": 16,
    },
    "title": {"color": INK, "subtitleColor": INK},
    "view": {"stroke": "#888888", "strokeWidth": 1},
}


def finish_spec(chart: alt.VConcatChart, description: str) -> dict[str, Any]:
    """Return the specification of a chart as a dictionary, with fonts and colours set."""
    # As a dictionary: each property that is set on a chart would copy all of it. The tests validate the result.
    spec = _parse_inline_data(chart.to_dict(validate=False))
    config = {**_CONFIG, "view": {**spec["config"]["view"], **_CONFIG["view"]}}
    params = [*spec.get("params", []), {"name": INTERACTIVE, "value": True}]
    layout = {"background": "white", "padding": 10, "spacing": 14, "description": description}
    return {**spec, **layout, "config": config, "params": params}
