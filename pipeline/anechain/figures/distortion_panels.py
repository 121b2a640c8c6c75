"""Panels of harmonic distortion: levels re the fundamental in dB, and sums in per cent."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.arrays import Floats
from anechain.figures import style
from anechain.figures.panel_parts import (
    add_selections,
    assemble_panels,
    colour_and_dash,
    drawn_rows,
    pointer_layer,
    shading_layers,
    shading_note,
)

if TYPE_CHECKING:
    import altair as alt

__all__ = ["DistortionCurve", "Flags", "decibel_panel", "percent_panel", "stack_distortion_panels"]


Flags = NDArray[np.bool_]


DECIBELS_PER_DECADE = 50.0
"""Length of a frequency decade. IEC 60263:2020, 4.1, allows 10, 20, 25 and 50 dB; distortion spans more than levels."""


_SPAN_DB = 70.0


_MAX_LOWER_LIMIT_DB = -80.0
"""dB re the fundamental: no panel ends above this level, however high the distortion is in the bass. Audible distortion
can be far below that."""


_MARKS_PER_OCTAVE = 6


@dataclass(frozen=True)
class DistortionCurve:
    """A curve of distortion.

    Attributes
    ----------
    column, title : str
        Name of its column in the data, and its name in print.
    values : numpy.ndarray, shape (n,)
        dB re the fundamental, or per cent.
    limit : numpy.ndarray of bool, shape (n,)
        Which values are upper limits, since noise masks the harmonic.
    colour, dash : str, tuple of float
        As for :class:`anechain.figures.panel_elements.Series`.
    """

    column: str
    title: str
    values: Floats
    limit: Flags
    colour: str
    dash: tuple[float, ...]


@dataclass(frozen=True)
class DistortionPanel:
    """A panel of distortion: its name, axis title, unit, type and limits of the scale, ticks, and curves."""

    name: str
    title: str
    unit: str
    scale: Literal["linear", "log"]
    limits: tuple[float, float]
    ticks: tuple[float, ...]
    curves: tuple[DistortionCurve, ...]


def decibel_panel(frequency: Floats, curves: Sequence[DistortionCurve]) -> DistortionPanel:
    """Return the panel of harmonic orders, in dB re the fundamental."""
    highest = _maximum([curve.values[_on_axis(frequency)] for curve in curves])
    top = math.ceil((highest + 2.0) / 10.0) * 10.0
    bottom = min(top - _SPAN_DB, _MAX_LOWER_LIMIT_DB)
    ticks = tuple(float(tick) for tick in np.arange(bottom, top + 1, 10))
    return DistortionPanel("orders", "Level re fundamental in dB", "dB", "linear", (bottom, top), ticks, tuple(curves))


def percent_panel(frequency: Floats, curves: Sequence[DistortionCurve], title: str) -> DistortionPanel:
    """Return a panel of harmonic sums, in per cent on a logarithmic scale."""
    highest = _maximum([curve.values[_on_axis(frequency)] for curve in curves])
    steps = [step * 10.0**decade for decade in range(-4, 4) for step in (1, 3)]
    top = next(step for step in steps if step >= min(max(highest * 1.05, 1.0), 3000.0))
    bottom = min(top / 1000.0, 100.0 * 10.0 ** (_MAX_LOWER_LIMIT_DB / 20.0))
    ticks = tuple(step for step in steps if bottom * 0.999 <= step <= top * 1.001)
    return DistortionPanel("sums", title, "%", "log", (bottom, top), ticks, tuple(curves))


def stack_distortion_panels(
    frequency: Floats,
    panels: Sequence[DistortionPanel],
    title: str,
    lines: Sequence[str],
    notes: Sequence[str],
    band: tuple[float, float],
    noise: tuple[Floats, Floats] | None = None,
) -> dict[str, Any]:
    """Return the figure of one or two panels of distortion over one frequency axis.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, increasing.
    panels : sequence of DistortionPanel
        From top to bottom.
    title, lines : str, sequence of str
        Heading.
    notes : sequence of str
        Notes below the figure.
    band : tuple of float
        The valid band in Hz; the panels are shaded outside it.
    noise : tuple of numpy.ndarray, each of shape (n,), optional
        Lowest and highest noise of the orders in dB re the fundamental.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.
    """
    rows = drawn_rows(frequency)
    data: dict[str, Any] = {"frequency": style.rounded_frequencies(frequency[rows])}
    for panel in panels:
        for curve in panel.curves:
            data |= _columns_of(curve, frequency, rows)
    if noise is not None:
        data |= {"noise_low": style.rounded(noise[0][rows]), "noise_high": style.rounded(noise[1][rows])}
    notes = [*shading_note(band), *notes]
    charts = [_panel_chart(panel, data, band, panel is panels[-1], notes) for panel in panels]
    spec = assemble_panels(charts, data, "distortion", title, lines)
    for panel, view in zip(panels, spec["vconcat"], strict=True):
        add_selections(spec, panel.name, view)
    return spec


def _panel_chart(
    panel: DistortionPanel, data: Mapping[str, Any], band: tuple[float, float], last: bool, notes: Sequence[str]
) -> alt.LayerChart:
    """Return the chart of a panel: noise, upper limits, values and pointer."""
    import altair as alt

    x = alt.X("frequency:Q", scale=style.frequency_scale(), axis=style.frequency_axis(labelled=last))
    y = alt.Y(
        "value:Q",
        scale=alt.Scale(type=panel.scale, domain=list(panel.limits), nice=False, zero=False),
        axis=alt.Axis(
            title=panel.title,
            values=list(panel.ticks),
            labelExpr="replace(format(datum.value, '~g'), '-', '−')",
            labelOverlap=False,
            minExtent=34,
        ),
    )
    legend = alt.Legend(title=None, symbolType="stroke", symbolSize=1000)
    looks = colour_and_dash("curve:N", {curve.title: (curve.colour, curve.dash) for curve in panel.curves}, legend)
    colour = looks["color"]
    chosen = alt.OpacityValue(0.12, condition={"param": f"{panel.name}_chosen", "value": 1})

    def rows_of(suffix: str) -> alt.Chart | None:
        labels = {f"{curve.column}{suffix}": curve.title for curve in panel.curves if f"{curve.column}{suffix}" in data}
        if not labels:
            return None
        names: list[Any] = list(labels)
        chart = (
            alt.Chart().transform_flatten(["frequency", *names]).transform_fold(names[::-1], as_=["column", "value"])
        )
        chart = chart.transform_calculate(curve=f"{style.labels_json(labels)}[datum.column]")
        return chart.transform_filter("isValid(datum.value)") if suffix in ("_mark", "_alone") else chart

    layers = shading_layers(band, f"{panel.name}_outside")
    if panel.name == "orders" and "noise_high" in data:
        layers.append(
            alt.Chart()
            .transform_flatten(["frequency", "noise_low", "noise_high"])
            .transform_filter("isValid(datum.noise_high)")
            .transform_calculate(
                value=f"max(datum.noise_low, {panel.limits[0]})", high=f"max(datum.noise_high, {panel.limits[0]})"
            )
            .mark_area(color="#999999", opacity=0.3, clip=True)
            .encode(x=x, y=y, y2="high:Q")
        )
    if (limits := rows_of("_limit")) is not None:
        limit_lines = limits.mark_line(clip=True, strokeWidth=0.9, strokeDash=[2, 2])
        layers.append(limit_lines.encode(x=x, y=y, color=colour, opacity=chosen))
    if (marks := rows_of("_mark")) is not None:
        limit_marks = marks.mark_point(clip=True, shape="triangle-down", size=22, filled=False, strokeWidth=1)
        layers.append(limit_marks.encode(x=x, y=y, color=colour, opacity=chosen))
    if (isolated := rows_of("_alone")) is not None:
        dots = isolated.mark_point(clip=True, shape="circle", size=8, filled=True)
        layers.append(dots.encode(x=x, y=y, color=colour, opacity=chosen))
    values = rows_of("") or alt.Chart().transform_calculate(value="null", curve="''")
    layers.append(values.mark_line(clip=True, strokeWidth=1.8).encode(x=x, y=y, opacity=chosen, **looks))
    tooltip = [
        alt.Tooltip("frequency:Q", title="Frequency in Hz", format=",.4~r"),
        *(alt.Tooltip(f"{curve.column}:N", title=f"{curve.title} in {panel.unit}") for curve in panel.curves),
    ]
    columns = [name for curve in panel.curves for name in (curve.column, f"{curve.column}_limit") if name in data]
    tooltip_values = {
        curve.column: f"isValid(datum.{curve.column}) ? format(datum.{curve.column}, '.3~r') : "
        f"isValid(datum.{curve.column}_limit) ? 'at most ' + format(datum.{curve.column}_limit, '.3~r') : ''"
        for curve in panel.curves
    }
    layers.append(pointer_layer(panel.name, columns, x, tooltip, **tooltip_values))
    span_db = (
        panel.limits[1] - panel.limits[0]
        if panel.scale == "linear"
        else 20 * math.log10(panel.limits[1] / panel.limits[0])
    )
    return alt.LayerChart(
        layer=layers,
        width=style.PANEL_WIDTH,
        height=_height(span_db),
        title=(style.notes_below(notes) if last else None) or alt.Undefined,
    )


def _columns_of(curve: DistortionCurve, frequency: Floats, rows: NDArray[np.intp]) -> dict[str, Any]:
    """Return the columns of a curve: values; limits with the values next to them; marks of limits; isolated values."""
    values, limit = curve.values[rows], curve.limit[rows] & np.isfinite(curve.values[rows])
    value = np.isfinite(values) & ~limit
    next_to_limit = np.convolve(limit, [1, 1, 1], "same") > 0
    bins = np.floor(np.log2(frequency[rows]) * _MARKS_PER_OCTAVE).astype(np.int64)
    marked = limit.copy()
    last_bin: int | None = None
    for row in np.flatnonzero(limit):
        marked[row] = bins[row] != last_bin
        last_bin = int(bins[row])
    neighbours = np.convolve(value, [1, 0, 1], "same") > 0 if value.size else value
    masks = {"": value, "_limit": next_to_limit & np.isfinite(values), "_mark": marked, "_alone": value & ~neighbours}
    # Columns without a value are omitted: with many orders most of them would be empty.
    return {f"{curve.column}{suffix}": _masked(values, present) for suffix, present in masks.items() if present.any()}


def _masked(values: Floats, present: Flags) -> list[float | None]:
    """Return the values where `present` is true, to four significant digits, and None elsewhere."""
    return [float(f"{value:.4g}") if is_present else None for value, is_present in zip(values, present, strict=True)]


def _height(decibels: float) -> float:
    decades = math.log10(style.FREQUENCY_RANGE[1] / style.FREQUENCY_RANGE[0])
    return style.PANEL_WIDTH / decades * decibels / DECIBELS_PER_DECADE


def _on_axis(frequency: Floats) -> Flags:
    low, high = style.FREQUENCY_RANGE
    return np.asarray((frequency >= low) & (frequency <= high))


def _maximum(values: ArrayLike) -> float:
    finite = np.asarray(values, dtype=np.float64)
    finite = finite[np.isfinite(finite)]
    return float(finite.max()) if finite.size else float("nan")
