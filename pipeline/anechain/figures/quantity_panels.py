"""Stacked panels of quantities that are no levels, over frequency or over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.arrays import Floats
from anechain.figures import style
from anechain.figures.panel_elements import Series
from anechain.figures.panel_parts import (
    add_selections,
    assemble_panels,
    colour_and_dash,
    shading_layers,
    shading_note,
)

if TYPE_CHECKING:
    import altair as alt

__all__ = ["QuantityPanel", "frequency_panels", "time_panels"]

_DECIMALS = 4


@dataclass(frozen=True)
class QuantityPanel:
    """A panel of curves of one quantity.

    Attributes
    ----------
    name : str
        Prefix of the names of its layers and selections.
    title : str
        Title of its axis, with the unit.
    unit : str
        Unit in the tooltip; empty for none.
    limits : (float, float)
        Of its axis.
    ticks : tuple of float
        Grid lines and labels of its axis.
    height : float
        Pixels.
    series : tuple of Series
        The curves in the order of the legend.
    """

    name: str
    title: str
    unit: str
    limits: tuple[float, float]
    ticks: tuple[float, ...]
    height: float
    series: tuple[Series, ...]


def frequency_panels(
    frequency: Floats,
    panels: Sequence[QuantityPanel],
    *,
    title: str,
    lines: Sequence[str],
    notes: Sequence[str],
    band: tuple[float, float],
) -> dict[str, Any]:
    """Return the figure of several panels over one frequency axis, shaded outside the valid band.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, rising.
    panels : sequence of QuantityPanel
        From top to bottom; each series has n values, NaN interrupts its curve.
    title, lines, notes : str, sequence of str, sequence of str
        The device, lines that describe the figure, and notes below it.
    band : (float, float)
        The valid band in Hz.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.
    """
    import altair as alt

    axes = [
        alt.X("frequency:Q", scale=style.frequency_scale(), axis=style.frequency_axis(labelled=panel is panels[-1]))
        for panel in panels
    ]
    inside = (frequency >= style.FREQUENCY_RANGE[0] / 1.1) & (frequency <= style.FREQUENCY_RANGE[1] * 1.1)
    data = {"frequency": style.rounded_frequencies(frequency[inside])}
    pointer = alt.Tooltip("frequency:Q", title="Frequency in Hz", format=",.4~r")
    shading = [shading_layers(band, f"{panel.name}_outside") for panel in panels]
    return _stack(panels, axes, data, inside, pointer, shading, title, lines, [*shading_note(band), *notes])


def time_panels(
    time: Floats, panels: Sequence[QuantityPanel], *, title: str, lines: Sequence[str], notes: Sequence[str]
) -> dict[str, Any]:
    """Return the figure of several panels over one time axis in ms.

    Parameters
    ----------
    time : numpy.ndarray, shape (n,)
        Seconds, rising.
    panels, title, lines, notes
        As in :func:`frequency_panels`.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.
    """
    import altair as alt

    shown = 1e3 * time
    scale = alt.Scale(domain=[round(float(shown[0]), 3), round(float(shown[-1]), 3)], nice=False)
    axes = []
    for panel in panels:
        last = panel is panels[-1]
        axis = alt.Axis(
            title="Time in ms after the arrival" if last else None,
            labels=last,
            ticks=last,
            tickCount=10,
            gridColor=style.GRID,
            labelExpr="replace(datum.label, '-', '−')",
        )
        axes.append(alt.X("time:Q", scale=scale, axis=axis))
    data = {"time": style.rounded(shown, _DECIMALS)}
    pointer = alt.Tooltip("time:Q", title="Time in ms", format=".3f")
    every = np.ones(time.size, dtype=np.bool_)
    return _stack(panels, axes, data, every, pointer, [[] for _ in panels], title, lines, notes)


def _stack(
    panels: Sequence[QuantityPanel],
    axes: Sequence[alt.X],
    data: dict[str, Any],
    rows: Any,
    pointer: alt.Tooltip,
    shading: Sequence[list[alt.Chart]],
    title: str,
    lines: Sequence[str],
    notes: Sequence[str],
) -> dict[str, Any]:
    (x_name,) = data
    for series in (series for panel in panels for series in panel.series):
        data[series.column] = style.rounded(series.values[rows], _DECIMALS)
        if series.half_width is not None:
            low, high = _edges(series)
            data[low] = style.rounded((series.values - series.half_width)[rows], _DECIMALS)
            data[high] = style.rounded((series.values + series.half_width)[rows], _DECIMALS)
    charts = [
        _chart(panel, x_name, x, pointer, layers, notes if panel is panels[-1] else ())
        for panel, x, layers in zip(panels, axes, shading, strict=True)
    ]
    spec = assemble_panels(charts, data, "curves", title, lines)
    for panel, view in zip(panels, spec["vconcat"], strict=True):
        add_selections(spec, panel.name, view, by_legend=len(panel.series) > 1)
    return spec


def _chart(
    panel: QuantityPanel,
    x_name: str,
    x: alt.X,
    pointer: alt.Tooltip,
    below: Sequence[alt.Chart],
    notes: Sequence[str],
) -> alt.LayerChart:
    import altair as alt

    columns = [series.column for series in panel.series]
    scale = alt.Scale(domain=list(panel.limits), nice=False, zero=False)
    axis = alt.Axis(
        title=panel.title,
        values=list(panel.ticks),
        labelExpr="replace(datum.label, '-', '−')",
        labelOverlap=False,
        minExtent=34,
        gridColor=alt.condition("datum.value == 0", alt.value(style.DECADE_GRID), alt.value(style.GRID)),
    )
    y = alt.Y("value:Q", scale=scale, axis=axis)
    lines = (
        alt.Chart().transform_flatten([x_name, *columns]).transform_fold([*reversed(columns)], as_=["column", "value"])
    )
    lines = lines.transform_calculate(
        curve=f"{style.labels_json({s.column: s.key for s in panel.series})}[datum.column]"
    )
    names = style.labels_json({s.key: s.title for s in panel.series})
    legend = alt.Legend(title=None, symbolType="stroke", symbolSize=1000, labelExpr=f"{names}[datum.value]")
    several = len(panel.series) > 1
    looks = colour_and_dash("curve:N", {s.key: (s.colour, s.dash) for s in panel.series}, legend if several else None)
    if several:
        looks["opacity"] = alt.OpacityValue(0.15, condition={"param": f"{panel.name}_chosen", "value": 1})
    layers = [*below]
    for series in (series for series in panel.series if series.half_width is not None):
        low, high = _edges(series)
        edges = alt.Chart().transform_flatten([x_name, low, high])
        area = edges.mark_area(color=series.colour, opacity=0.14, clip=True)
        layers.append(area.encode(x=x, y=alt.Y(f"{low}:Q", scale=scale, axis=axis), y2=f"{high}:Q"))
    layers.append(lines.mark_line(clip=True, strokeWidth=1.8).encode(x=x, y=y, **looks))
    unit = f" in {panel.unit}" if panel.unit else ""
    tooltip = [pointer, *(alt.Tooltip(f"{s.column}:Q", title=f"{s.title}{unit}", format=".3~f") for s in panel.series)]
    near = {"param": f"{panel.name}_near", "value": 0.6, "empty": False}
    rules = alt.Chart().transform_filter(style.INTERACTIVE).transform_flatten([x_name, *columns])
    rule = rules.mark_rule(color="#666666", clip=True)
    layers.append(rule.encode(x=x, opacity=alt.OpacityValue(0, condition=near), tooltip=tooltip))
    return alt.LayerChart(
        layer=layers,
        width=style.PANEL_WIDTH,
        height=panel.height,
        title=(style.notes_below(notes) if notes else None) or alt.Undefined,
    )


def _edges(series: Series) -> tuple[str, str]:
    return f"{series.column}_low", f"{series.column}_high"
