"""Figure of the change between two results: new minus old over frequency, a panel for each device."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.figures import style
from anechain.figures.panel_parts import colour_and_dash, drawn_rows, shading_layers

if TYPE_CHECKING:
    import altair as alt

    from anechain.data.changes import DeviceChange
from anechain.figures.change_panels import ChangePanel, drawn_panels, finite_values, shorten_title
from anechain.figures.change_scale import STEP_HEIGHT, change_limits

__all__ = ["change_figure"]


_DECIMALS = 4


def change_figure(devices: Sequence[DeviceChange], tolerance: float) -> dict[str, Any] | None:
    """Return the figure of the change over frequency of each curve and directivity index that differs.

    Parameters
    ----------
    devices : sequence of DeviceChange
        The differences of each device; see :mod:`anechain.data.changes`.
    tolerance : float
        dB up to which two levels counted as the same.

    Returns
    -------
    dict or None
        A Vega-Lite specification with its data inside; None if no curve and no index
        has a finite change.

    Notes
    -----
    IEC 60263 has no scale for differences, which may be between 0.01 dB and 60 dB. Each panel has its own scale and
    states it. One grid line is always zero, and is drawn dark.
    """
    import altair as alt

    panels, number = drawn_panels(devices)
    if not panels:
        return None
    notes = []
    if any(style.bands_outside(panel.band) for panel in panels):
        notes.append("Shaded: outside the band that is valid on both sides.")
    notes += [note for panel in panels for note in panel.notes]
    drawn = {panel.device for panel in panels}
    notes += [f"{device.title}: {note}." for device in devices if device.device in drawn for note in device.notes]
    if number > len(panels):
        notes.append(f"The {len(panels)} of {number} panels with the largest changes are drawn.")
    names = list(dict.fromkeys(panel.title for panel in panels))
    title = f"Change of the curves: {', '.join(names[:4])}{f' and {len(names) - 4} more' if len(names) > 4 else ''}"
    lines = [f"New minus old; curves that change by no more than {tolerance:g} dB are not drawn."]
    charts = [_chart(panel, n, panel is panels[-1]) for n, panel in enumerate(panels, 1)]
    below = style.notes_below(notes)
    if below is not None:
        # A panel has one title, which is above it: the notes are the title of an empty chart of no height below.
        empty = alt.Chart(style.inline_data([{}], "notes")).mark_point(opacity=0)
        charts.append(alt.LayerChart(layer=[empty], width=style.PANEL_WIDTH, height=1, title=below))
    chart = (
        alt.vconcat(*charts)
        .resolve_scale(color="independent", strokeDash="independent")
        .properties(title=style.heading(title, lines))
    )
    return style.finish_spec(chart, f"{title}. {lines[0]}")


def _chart(panel: ChangePanel, number: int, last: bool) -> alt.LayerChart:
    """Return the chart of a panel; `number` makes the names of its data unique."""
    import altair as alt

    rows = drawn_rows(panel.frequency)
    columns: dict[str, Any] = {"frequency": style.rounded_frequencies(panel.frequency[rows])}
    columns |= {s.column: style.rounded(s.values[rows], _DECIMALS) for s in panel.series}
    low, high, step = change_limits(
        np.concatenate([finite_values(s.values, panel.frequency) for s in panel.series]).tolist()
    )
    steps = round((high - low) / step)
    first = round(low / step)
    decimals = max(0, math.ceil(-math.log10(step) - 1e-9))
    values = [round((first + n) * step, decimals) + 0.0 for n in range(steps + 1)]
    # A label at every second line, and always at zero.
    labels = {
        str(n): f"{value:+.{decimals}f}".replace("-", "−") for n, value in enumerate(values) if (first + n) % 2 == 0
    }
    labels[str(-first)] = "0"
    y = alt.Y(
        "change:Q",
        scale=alt.Scale(domain=[values[0], values[-1]], nice=False, zero=False),
        axis=alt.Axis(
            title=panel.axis,
            values=values,
            labelExpr=f"{style.labels_json(labels)}[toString(round((datum.value - ({values[0]})) / {step}))] || ''",
            labelOverlap=False,
            minExtent=40,
        ),
    )
    x = alt.X("frequency:Q", scale=style.frequency_scale(), axis=style.frequency_axis(labelled=last))
    keys = [s.key for s in panel.series]
    legend = alt.Legend(
        title=None,
        symbolType="stroke",
        symbolSize=1000,
        labelExpr=f"{style.labels_json({s.key: shorten_title(s.title) for s in panel.series})}[datum.value]",
        columns=1 + (len(keys) - 1) // max(3, int(steps * STEP_HEIGHT / 13)),
    )
    lines = (
        alt.Chart(style.inline_data([columns], f"change_{number}"))
        .transform_flatten(["frequency", *(s.column for s in panel.series)])
        # The first curve of the legend is drawn last, on top of the others.
        .transform_fold([s.column for s in reversed(panel.series)], as_=["column", "change"])
        .transform_calculate(curve=f"{style.labels_json({s.column: s.key for s in panel.series})}[datum.column]")
        .mark_line(clip=True, strokeWidth=1.8)
        .encode(
            x=x,
            y=y,
            **colour_and_dash("curve:N", {s.key: (s.colour, s.dash) for s in panel.series}, legend),
        )
    )
    zero = (
        alt.Chart(style.inline_data([{"change": 0}], f"zero_{number}"))
        .mark_rule(color=style.INK, strokeWidth=1.2)
        .encode(y=y)
    )
    scale = f"{panel.title}: {panel.what}; one decade of frequency is as long as {10 * step:g} dB"
    title = alt.TitleParams(text=scale, anchor="start", fontSize=12, fontWeight="normal", offset=6)
    return alt.LayerChart(
        layer=[*shading_layers(panel.band, f"outside_{number}"), zero, lines],
        width=style.PANEL_WIDTH,
        height=steps * STEP_HEIGHT,
        title=title,
    )
