"""Figure of the beam width: the angle at which the level has fallen, by plane, side and frequency."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.figures import style
from anechain.figures.panels import thinned
from anechain.figures.style import BLUE, VERMILION

if TYPE_CHECKING:
    import altair as alt
    import xarray as xr

__all__ = ["beam_width_figure"]

Floats = NDArray[np.float64]

_SIDES = {"horizontal": ("left", "right"), "vertical": ("up", "down")}
_COLOURS = {"horizontal": BLUE, "vertical": VERMILION}
_HEIGHT = 180
_NOT_REACHED = 1


def beam_width_figure(directivity: xr.Dataset) -> dict[str, Any]:
    """Beam width by plane: one panel each, one side above and the other below the axis.

    Parameters
    ----------
    directivity : xarray.Dataset
        After the contract `directivity`.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.
    """
    import altair as alt

    attrs = directivity.attrs
    frequency = np.asarray(directivity["frequency"].values, np.float64)
    rows = thinned(frequency)
    columns: dict[str, Any] = {"frequency": style.rounded_frequency(frequency[rows])}
    planes = [str(plane) for plane in directivity["plane"].values]
    for plane in planes:
        one = directivity.sel(plane=plane).transpose("side", "frequency")
        for side, sign in (("positive", 1.0), ("negative", -1.0)):
            part = one.sel(side=side)
            never = np.asarray(part["state"].values) == _NOT_REACHED
            for name in ("first", "outermost"):
                angle = sign * np.asarray(part[name].values, np.float64)
                columns[f"{plane}_{side}_{name}"] = style.rounded(angle[rows], 1)
            edge = np.where(never, sign * 180.0, np.nan)
            columns[f"{plane}_{side}_never"] = style.rounded(edge[rows], 1)
    charts = [_panel(plane, plane == planes[-1], float(attrs["drop"])) for plane in planes]
    drop = f"\N{MINUS SIGN}{float(attrs['drop']):g} dB re the axis"
    chart = alt.vconcat(*charts, data=style.inline([columns], "beams")).properties(
        title=style.heading(str(attrs["title"]), [f"Beam width: where the level is at {drop}"])
    )
    return style.finish(chart, f"{attrs['title']}: beam width")


def _panel(plane: str, last: bool, drop: float) -> alt.LayerChart:
    import altair as alt

    positive, negative = _SIDES[plane]
    x = alt.X("frequency:Q", scale=style.frequency_scale(), axis=style.frequency_axis(labelled=last))
    angle = alt.Axis(
        title=f"{plane.capitalize()} angle",
        values=list(range(-180, 181, 30)),
        labelExpr=f"datum.value % 90 ? '' : datum.value > 0 ? datum.value + '° {positive}' : "
        f"datum.value < 0 ? -datum.value + '° {negative}' : '0°'",
        labelOverlap=False,
        minExtent=60,
    )
    y = alt.Y("angle:Q", scale=alt.Scale(domain=[-180, 180], nice=False), axis=angle)

    def folded(name: str) -> alt.Chart:
        names = [f"{plane}_{side}_{name}" for side in ("positive", "negative")]
        return alt.Chart().transform_flatten(["frequency", *names]).transform_fold([*names], as_=["side", "angle"])

    colour = _COLOURS[plane]
    outer = folded("outermost").mark_line(clip=True, strokeWidth=1.2, strokeDash=[2, 2], color=colour)
    first = folded("first").mark_line(clip=True, strokeWidth=2, color=colour)
    never = (
        folded("never")
        .transform_filter("isValid(datum.angle)")
        .mark_point(shape="square", size=9, filled=True, color="#8a8a8a", clip=True)
    )
    tooltip = [
        alt.Tooltip("frequency:Q", title="Frequency in Hz", format=",.4~r"),
        alt.Tooltip("angle:Q", title="Angle in degrees", format=".0f"),
    ]
    layers = [
        outer.encode(x=x, y=y, detail="side:N"),
        never.encode(x=x, y=y),
        first.encode(x=x, y=y, detail="side:N", tooltip=tooltip),
    ]
    properties: dict[str, Any] = {"width": style.PANEL_WIDTH, "height": _HEIGHT}
    if last:
        note = (
            f"Solid: first angle from the axis at which the level has fallen by {drop:g} dB. Broken: angle from which "
            "it stays lower; between the two it comes up again. Grey at 180°: it never falls that far."
        )
        properties["title"] = style.under_figure([note])
    return alt.LayerChart(layer=layers, **properties)
