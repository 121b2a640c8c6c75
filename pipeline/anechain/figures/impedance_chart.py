"""Chart of one panel of the impedance figure, from its layers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from anechain.figures import style
from anechain.figures.panel_parts import pointer_layer
from anechain.figures.style import BLUE

if TYPE_CHECKING:
    import altair as alt

from anechain.figures.impedance_panels import ImpedanceMark, ImpedancePanel, format_ohm

__all__ = ["impedance_chart"]


EDGE_SHARE = 0.15
"""Share of a panel's height that a label needs between its marker and the edge of the panel."""


def impedance_chart(
    panel: ImpedancePanel,
    panels: list[ImpedancePanel],
    marks: list[ImpedanceMark],
    rated: float | None,
    notes: list[str],
    with_band: bool,
) -> alt.LayerChart:
    """Return the chart of a panel.

    Parameters
    ----------
    panel : ImpedancePanel
        The panel.
    panels : list of ImpedancePanel
        All panels from top to bottom: the pointer shows values of all of them.
    marks : list of ImpedanceMark
        Marked points of all panels.
    rated : float or None
        Rated impedance in ohm.
    notes : list of str
        Notes below the last panel.
    with_band : bool
        Whether the panel has an uncertainty band.
    """
    import altair as alt

    last = panel is panels[-1]
    x = alt.X("frequency:Q", scale=style.frequency_scale(), axis=style.frequency_axis(labelled=last))
    y_scale = alt.Scale(type=panel.scale, domain=list(panel.limits), nice=False, zero=False)  # type: ignore[arg-type] # a literal
    axis = alt.Axis(
        title=panel.title,
        values=list(panel.ticks),
        labelExpr=f"{style.labels_json(panel.labels)}[toString(datum.value)] || ''",
        labelOverlap=False,
        minExtent=34,
        gridColor=_grid_colour(panel),
    )
    # The same axis in every layer, since Vega-Lite merges the axes of layers.
    y = alt.Y(f"{panel.column}:Q", scale=y_scale, axis=axis)
    all_columns = [each.column for each in panels]
    flat = alt.Chart().transform_flatten(["frequency", *all_columns])
    layers: list[alt.Chart] = []
    if panel.name == "modulus" and rated is not None:
        layers += _rated_layers(rated, panel, y)
    if panel.name == "phase":
        zero = alt.Chart(style.inline_data([{panel.column: 0}], "zero"))
        layers.append(zero.mark_rule(color=style.INK, strokeWidth=1).encode(y=y))
    if with_band:
        low, high = panel.edges
        edges = alt.Chart().transform_flatten(["frequency", low, high])
        shade = edges.mark_area(color=panel.colour, opacity=0.18, clip=True)
        layers.append(shade.encode(x=x, y=alt.Y(f"{low}:Q", scale=y_scale, axis=axis), y2=f"{high}:Q"))
    layers.append(flat.mark_line(clip=True, strokeWidth=1.8, color=panel.colour).encode(x=x, y=y))
    layers += _mark_layers([mark for mark in marks if mark.panel == panel.name], panel, x, y)
    titles = {"modulus": "Modulus in Ω", "phase": "Phase in degrees", "dissipation": "Equivalent peak dissipation in Ω"}
    tooltip = [alt.Tooltip("frequency:Q", title="Frequency in Hz", format=",.4~r")] + [
        alt.Tooltip(f"{name}:Q", title=titles[name], format=".1f" if name == "phase" else ".3~r")
        for name in all_columns
    ]
    layers.append(pointer_layer(panel.name, all_columns, x, tooltip))
    properties: dict[str, Any] = {"width": style.PANEL_WIDTH, "height": panel.height}
    below = style.notes_below(notes) if last else None
    if below is not None:
        properties["title"] = below
    return alt.LayerChart(layer=layers, **properties)


def _grid_colour(panel: ImpedancePanel) -> Any:
    """Return the colour of the grid: darker lines at powers of ten of a logarithmic axis."""
    import altair as alt

    decades = [tick for tick in panel.ticks if panel.scale == "log" and f"{tick:e}"[0] == "1" and tick % 1 == 0]
    if not decades:
        return style.GRID
    test = " || ".join(f"datum.value == {tick:g}" for tick in decades)
    return alt.condition(test, alt.value(style.DECADE_GRID), alt.value(style.GRID))


def _rated_layers(rated: float, panel: ImpedancePanel, y: alt.Y) -> list[alt.Chart]:
    """Return the line of the rated impedance and its label to the right of the panel."""
    import altair as alt

    row = {panel.column: rated, "end": style.FREQUENCY_RANGE[1]}
    base = alt.Chart(style.inline_data([row], "rated"))
    label = base.mark_text(
        text=f"rated {format_ohm(rated)}", align="left", baseline="middle", dx=8, fontSize=11, color=BLUE
    )
    return [
        base.mark_rule(color=BLUE, strokeWidth=1.4, strokeDash=[9, 3]).encode(y=y),
        label.encode(x=alt.X("end:Q", scale=style.frequency_scale()), y=y),
    ]


def _mark_layers(marks: list[ImpedanceMark], panel: ImpedancePanel, x: alt.X, y: alt.Y) -> list[alt.Chart]:
    """Return marker, label and its white outline for each mark; labels are placed so that they do not overlap."""
    import altair as alt

    layers = []
    low, high = style.FREQUENCY_RANGE
    ordered = sorted(marks, key=lambda mark: mark.frequency)
    for number, mark in enumerate(ordered):
        share = math.log(mark.frequency / low) / math.log(high / low)
        centred = len(ordered) == 1 and 0.15 < share < 0.85
        align = "center" if centred else "left" if share < 0.15 or (number and share <= 0.85) else "right"
        row = {"frequency": round(mark.frequency, 2), panel.column: round(mark.value, 3)}
        base = alt.Chart(style.inline_data([row], f"{panel.name}_mark_{number}"))
        label: dict[str, Any] = {"text": mark.label, "align": align, "baseline": "top", "dy": 7, "fontSize": 11}
        if panel.scale == "linear" and _label_above(mark.value, *panel.limits):
            label |= {"baseline": "bottom", "dy": -7}
        layers += [
            # A white outline, so that the label can be read on top of a curve.
            base.mark_text(**label, stroke="white", strokeWidth=4, color="white").encode(x=x, y=y),
            base.mark_text(**label, color=style.INK).encode(x=x, y=y),
            base.mark_point(shape=mark.shape, filled=True, size=60, color=mark.colour, opacity=1).encode(x=x, y=y),
        ]
    return layers


def _label_above(value: float, low: float, high: float) -> bool:
    """Return whether a label is above its marker: away from the curve, but inside the panel."""
    room = EDGE_SHARE * (high - low)
    return value < low + room or 0.0 < value < high - room
