"""Stacked panels of curves over one frequency axis."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.arrays import Floats
from anechain.figures import style

if TYPE_CHECKING:
    import altair as alt
from anechain.figures.annotations import layers_above_curves, point_layers, segment_layers
from anechain.figures.panel_elements import Panel, Series
from anechain.figures.panel_parts import (
    add_selections,
    assemble_panels,
    colour_and_dash,
    drawn_rows,
    pointer_layer,
    shading_layers,
    shading_note,
)

__all__ = ["stack_panels"]


LEGEND_ROWS = 20
"""Rows of a legend: as many as fit next to the level panel. More entries need another column."""


def stack_panels(
    frequency: Floats,
    panels: Sequence[Panel],
    *,
    title: str,
    lines: Sequence[str],
    notes: Sequence[str],
    band: tuple[float, float],
    with_legend: bool = True,
) -> dict[str, Any]:
    """Return the figure of several panels of curves over one frequency axis.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, rising.
    panels : sequence of Panel
        From top to bottom; each series has n values, NaN interrupts its curve.
    title, lines : str, sequence of str
        Heading: the device, and lines that describe the figure.
    notes : sequence of str
        Notes below the figure.
    band : tuple of float
        The valid band in Hz; the panels are shaded outside it.
    with_legend : bool
        Whether each curve has its own colour, dash and legend entry; otherwise all are thin and grey.

    Returns
    -------
    dict
        A Vega-Lite specification. Its data are one row of columns, which the transform `flatten` turns into rows.
    """
    rows = drawn_rows(frequency)
    columns: dict[str, Any] = {"frequency": style.rounded_frequencies(frequency[rows])}
    for panel in panels:
        for series in panel.series:
            columns[series.column] = style.rounded(series.values[rows])
            if series.half_width is not None:
                edges = (series.values + sign * series.half_width for sign in (-1, 1))
                columns |= {
                    name: style.rounded(edge[rows]) for name, edge in zip(_edge_columns(series), edges, strict=True)
                }
    notes = [*shading_note(band), *notes]
    charts = [_panel_chart(panel, band, panel is panels[-1], notes, with_legend) for panel in panels]
    spec = assemble_panels(charts, columns, "curves", title, lines)
    if with_legend:
        for panel, view in zip(panels, spec["vconcat"], strict=True):
            add_selections(spec, panel.name, view, -1 - layers_above_curves(panel), by_legend=panel.legend_of is None)
    return spec


def _panel_chart(
    panel: Panel, band: tuple[float, float], last: bool, notes: Sequence[str], with_legend: bool
) -> alt.LayerChart:
    """Return the chart of a panel; the last one has the labels of the frequency axis and the notes."""
    import altair as alt

    columns = [series.column for series in panel.series]
    x = alt.X("frequency:Q", scale=style.frequency_scale(), axis=style.frequency_axis(labelled=last))
    ticks = np.arange(panel.limits[0], panel.limits[1] + 1, style.GRID_STEP_DB).tolist()
    # Labels every 10 dB in high panels, every 5 dB in low ones; grid lines every 5 dB in both.
    label_step = 10 if panel.limits[1] - panel.limits[0] > 40 else 5
    scale = alt.Scale(domain=list(panel.limits), nice=False, zero=False)
    axis = alt.Axis(
        title=panel.title,
        values=ticks,
        labelExpr=f"datum.value % {label_step} == 0 ? replace(datum.label, '-', '−') : ''",
        labelOverlap=False,
        minExtent=34,
    )
    y = alt.Y("level:Q", scale=scale, axis=axis)
    lines = alt.Chart().transform_flatten(["frequency", *columns])
    # The first curve of the legend is drawn last, on top of the others.
    lines = lines.transform_fold([*reversed(columns)], as_=["column", "level"])
    lines = lines.transform_calculate(
        curve=f"{style.labels_json({s.column: s.key for s in panel.series})}[datum.column]"
    )
    names = style.labels_json({s.key: s.title for s in panel.series})
    if with_legend:
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
    layers = shading_layers(band, f"{panel.name}_outside")
    layers.extend(_uncertainty_band(series, x, scale, axis) for series in panel.series if series.half_width is not None)
    segments, labels = segment_layers(panel, scale, axis)
    layers += [*segments, drawn, *labels, *point_layers(panel, scale, axis)]
    if with_legend:
        tooltip = [alt.Tooltip("frequency:Q", title="Frequency in Hz", format=",.4~r")] + [
            alt.Tooltip(f"{s.column}:Q", title=f"{s.title} in dB", format=".1f") for s in panel.series
        ]
        layers.append(pointer_layer(panel.name, columns, x, tooltip))
    return alt.LayerChart(
        layer=layers,
        width=style.PANEL_WIDTH,
        height=style.panel_height(panel.limits[1] - panel.limits[0]),
        title=(style.notes_below(notes) if last else None) or alt.Undefined,
    )


def _uncertainty_band(series: Series, x: alt.X, scale: alt.Scale, axis: alt.Axis) -> alt.Chart:
    """Return the layer of the uncertainty band around a curve."""
    import altair as alt

    low, high = _edge_columns(series)
    # Not filtered: a missing value interrupts the band, while a row removed by a filter would not.
    edges = alt.Chart().transform_flatten(["frequency", low, high])
    drawn: alt.Chart = edges.mark_area(color=series.colour, opacity=0.14, clip=True)
    return drawn.encode(x=x, y=alt.Y(f"{low}:Q", scale=scale, axis=axis), y2=f"{high}:Q")


def _edge_columns(series: Series) -> tuple[str, str]:
    return f"{series.column}_low", f"{series.column}_high"
