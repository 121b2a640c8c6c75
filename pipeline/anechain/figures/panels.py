"""Lines over frequency in stacked panels: what the curve set, the planes, the bounces and the comparison share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.figures import style

if TYPE_CHECKING:
    import altair as alt

__all__ = ["Panel", "Series", "stacked"]

Floats = NDArray[np.float64]

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
class Panel:
    """One panel of lines: its axis title, its limits in dB, its lines in the legend's order.

    A panel without a legend of its own follows the legend of the panel named in `legend_of`.
    """

    name: str
    title: str
    limits: tuple[float, float]
    series: tuple[Series, ...]
    legend_of: str | None = None


def _drawn(frequency: Floats) -> NDArray[np.intp]:
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
            alt.Chart(alt.InlineData(values=shaded, name=f"{panel.name}_outside"))
            .mark_rect(color=style.SHADE, opacity=0.08, clip=True)
            .encode(x=alt.X("from:Q", scale=style.frequency_scale()), x2="to:Q")
        )
    layers.extend(_band(series, x, scale, axis) for series in panel.series if series.spread is not None)
    layers.append(drawn)
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
    known = alt.Chart().transform_flatten(["frequency", low, high]).transform_filter(f"isValid(datum['{low}'])")
    drawn: alt.Chart = known.mark_area(color=series.colour, opacity=0.14, clip=True)
    return drawn.encode(x=x, y=alt.Y(f"{low}:Q", scale=scale, axis=axis), y2=f"{high}:Q")


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

    rows = _drawn(frequency)
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
        alt.vconcat(*charts, data=alt.InlineData(values=[columns], name="curves"))
        .resolve_scale(color="independent", strokeDash="independent")
        .properties(title=style.heading(title, lines))
    )
    spec = style.finish(chart, f"{title}: {'; '.join(line for line in lines if line)}")
    if named:
        # Named and joined here: Altair makes names of its own for views that hold a selection.
        for panel, view in zip(panels, spec["vconcat"], strict=True):
            view["layer"][-2]["name"], view["layer"][-1]["name"] = f"{panel.name}_lines", f"{panel.name}_pointer"
            spec["params"] += _selections(panel)
    return spec
