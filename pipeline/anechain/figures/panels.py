"""Lines over frequency in stacked panels, and the parts that panels of another kind share with them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from anechain.arrays import Floats
from anechain.figures import style

if TYPE_CHECKING:
    import altair as alt

__all__ = [
    "Panel",
    "Point",
    "Series",
    "Side",
    "Stroke",
    "answering",
    "assembled",
    "colour_and_dash",
    "pointer",
    "shaded",
    "shaded_words",
    "stacked",
    "thinned",
]

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
    """A marked place: Hz and dB, its words, and its shape, filled or hollow; where the words stand beside it.

    With `words_at`, Hz and dB, the words stand there, to its left or right, at the end of a thin line from the place.
    """

    frequency: float
    level: float
    label: str
    shape: str = "circle"
    filled: bool = True
    side: Side = "above"
    words_at: tuple[float, float] | None = None


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


def shaded(band: tuple[float, float], name: str) -> list[alt.Chart]:
    """The layer that shades what lies outside the valid band; none where the band is the whole axis."""
    import altair as alt

    outside = [{"from": a, "to": b} for a, b in style.outside(band)]
    if not outside:
        return []
    chart = alt.Chart(style.inline(outside, name)).mark_rect(color=style.SHADE, opacity=0.08, clip=True)
    return [chart.encode(x=alt.X("from:Q", scale=style.frequency_scale()), x2="to:Q")]


def shaded_words(band: tuple[float, float]) -> list[str]:
    """What is said under a figure of what is shaded in it; nothing where nothing is."""
    if not style.outside(band):
        return []
    return [f"Shaded: outside the valid band, {style.hertz(band[0])} to {style.hertz(band[1])}."]


def colour_and_dash(
    field: str, looks: Mapping[str, tuple[str, Sequence[float]]], legend: alt.Legend | None
) -> dict[str, Any]:
    """Encodings that tell lines apart, `color` and `strokeDash`: the look of each by its key, in the legend's order."""
    import altair as alt

    colours = alt.Scale(domain=[*looks], range=[colour for colour, _ in looks.values()])
    dashes = alt.Scale(domain=[*looks], range=[[*dash] for _, dash in looks.values()])
    return {
        "color": alt.Color(field, scale=colours, legend=legend),
        "strokeDash": alt.StrokeDash(field, scale=dashes, legend=legend),
    }


def pointer(name: str, columns: Sequence[str], x: alt.X, tooltip: Sequence[alt.Tooltip], **shown: str) -> alt.Chart:
    """The layer that tells the values of a panel at the frequency pointed at; `shown` are columns computed for it."""
    import altair as alt

    low, high = style.FREQUENCY_RANGE
    rows = alt.Chart().transform_filter(style.LIVE).transform_flatten(["frequency", *columns])
    rows = rows.transform_filter(f"inrange(datum.frequency, [{low:g}, {high:g}])")
    if shown:
        rows = rows.transform_calculate(**shown)
    near = {"param": f"{name}_near", "value": 0.6, "empty": False}
    rule: alt.Chart = rows.mark_rule(color="#666666", clip=True)
    return rule.encode(x=x, opacity=alt.OpacityValue(0, condition=near), tooltip=[*tooltip])


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
    names = style.labels_of({s.key: s.title for s in panel.series})
    if named:
        legend: alt.Legend | None = alt.Legend(
            title=None,
            symbolType="stroke",
            symbolSize=1000,
            labelExpr=f"{names}[datum.value]",
            columns=1 + len(panel.series) // LEGEND_ROWS,
        )
        if panel.legend_of is not None:
            legend = None
        chosen = {"param": f"{panel.legend_of or panel.name}_chosen", "value": 1}
        drawn = lines.mark_line(clip=True, strokeWidth=1.8).encode(
            x=x,
            y=y,
            opacity=alt.OpacityValue(0.15, condition=chosen),
            **colour_and_dash("curve:N", {s.key: (s.colour, s.dash) for s in panel.series}, legend),
        )
    else:
        drawn = (
            lines.transform_calculate(device=f"{names}[datum.curve]")
            .mark_line(clip=True, strokeWidth=0.8, color="#555555", opacity=0.35)
            .encode(x=x, y=y, detail="curve:N", tooltip=alt.Tooltip("device:N", title="Device"))
        )
    layers = shaded(band, f"{panel.name}_outside")
    layers.extend(_band(series, x, scale, axis) for series in panel.series if series.spread is not None)
    rules, words = _strokes(panel, scale, axis)
    layers += [*rules, drawn, *words, *_points(panel, scale, axis)]
    if named:
        tooltip = [alt.Tooltip("frequency:Q", title="Frequency in Hz", format=",.4~r")] + [
            alt.Tooltip(f"{s.column}:Q", title=f"{s.title} in dB", format=".1f") for s in panel.series
        ]
        layers.append(pointer(panel.name, columns, x, tooltip))
    return alt.LayerChart(
        layer=layers,
        width=style.PANEL_WIDTH,
        height=style.panel_height(panel.limits[1] - panel.limits[0]),
        title=(style.under_figure(notes) if last else None) or alt.Undefined,
    )


def _band(series: Series, x: alt.X, scale: alt.Scale, axis: alt.Axis) -> alt.Chart:
    """The band about one line, from columns that hold its lower and its upper edge."""
    import altair as alt

    low, high = _edges(series)
    # Nothing is filtered out: an edge without a value breaks the band, where leaving it out would bridge the gap.
    edges = alt.Chart().transform_flatten(["frequency", low, high])
    drawn: alt.Chart = edges.mark_area(color=series.colour, opacity=0.14, clip=True)
    return drawn.encode(x=x, y=alt.Y(f"{low}:Q", scale=scale, axis=axis), y2=f"{high}:Q")


def _strokes(panel: Panel, scale: alt.Scale, axis: alt.Axis) -> tuple[list[alt.Chart], list[alt.Chart]]:
    """Straight lines, which lie under the curves, and their words, which lie over them."""
    import altair as alt

    rules, words = [], []
    for number, one in enumerate(panel.strokes):
        (low, first), (high, last) = one.start, one.end
        words_at = last if one.label_level is None else one.label_level
        row = {"from": low, "to": high, "first": first, "last": last, "label": one.label, "words_at": words_at}
        base = alt.Chart(style.inline([row], f"{panel.name}_stroke_{number}"))
        x_of = {name: alt.X(f"{name}:Q", scale=style.frequency_scale()) for name in ("from", "to")}
        y = alt.Y("first:Q", scale=scale, axis=axis)
        rule = base.mark_rule(color=one.colour, strokeDash=list(one.dash), strokeWidth=1.4, clip=True)
        rules.append(rule.encode(x=x_of["from"], x2="to:Q", y=y, y2="last:Q"))
        if one.label:
            over = words_at >= last
            y = alt.Y("words_at:Q", scale=scale, axis=axis)
            beside = {"align": "right", "baseline": "bottom" if over else "top", "dy": -3 if over else 3}
            words += _words(base, x_of["to"], y, **beside)
    return rules, words


def _words(base: alt.Chart, x: alt.X, y: alt.Y, **beside: Any) -> list[alt.Chart]:
    """Words that no line strikes through: they stand on a white edge of their own, the layer before them."""
    edge = base.mark_text(fontSize=10, color="white", stroke="white", strokeWidth=3, strokeJoin="round", **beside)
    words = base.mark_text(fontSize=10, color=style.INK, **beside)
    return [layer.encode(x=x, y=y, text="label:N") for layer in (edge, words)]


_BESIDE: dict[str, dict[str, Any]] = {
    "above": {"dy": -9, "baseline": "bottom"},
    "below": {"dy": 9, "baseline": "top"},
    "left": {"dx": -9, "align": "right"},
    "right": {"dx": 9, "align": "left"},
    "above left": {"dx": -6, "dy": -4, "align": "right", "baseline": "bottom"},
    "below left": {"dx": -6, "dy": 4, "align": "right", "baseline": "top"},
    "below right": {"dx": 6, "dy": 4, "align": "left", "baseline": "top"},
}


def _kinds(panel: Panel) -> list[tuple[str, bool, str, bool]]:
    """Looks of the marked places: shape, filled or not, side of the words, and whether these stand apart."""
    return list(dict.fromkeys(_kind(one) for one in panel.points))


def _kind(one: Point) -> tuple[str, bool, str, bool]:
    return one.shape, one.filled, one.side, one.words_at is not None


def _points(panel: Panel, scale: alt.Scale, axis: alt.Axis) -> list[alt.Chart]:
    import altair as alt

    leads, edges, marks, words = [], [], [], []
    for number, kind in enumerate(_kinds(panel)):
        shape, filled, side, apart = kind
        rows = [
            {"at": one.frequency, "level": one.level, "label": one.label}
            | ({} if one.words_at is None else {"words_hz": one.words_at[0], "words_db": one.words_at[1]})
            for one in panel.points
            if _kind(one) == kind
        ]
        base = alt.Chart(style.inline(rows, f"{panel.name}_points_{number}"))
        x = alt.X("at:Q", scale=style.frequency_scale())
        y = alt.Y("level:Q", scale=scale, axis=axis)
        mark = base.mark_point(
            shape=shape, size=55, filled=filled, fill=style.INK if filled else "white", stroke=style.INK, clip=True
        )
        tooltip = [
            alt.Tooltip("label:N", title="What"),
            alt.Tooltip("at:Q", title="Frequency in Hz", format=",.4~r"),
            alt.Tooltip("level:Q", title="Level in dB", format=".1f"),
        ]
        marks.append(mark.encode(x=x, y=y, tooltip=tooltip))
        if apart:
            lead = base.mark_rule(color=style.INK, strokeWidth=0.6, opacity=0.6, clip=True)
            leads.append(lead.encode(x=x, y=y, x2="words_hz:Q", y2="words_db:Q"))
            x = alt.X("words_hz:Q", scale=style.frequency_scale())
            y = alt.Y("words_db:Q", scale=scale, axis=axis)
            beside = {"baseline": "middle", "align": "left" if side == "right" else "right"}
            edge, text = _words(base, x, y, dx=3 if side == "right" else -3, **beside)
        else:
            edge, text = _words(base, x, y, clip=True, **_BESIDE[side])
        edges.append(edge)
        words.append(text)
    # No mark lies under the white edge of another's words.
    return [*leads, *edges, *marks, *words]


def _over_lines(panel: Panel) -> int:
    """How many layers lie over the lines: marks, words on white, lines to words that stand apart, and the pointer."""
    marked = sum(4 if apart else 3 for *_, apart in _kinds(panel))
    return 1 + 2 * sum(bool(one.label) for one in panel.strokes) + marked


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
    rows = thinned(frequency)
    columns: dict[str, Any] = {"frequency": style.rounded_frequency(frequency[rows])}
    for panel in panels:
        for series in panel.series:
            columns[series.column] = style.rounded(series.values[rows])
            if series.spread is not None:
                edges = (series.values + sign * series.spread for sign in (-1, 1))
                columns |= {name: style.rounded(edge[rows]) for name, edge in zip(_edges(series), edges, strict=True)}
    notes = [*shaded_words(band), *notes]
    charts = [_panel_chart(panel, band, panel is panels[-1], notes, named) for panel in panels]
    spec = assembled(charts, columns, "curves", title, lines)
    if named:
        for panel, view in zip(panels, spec["vconcat"], strict=True):
            answering(spec, panel.name, view, -1 - _over_lines(panel), picks=panel.legend_of is None)
    return spec


def assembled(
    charts: Sequence[alt.LayerChart], columns: Mapping[str, Any], data: str, title: str, lines: Sequence[str]
) -> dict[str, Any]:
    """Stack panels that share one row of columns, the data of that name, each with a legend of its own."""
    import altair as alt

    chart = (
        alt.vconcat(*charts, data=style.inline([columns], data))
        .resolve_scale(color="independent", strokeDash="independent")
        .properties(title=style.heading(title, lines))
    )
    return style.finish(chart, f"{title}: {'; '.join(line for line in lines if line)}")


def answering(spec: dict[str, Any], name: str, view: dict[str, Any], lines: int = -2, *, picks: bool = True) -> None:
    """Let a panel of a finished figure answer its reader: pick curves in the legend, point at a frequency.

    Its last layer is that of :func:`pointer`; `lines` is the place of the lines among its layers.
    """
    # Named and joined here: Altair makes names of its own for views that hold a selection.
    view["layer"][lines]["name"], view["layer"][-1]["name"] = f"{name}_lines", f"{name}_pointer"
    if picks:
        pick = {"type": "point", "fields": ["curve"]}
        spec["params"].append({"name": f"{name}_chosen", "select": pick, "bind": "legend", "views": [f"{name}_lines"]})
    point = {"type": "point", "encodings": ["x"], "nearest": True, "on": "pointermove", "clear": "pointerout"}
    spec["params"].append({"name": f"{name}_near", "select": point, "views": [f"{name}_pointer"]})
