"""Lines over frequency in stacked panels: what the curve set, the planes, the bounces and the comparison share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from anechain.figures import style

if TYPE_CHECKING:
    import altair as alt

__all__ = ["Panel", "Point", "Series", "Side", "Stroke", "stacked", "thinned"]

Floats = NDArray[np.float64]
Side = Literal["above", "below", "left", "right", "above left", "below left", "below right"]

POINTS_PER_OCTAVE = 96
"""Denser data are thinned to this for drawing (values are picked, not averaged): two points per printed pixel."""

LEGEND_ROWS = 20
"""A legend with more entries than fit beside the level panel takes a second column."""


@dataclass(frozen=True)
class Series:
    """One line: the column it is kept in, its key in the legend, its name in print, its values, colour and dash.

    `spread` is the half width of a band drawn about it, in dB.
    """

    column: str
    key: str
    title: str
    values: Floats
    colour: str
    dash: tuple[float, ...]
    spread: Floats | None = None


@dataclass(frozen=True)
class Point:
    """A marked place: Hz and dB, its words, and its shape, filled or hollow; where the words stand beside it."""

    frequency: float
    level: float
    label: str
    shape: str = "circle"
    filled: bool = True
    side: Side = "above"


@dataclass(frozen=True)
class Stroke:
    """A straight line between two places, Hz and dB each; its words end where it does, at a level of their own."""

    start: tuple[float, float]
    end: tuple[float, float]
    label: str = ""
    label_level: float | None = None
    colour: str = style.INK
    dash: tuple[float, ...] = (1, 0)


@dataclass(frozen=True)
class Panel:
    """One panel of lines: its axis title, its limits in dB, its lines in the legend's order, and places marked in it.

    A panel without a legend of its own follows the legend of the panel named in `legend_of`.
    """

    name: str
    title: str
    limits: tuple[float, float]
    series: tuple[Series, ...]
    legend_of: str | None = None
    points: tuple[Point, ...] = ()
    strokes: tuple[Stroke, ...] = ()


def thinned(frequency: Floats) -> NDArray[np.intp]:
    """Which frequencies are drawn: those on the axis, at most 96 in an octave."""
    low, high = style.FREQUENCY_RANGE
    # Just beyond the axis too, so that a line reaches its end; the panel clips it.
    on_axis = np.flatnonzero((frequency >= low / 1.1) & (frequency <= high * 1.1))
    bins = np.floor(np.log2(frequency[on_axis]) * POINTS_PER_OCTAVE).astype(np.int64)
    first = np.r_[True, np.diff(bins) > 0] if bins.size else np.zeros(0, bool)
    return np.asarray(on_axis[first])


def _selections(panel: Panel) -> list[dict[str, Any]]:
    """What a reader of the live chart can do in a panel: pick curves in the legend, point at a frequency."""
    point = {"type": "point", "encodings": ["x"], "nearest": True, "on": "pointermove", "clear": "pointerout"}
    near = {"name": f"{panel.name}_near", "select": point, "views": [f"{panel.name}_pointer"]}
    if panel.legend_of is not None:
        return [near]
    pick = {"type": "point", "fields": ["curve"]}
    chosen = {"name": f"{panel.name}_chosen", "select": pick, "bind": "legend", "views": [f"{panel.name}_lines"]}
    return [chosen, near]


def _panel_chart(
    panel: Panel, band: tuple[float, float], last: bool, notes: Sequence[str], named: bool
) -> alt.LayerChart:
    import altair as alt

    columns = [series.column for series in panel.series]
    x = alt.X("frequency:Q", scale=style.frequency_scale(), axis=style.frequency_axis(labelled=last))
    ticks = np.arange(panel.limits[0], panel.limits[1] + 1, style.RASTER).tolist()
    # Labels every 10 dB in the level panel, every 5 dB in the index panel; the light lines are 5 dB apart in both.
    every = 10 if panel.limits[1] - panel.limits[0] > 40 else 5
    scale = alt.Scale(domain=list(panel.limits), nice=False, zero=False)
    axis = alt.Axis(
        title=panel.title,
        values=ticks,
        labelExpr=f"datum.value % {every} == 0 ? replace(datum.label, '-', '−') : ''",
        labelOverlap=False,
        minExtent=34,
    )
    y = alt.Y("level:Q", scale=scale, axis=axis)
    lines = alt.Chart().transform_flatten(["frequency", *columns])
    # The first in the legend is drawn last: it lies on top.
    lines = lines.transform_fold([*reversed(columns)], as_=["column", "level"])
    lines = lines.transform_calculate(curve=f"{style.labels_of({s.column: s.key for s in panel.series})}[datum.column]")
    keys = [series.key for series in panel.series]
    names = style.labels_of({s.key: s.title for s in panel.series})
    if named:
        legend: alt.Legend | None = alt.Legend(
            title=None,
            symbolType="stroke",
            symbolSize=1000,
            labelExpr=f"{names}[datum.value]",
            columns=1 + len(keys) // LEGEND_ROWS,
        )
        if panel.legend_of is not None:
            legend = None
        chosen = {"param": f"{panel.legend_of or panel.name}_chosen", "value": 1}
        drawn = lines.mark_line(clip=True, strokeWidth=1.8).encode(
            x=x,
            y=y,
            color=alt.Color(
                "curve:N", scale=alt.Scale(domain=keys, range=[s.colour for s in panel.series]), legend=legend
            ),
            strokeDash=alt.StrokeDash(
                "curve:N", scale=alt.Scale(domain=keys, range=[list(s.dash) for s in panel.series]), legend=legend
            ),
            opacity=alt.OpacityValue(0.15, condition=chosen),
        )
    else:
        drawn = (
            lines.transform_calculate(device=f"{names}[datum.curve]")
            .mark_line(clip=True, strokeWidth=0.8, color="#555555", opacity=0.35)
            .encode(x=x, y=y, detail="curve:N", tooltip=alt.Tooltip("device:N", title="Device"))
        )
    layers: list[alt.Chart] = []
    shaded = [{"from": a, "to": b} for a, b in style.outside(band)]
    if shaded:
        layers.append(
            alt.Chart(style.inline(shaded, f"{panel.name}_outside"))
            .mark_rect(color=style.SHADE, opacity=0.08, clip=True)
            .encode(x=alt.X("from:Q", scale=style.frequency_scale()), x2="to:Q")
        )
    layers.extend(_band(series, x, scale, axis) for series in panel.series if series.spread is not None)
    layers.extend(_strokes(panel, scale, axis))
    layers.append(drawn)
    layers.extend(_points(panel, scale, axis))
    if named:
        near = {"param": f"{panel.name}_near", "value": 0.6, "empty": False}
        tooltip = [alt.Tooltip("frequency:Q", title="Frequency in Hz", format=",.4~r")] + [
            alt.Tooltip(f"{s.column}:Q", title=f"{s.title} in dB", format=".1f") for s in panel.series
        ]
        layers.append(
            alt.Chart()
            .transform_filter(style.LIVE)
            .transform_flatten(["frequency", *columns])
            .transform_filter(f"inrange(datum.frequency, [{style.FREQUENCY_RANGE[0]:g}, {style.FREQUENCY_RANGE[1]:g}])")
            .mark_rule(color="#666666", clip=True)
            .encode(x=x, opacity=alt.OpacityValue(0, condition=near), tooltip=tooltip)
        )
    properties: dict[str, Any] = {
        "width": style.PANEL_WIDTH,
        "height": style.panel_height(panel.limits[1] - panel.limits[0]),
    }
    below = style.under_figure(notes) if last else None
    if below is not None:
        properties["title"] = below
    return alt.LayerChart(layer=layers, **properties)


def _band(series: Series, x: alt.X, scale: alt.Scale, axis: alt.Axis) -> alt.Chart:
    """The band about one line, from columns that hold its lower and its upper edge."""
    import altair as alt

    low, high = _edges(series)
    # Nothing is filtered out: an edge without a value breaks the band, where leaving it out would bridge the gap.
    edges = alt.Chart().transform_flatten(["frequency", low, high])
    drawn: alt.Chart = edges.mark_area(color=series.colour, opacity=0.14, clip=True)
    return drawn.encode(x=x, y=alt.Y(f"{low}:Q", scale=scale, axis=axis), y2=f"{high}:Q")


def _strokes(panel: Panel, scale: alt.Scale, axis: alt.Axis) -> list[alt.Chart]:
    import altair as alt

    layers = []
    for number, one in enumerate(panel.strokes):
        (low, first), (high, last) = one.start, one.end
        words_at = last if one.label_level is None else one.label_level
        row = {"from": low, "to": high, "first": first, "last": last, "label": one.label, "words_at": words_at}
        base = alt.Chart(style.inline([row], f"{panel.name}_stroke_{number}"))
        x_of = {name: alt.X(f"{name}:Q", scale=style.frequency_scale()) for name in ("from", "to")}
        y = alt.Y("first:Q", scale=scale, axis=axis)
        rule = base.mark_rule(color=one.colour, strokeDash=list(one.dash), strokeWidth=1.4, clip=True)
        layers.append(rule.encode(x=x_of["from"], x2="to:Q", y=y, y2="last:Q"))
        if one.label:
            over = words_at >= last
            text = base.mark_text(
                align="right", baseline="bottom" if over else "top", dy=-3 if over else 3, fontSize=10, color=style.INK
            )
            layers.append(text.encode(x=x_of["to"], y=alt.Y("words_at:Q", scale=scale, axis=axis), text="label:N"))
    return layers


_BESIDE: dict[str, dict[str, Any]] = {
    "above": {"dy": -9, "baseline": "bottom"},
    "below": {"dy": 9, "baseline": "top"},
    "left": {"dx": -9, "align": "right"},
    "right": {"dx": 9, "align": "left"},
    "above left": {"dx": -6, "dy": -4, "align": "right", "baseline": "bottom"},
    "below left": {"dx": -6, "dy": 4, "align": "right", "baseline": "top"},
    "below right": {"dx": 6, "dy": 4, "align": "left", "baseline": "top"},
}


def _kinds(panel: Panel) -> list[tuple[str, bool, str]]:
    """Looks of the marked places; each is drawn as a layer of marks and a layer of words."""
    return list(dict.fromkeys((one.shape, one.filled, one.side) for one in panel.points))


def _points(panel: Panel, scale: alt.Scale, axis: alt.Axis) -> list[alt.Chart]:
    import altair as alt

    layers = []
    for number, kind in enumerate(_kinds(panel)):
        shape, filled, side = kind
        rows = [
            {"at": one.frequency, "level": one.level, "label": one.label}
            for one in panel.points
            if (one.shape, one.filled, one.side) == kind
        ]
        base = alt.Chart(style.inline(rows, f"{panel.name}_points_{number}"))
        x = alt.X("at:Q", scale=style.frequency_scale())
        y = alt.Y("level:Q", scale=scale, axis=axis)
        mark = base.mark_point(
            shape=shape, size=55, filled=filled, fill=style.INK if filled else "white", stroke=style.INK, clip=True
        )
        words = base.mark_text(fontSize=10, color=style.INK, clip=True, **_BESIDE[side])
        tooltip = [
            alt.Tooltip("label:N", title="What"),
            alt.Tooltip("at:Q", title="Frequency in Hz", format=",.4~r"),
            alt.Tooltip("level:Q", title="Level in dB", format=".1f"),
        ]
        layers += [mark.encode(x=x, y=y, tooltip=tooltip), words.encode(x=x, y=y, text="label:N")]
    return layers


def _edges(series: Series) -> tuple[str, str]:
    return f"{series.column}_low", f"{series.column}_high"


def stacked(
    frequency: Floats,
    panels: Sequence[Panel],
    *,
    title: str,
    lines: Sequence[str],
    notes: Sequence[str],
    band: tuple[float, float],
    named: bool = True,
) -> dict[str, Any]:
    """Stack panels of lines over one frequency axis.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, rising.
    panels : sequence of Panel
        From above; each series has n values, NaN breaks its line.
    title, lines : str, sequence of str
        Heading: the device, and what is shown.
    notes : sequence of str
        What stands under the figure.
    band : tuple of float
        The valid band in Hz; outside it the panels are shaded.
    named : bool
        Whether each line has its own colour, dash and legend entry; without, all are thin and grey.

    Returns
    -------
    dict
        A Vega-Lite specification. Its data are one row of columns; `flatten` makes rows of them.
    """
    import altair as alt

    rows = thinned(frequency)
    columns: dict[str, Any] = {"frequency": style.rounded_frequency(frequency[rows])}
    for panel in panels:
        for series in panel.series:
            columns[series.column] = style.rounded(series.values[rows])
            if series.spread is not None:
                edges = (series.values + sign * series.spread for sign in (-1, 1))
                columns |= {name: style.rounded(edge[rows]) for name, edge in zip(_edges(series), edges, strict=True)}
    notes = list(notes)
    if style.outside(band):
        notes.insert(0, f"Shaded: outside the valid band, {style.hertz(band[0])} to {style.hertz(band[1])}.")
    charts = [_panel_chart(panel, band, panel is panels[-1], notes, named) for panel in panels]
    chart = (
        alt.vconcat(*charts, data=style.inline([columns], "curves"))
        .resolve_scale(color="independent", strokeDash="independent")
        .properties(title=style.heading(title, lines))
    )
    spec = style.finish(chart, f"{title}: {'; '.join(line for line in lines if line)}")
    if named:
        # Named and joined here: Altair makes names of its own for views that hold a selection.
        for panel, view in zip(panels, spec["vconcat"], strict=True):
            marks = 2 * len(_kinds(panel))
            view["layer"][-2 - marks]["name"], view["layer"][-1]["name"] = (
                f"{panel.name}_lines",
                f"{panel.name}_pointer",
            )
            spec["params"] += _selections(panel)
    return spec
