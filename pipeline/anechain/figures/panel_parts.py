"""Parts that all panels over frequency share: drawn frequencies, shading, legend, pointer and assembly."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.arrays import Floats
from anechain.figures import style

if TYPE_CHECKING:
    import altair as alt

__all__ = [
    "POINTS_PER_OCTAVE",
    "add_selections",
    "assemble_panels",
    "colour_and_dash",
    "drawn_rows",
    "pointer_layer",
    "shading_layers",
    "shading_note",
]


POINTS_PER_OCTAVE = 96
"""Limit of the density of drawn points: denser data are decimated without averaging. Two points per printed pixel."""


def drawn_rows(frequency: Floats) -> NDArray[np.intp]:
    """Return the rows of the frequencies that are drawn: those on the axis, at most 96 per octave."""
    low, high = style.FREQUENCY_RANGE
    # Slightly beyond the axis too, so that curves reach its ends; the panel clips them.
    on_axis = np.flatnonzero((frequency >= low / 1.1) & (frequency <= high * 1.1))
    bins = np.floor(np.log2(frequency[on_axis]) * POINTS_PER_OCTAVE).astype(np.int64)
    first = np.r_[True, np.diff(bins) > 0] if bins.size else np.zeros(0, bool)
    return np.asarray(on_axis[first])


def shading_layers(band: tuple[float, float], name: str) -> list[alt.Chart]:
    """Return the layer that shades frequencies outside the valid band; no layer if the band is the whole axis."""
    import altair as alt

    outside = [{"from": a, "to": b} for a, b in style.bands_outside(band)]
    if not outside:
        return []
    chart = alt.Chart(style.inline_data(outside, name)).mark_rect(color=style.SHADE, opacity=0.08, clip=True)
    return [chart.encode(x=alt.X("from:Q", scale=style.frequency_scale()), x2="to:Q")]


def shading_note(band: tuple[float, float]) -> list[str]:
    """Return the note that explains the shading; no note if nothing is shaded."""
    if not style.bands_outside(band):
        return []
    low, high = (style.format_frequency(edge) for edge in band)
    return [f"Shaded: outside the valid band, {low} to {high}."]


def colour_and_dash(
    field: str, looks: Mapping[str, tuple[str, Sequence[float]]], legend: alt.Legend | None
) -> dict[str, Any]:
    """Return the encodings `color` and `strokeDash`, from colour and dash by key in the order of the legend."""
    import altair as alt

    colours = alt.Scale(domain=[*looks], range=[colour for colour, _ in looks.values()])
    dashes = alt.Scale(domain=[*looks], range=[[*dash] for _, dash in looks.values()])
    return {
        "color": alt.Color(field, scale=colours, legend=legend),
        "strokeDash": alt.StrokeDash(field, scale=dashes, legend=legend),
    }


def pointer_layer(
    name: str, columns: Sequence[str], x: alt.X, tooltip: Sequence[alt.Tooltip], **computed: str
) -> alt.Chart:
    """Return the layer that shows the values at the frequency of the pointer; `computed` are extra columns."""
    import altair as alt

    low, high = style.FREQUENCY_RANGE
    rows = alt.Chart().transform_filter(style.INTERACTIVE).transform_flatten(["frequency", *columns])
    rows = rows.transform_filter(f"inrange(datum.frequency, [{low:g}, {high:g}])")
    if computed:
        rows = rows.transform_calculate(**computed)
    near = {"param": f"{name}_near", "value": 0.6, "empty": False}
    rule: alt.Chart = rows.mark_rule(color="#666666", clip=True)
    return rule.encode(x=x, opacity=alt.OpacityValue(0, condition=near), tooltip=[*tooltip])


def assemble_panels(
    charts: Sequence[alt.LayerChart], columns: Mapping[str, Any], data: str, title: str, lines: Sequence[str]
) -> dict[str, Any]:
    """Stack panels with separate legends and common data: one row of columns, named `data` in the specification."""
    import altair as alt

    chart = (
        alt.vconcat(*charts, data=style.inline_data([columns], data))
        .resolve_scale(color="independent", strokeDash="independent")
        .properties(title=style.heading(title, lines))
    )
    return style.finish_spec(chart, f"{title}: {'; '.join(line for line in lines if line)}")


def add_selections(
    spec: dict[str, Any], name: str, view: dict[str, Any], lines: int = -2, *, by_legend: bool = True
) -> None:
    """Add the selections of a panel to a specification: curves by the legend, a frequency by the pointer.

    The last layer of `view` must be that of :func:`pointer_layer`; `lines` is the index of the layer of the curves.
    """
    # Named here, since Altair generates other names for views with a selection.
    view["layer"][lines]["name"], view["layer"][-1]["name"] = f"{name}_lines", f"{name}_pointer"
    if by_legend:
        pick = {"type": "point", "fields": ["curve"]}
        spec["params"].append({"name": f"{name}_chosen", "select": pick, "bind": "legend", "views": [f"{name}_lines"]})
    point = {"type": "point", "encodings": ["x"], "nearest": True, "on": "pointermove", "clear": "pointerout"}
    spec["params"].append({"name": f"{name}_near", "select": point, "views": [f"{name}_pointer"]})
