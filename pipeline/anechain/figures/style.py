"""How every figure looks: the IEC 60263 scales, the colours and dashes, the words around a figure.

Axis ratios follow IEC 60263:2020, clause 4.1 (one decade of frequency is as long as 10, 20, 25 or 50 dB; 25 dB here).
Colours are those of Okabe and Ito (2008) without the yellow, which is too light for a line on white; each curve also
has a dash of its own, so that curves are told apart in grey.
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
    "LIVE",
    "ORANGE",
    "PANEL_WIDTH",
    "PURPLE",
    "SHADE",
    "SKY",
    "VERMILION",
    "conditions",
    "finish",
    "frequency_axis",
    "frequency_scale",
    "gap_lines",
    "heading",
    "hertz",
    "index_limits",
    "inline",
    "labels_of",
    "level_limits",
    "level_title",
    "outside",
    "panel_height",
    "rounded",
    "rounded_frequency",
    "under_figure",
    "valid_band",
]


LIVE = "live"
"""Parameter of every figure: whether the marks that answer to a pointer are drawn (in a page, not in print)."""

FREQUENCY_RANGE = (20.0, 20_000.0)
DECIBELS_PER_DECADE = 25.0
PANEL_WIDTH = 600
LEVEL_SPAN = 50.0
RASTER = 5.0
HEADROOM = 1.0
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
    """Height in pixels of a panel that spans so many decibels, after the ratio of IEC 60263."""
    decades = math.log10(FREQUENCY_RANGE[1] / FREQUENCY_RANGE[0])
    return PANEL_WIDTH / decades * span / DECIBELS_PER_DECADE


def hertz(frequency: float) -> str:
    """A frequency in words: 55 Hz, 2.5 kHz."""
    return f"{frequency:.3g} Hz" if frequency < 999.5 else f"{frequency / 1000:.3g} kHz"


def rounded(values: ArrayLike, decimals: int = 2) -> list[float | None]:
    """Values as JSON holds them: rounded (0.01 dB), None where there is none."""
    return [round(float(v), decimals) + 0.0 if math.isfinite(v) else None for v in np.asarray(values, np.float64)]


def rounded_frequency(values: ArrayLike) -> list[float]:
    """Frequencies to five significant digits, whole numbers without a point."""
    short = (float(f"{v:.5g}") for v in np.asarray(values, np.float64))
    return [int(v) if v.is_integer() else v for v in short]


def level_limits(levels: ArrayLike) -> tuple[float, float]:
    """Limits of a level panel: 50 dB, the top on a 5 dB raster at least 1 dB above the highest finite level."""
    finite = np.asarray(levels, np.float64)
    finite = finite[np.isfinite(finite)]
    highest = float(finite.max()) if finite.size else 0.0
    top = math.ceil((highest + HEADROOM) / RASTER) * RASTER
    return top - LEVEL_SPAN, top


def index_limits(indices: ArrayLike) -> tuple[float, float]:
    """Limits of an index panel: -5 to 15 dB, stretched by 5 dB steps where the data need it (to -20 and 30 dB)."""
    finite = np.asarray(indices, np.float64)
    finite = finite[np.isfinite(finite)]
    if not finite.size:
        return INDEX_RANGE
    low = min(INDEX_RANGE[0], math.floor(finite.min() / RASTER) * RASTER)
    high = max(INDEX_RANGE[1], math.ceil(finite.max() / RASTER) * RASTER)
    return max(low, INDEX_EXTREMES[0]), min(high, INDEX_EXTREMES[1])


def level_title(level_kind: str) -> str:
    """What the level axis says: sound pressure level, or relative level where the data have no reference."""
    return "Relative level in dB" if level_kind == "relative" else "Sound pressure level in dB re 20 µPa"


def conditions(attrs: Mapping[Any, Any]) -> str:
    """The conditions a level is referred to, and the smoothing, in words.

    Parameters
    ----------
    attrs : mapping
        Of a dataset: `level_kind`, and where they are known `drive` (V), `distance` (m) and `smoothing`.
    """
    if attrs.get("level_kind") == "relative":
        parts = ["relative level, no absolute reference"]
    else:
        parts = [f"{float(attrs[key]):.4g} {unit}" for key, unit in (("drive", "V"), ("distance", "m")) if key in attrs]
        parts = [", ".join(parts)] if parts else []
    smoothing = str(attrs.get("smoothing", "")).strip()
    if smoothing:
        parts.append("no smoothing" if smoothing == "none" else f"smoothing: {smoothing}")
    return "; ".join(parts)


def valid_band(attrs: Mapping[Any, Any]) -> tuple[float, float]:
    """The valid band in Hz within the axis; the whole axis where none is stated."""
    low = float(attrs.get("valid_low", FREQUENCY_RANGE[0]))
    high = float(attrs.get("valid_high", FREQUENCY_RANGE[1]))
    return max(low, FREQUENCY_RANGE[0]), min(high, FREQUENCY_RANGE[1])


def outside(band: tuple[float, float]) -> list[tuple[float, float]]:
    """The stretches of the frequency axis outside the valid band, in Hz."""
    low, high = FREQUENCY_RANGE
    return [(a, b) for a, b in ((low, band[0]), (band[1], high)) if b > a]


def gap_lines(attrs: Mapping[Any, Any], drawn: Sequence[str], titles: Mapping[str, str]) -> list[str]:
    """What a figure lacks and why, one line per reason, in the order in which the figure would show it."""
    gaps: dict[str, str] = json.loads(str(attrs.get("gaps") or "{}"))
    by_reason: dict[str, list[str]] = {}
    for identifier in drawn:
        if identifier in gaps:
            by_reason.setdefault(gaps[identifier], []).append(titles.get(identifier, identifier))
    return [f"Not shown ({reason}): {'; '.join(names)}." for reason, names in by_reason.items()]


def labels_of(labels: Mapping[str, str]) -> str:
    """A Vega expression: the names in print by column."""
    return json.dumps(dict(labels), ensure_ascii=False)


def frequency_scale() -> alt.Scale:
    """The logarithmic frequency scale, 20 Hz to 20 kHz."""
    import altair as alt

    return alt.Scale(type="log", domain=list(FREQUENCY_RANGE), nice=False)


def frequency_axis(labelled: bool = True) -> alt.Axis:
    """The frequency axis: a light line at each digit of a decade, labels at 20 50 100 and so on."""
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
    """The heading of a figure: the device above, what is shown below it, long lines folded."""
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


def under_figure(lines: Sequence[str]) -> alt.TitleParams | None:
    """The words under a figure's last panel, long lines folded; None where there is nothing to say."""
    import altair as alt

    folded = [part for line in lines if line for part in textwrap.wrap(line, 115, subsequent_indent="    ")]
    if not folded:
        return None
    return alt.TitleParams(
        text=folded, orient="bottom", anchor="start", frame="bounds", fontSize=11, fontWeight="normal", offset=10
    )


def inline(values: Sequence[Any], name: str) -> alt.InlineData:
    """Data to be held in a specification, under a name.

    They go in as one text, which :func:`finish` opens again: a chart copies all that it holds at every step of its
    making, and a text is not copied.
    """
    import altair as alt

    return alt.InlineData(values=json.dumps(values, ensure_ascii=False), name=name)


def _opened(part: Any) -> Any:
    """A part of a specification with the data that :func:`inline` closed."""
    if isinstance(part, list):
        return [_opened(one) for one in part]
    if not isinstance(part, dict):
        return part
    opened = {key: _opened(one) for key, one in part.items()}
    data = opened.get("data")
    if isinstance(data, dict) and isinstance(data.get("values"), str):
        opened["data"] = {**data, "values": json.loads(data["values"])}
    return opened


def finish(chart: alt.VConcatChart, description: str) -> dict[str, Any]:
    """Give a chart its fonts and colours, and return its specification as a plain dictionary."""
    import altair as alt

    finished = (
        chart.add_params(alt.param(name=LIVE, value=True))
        .properties(background="white", padding=10, spacing=14, description=description)
        .configure(font=FONT)
        .configure_view(stroke="#888888", strokeWidth=1)
        .configure_axis(
            labelColor=INK,
            titleColor=INK,
            labelFontSize=11,
            titleFontSize=12,
            titleFontWeight="normal",
            gridColor=GRID,
            domainColor="#888888",
            tickColor="#888888",
            titlePadding=8,
        )
        .configure_legend(
            labelColor=INK,
            titleColor=INK,
            labelFontSize=12,
            titleFontSize=12,
            labelLimit=300,
            symbolStrokeWidth=2,
            rowPadding=-11,
            offset=16,
        )
        .configure_title(color=INK, subtitleColor=INK)
    )
    return dict(_opened(finished.to_dict()))
