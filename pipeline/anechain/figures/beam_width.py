"""Figure of the beam width: the angle at which the level has fallen, by plane, side and frequency."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panels import thinned
from anechain.figures.style import BLUE, VERMILION

if TYPE_CHECKING:
    import altair as alt
    import xarray as xr

__all__ = ["beam_width_figure", "beam_width_of_device"]


_SIDES = {"horizontal": ("left", "right"), "vertical": ("up", "down")}
_COLOURS = {"horizontal": BLUE, "vertical": VERMILION}
_HEIGHT = 180
_NOT_REACHED, _COMES_BACK = 1, 2
_GREY = "#5a5a5a"


def beam_width_figure(directivity: xr.Dataset, numbers: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Beam width by plane: one panel each, one side above and the other below the axis.

    Parameters
    ----------
    directivity : xarray.Dataset
        After the contract `directivity`.
    numbers : mapping, optional
        The document numbers.json: where the beam narrows, and its coverage in bands.

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
    banded = "first_uncertainty" in directivity
    for plane in planes:
        one = directivity.sel(plane=plane).transpose("side", "frequency")
        for side, sign in (("positive", 1.0), ("negative", -1.0)):
            part = one.sel(side=side)
            state = np.asarray(part["state"].values)
            first, outermost = (np.asarray(part[name].values, np.float64) for name in ("first", "outermost"))
            # A beam that comes back up to the last angle stays below from nowhere: the line runs along the edge.
            outermost = np.where(state == _COMES_BACK, 180.0, outermost)
            apart = ~np.isnan(first) & (first != outermost)
            alone = apart & ~np.r_[apart[1:], False] & ~np.r_[False, apart[:-1]]
            shown = {
                "first": first,
                "outermost": outermost,
                "never": np.where(state == _NOT_REACHED, 180.0, np.nan),
                "alone": np.where(alone, outermost, np.nan),
            }
            if banded:
                half = float(attrs["coverage_factor"]) * np.asarray(part["first_uncertainty"].values, np.float64)
                shown |= {"low": np.maximum(first - half, 0.0), "high": np.minimum(first + half, 180.0)}
            for name, angle in shown.items():
                columns[f"{plane}_{side}_{name}"] = style.rounded(sign * angle[rows], 1)
    marks = [mark for plane in planes for mark in _marks(plane, numbers or {})]
    charts = [_panel(plane, plane == planes[-1], attrs, banded, marks) for plane in planes]
    drop = f"\N{MINUS SIGN}{float(attrs['drop']):g} dB re the axis"
    chart = alt.vconcat(*charts, data=style.inline([columns], "beams")).properties(
        title=style.heading(str(attrs["title"]), [f"Beam width: where the level is at {drop}"])
    )
    return style.finish(chart, f"{attrs['title']}: beam width")


def _marks(plane: str, numbers: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Where numbers of a plane are: the mean coverage in bands, drawn as a span, and where the beam narrows."""
    found = []
    for id_ in numbers.get("order", ()):
        if not id_.startswith(f"beam.{plane}."):
            continue
        one = numbers[id_]
        for mark in one["marks"] if one["value"] is not None else ():
            band = mark["low_hz"] < mark["high_hz"]
            sign = "\N{GREATER-THAN OR EQUAL TO} " if one["bound"] == "at least" else ""
            words = f"{sign}{one['value']:.0f}°" if band else ""
            found.append({"plane": plane, "from": mark["low_hz"], "to": mark["high_hz"], "words": words, "band": band})
    # Spans one above the other where they overlap.
    spans = sorted((one for one in found if one["band"]), key=lambda one: (one["from"], one["to"]))
    ends: list[float] = []
    for one in spans:
        row = next((row for row, end in enumerate(ends) if end < one["from"]), len(ends))
        ends[row:] = [one["to"], *ends[row + 1 :]]
        one["at"] = -168 + 24 * row
    return found


def _panel(
    plane: str, last: bool, attrs: Mapping[Any, Any], banded: bool, marks: list[dict[str, Any]]
) -> alt.LayerChart:
    import altair as alt

    positive, negative = _SIDES[plane]
    angle = alt.Axis(
        title=f"{plane.capitalize()} angle",
        values=list(range(-180, 181, 30)),
        labelExpr=f"datum.value % 90 ? '' : datum.value > 0 ? datum.value + '° {positive}' : "
        f"datum.value < 0 ? -datum.value + '° {negative}' : '0°'",
        labelOverlap=False,
        minExtent=60,
    )

    def across(name: str) -> alt.X:
        return alt.X(f"{name}:Q", scale=style.frequency_scale(), axis=style.frequency_axis(labelled=last))

    def upwards(name: str) -> alt.Y:
        return alt.Y(f"{name}:Q", scale=alt.Scale(domain=[-180, 180], nice=False), axis=angle)

    x, y = across("frequency"), upwards("angle")

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
    alone = (
        folded("alone")
        .transform_filter("isValid(datum.angle)")
        .mark_point(shape="diamond", size=36, filled=False, strokeWidth=1.2, color=colour, clip=True)
    )
    tooltip = [
        alt.Tooltip("frequency:Q", title="Frequency in Hz", format=",.4~r"),
        alt.Tooltip("angle:Q", title="Angle in degrees", format=".0f"),
    ]
    layers = _bands(plane, x, upwards) if banded else []
    layers += [
        outer.encode(x=x, y=y, detail="side:N"),
        never.encode(x=x, y=y),
        first.encode(x=x, y=y, detail="side:N", tooltip=tooltip),
        alone.encode(x=x, y=y),
        *_spans([one for one in marks if one["plane"] == plane], across, upwards),
    ]
    properties: dict[str, Any] = {"width": style.PANEL_WIDTH, "height": _HEIGHT}
    if last:
        properties["title"] = style.under_figure(_words(attrs, banded, marks))
    return alt.LayerChart(layer=layers, **properties)


def _bands(plane: str, x: alt.X, upwards: Callable[[str], alt.Y]) -> list[alt.Chart]:
    """One area a side: expanded uncertainty of the first angle."""
    import altair as alt

    layers = []
    for side in ("positive", "negative"):
        low, high = f"{plane}_{side}_low", f"{plane}_{side}_high"
        layers.append(
            alt.Chart()
            .transform_flatten(["frequency", low, high])
            .mark_area(clip=True, color=_COLOURS[plane], opacity=0.25)
            .encode(x=x, y=upwards(low), y2=f"{high}:Q")
        )
    return layers


def _spans(
    marks: list[dict[str, Any]], across: Callable[[str], alt.X], upwards: Callable[[str], alt.Y]
) -> list[alt.Chart]:
    """Bands with their coverage as spans near the lower edge, and upright lines where the beam narrows."""
    import altair as alt

    layers = []
    if bands := [one for one in marks if one["band"]]:
        data = style.inline(bands, f"coverage_{bands[0]['plane']}")
        layers.append(
            alt.Chart(data)
            .mark_rule(color=_GREY, strokeWidth=1.2, clip=True)
            .encode(x=across("from"), x2="to:Q", y=upwards("at"))
        )
        layers.append(
            alt.Chart(data)
            .transform_calculate(middle="sqrt(datum.from * datum.to)")
            .mark_text(color=_GREY, fontSize=10, baseline="bottom", dy=-1, clip=True)
            .encode(x=across("middle"), y=upwards("at"), text="words:N")
        )
    if places := [one for one in marks if not one["band"]]:
        layers.append(
            alt.Chart(style.inline(places, f"narrow_{places[0]['plane']}"))
            .mark_rule(color=_GREY, strokeWidth=1, strokeDash=[1, 3], clip=True)
            .encode(x=across("from"))
        )
    return layers


def _words(attrs: Mapping[Any, Any], banded: bool, marks: list[dict[str, Any]]) -> list[str]:
    notes = [
        f"Solid: first angle from the axis at which the level has fallen by {float(attrs['drop']):g} dB. Broken: angle "
        "from which it stays lower, and between the two it comes up again; along the edge: it is up again at the last "
        "angle. Diamond: so at one frequency alone. Grey at 180°: it never falls that far."
    ]
    if banded:
        notes.append(
            f"Pale: expanded uncertainty (k = {float(attrs['coverage_factor']):g}) of the first angle, of what is "
            "stated."
        )
    if any(one["band"] for one in marks):
        notes.append("Grey spans: mean coverage, both sides together.")
    if any(not one["band"] for one in marks):
        notes.append("Dotted: where the beam becomes narrower than the width asked for, first and for good.")
    return notes


def beam_width_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the beam width."""
    caption = "Beam width: the angle at which the level has fallen by the stated amount, by plane and side."
    reads = tuple(name for name in ("directivity.nc", "numbers.json") if name in data)
    yield DeviceFigure("beam-width", caption, reads, beam_width_figure)
