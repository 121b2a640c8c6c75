"""Figure of the beam width: angles at which the level has fallen by the stated drop, by plane and side."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panel_parts import drawn_rows
from anechain.figures.style import BLUE, VERMILION

if TYPE_CHECKING:
    import altair as alt
    import xarray as xr

__all__ = ["beam_width_figure", "beam_width_of_device"]


_SIDES = {"horizontal": ("left", "right"), "vertical": ("up", "down")}
_COLOURS = {"horizontal": BLUE, "vertical": VERMILION}
_HEIGHT = 180
_NOT_REACHED, _EXCEEDED_AGAIN = 1, 2
_GREY = "#5a5a5a"


def beam_width_figure(directivity: xr.Dataset, numbers: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Return the figure of the beam width: a panel for each plane, with its two sides above and below 0°.

    Parameters
    ----------
    directivity : xarray.Dataset
        After the contract `directivity`.
    numbers : mapping, optional
        Content of numbers.json: the coverage in bands, and frequencies at which the beam narrows.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.
    """
    import altair as alt

    attrs = directivity.attrs
    frequency = np.asarray(directivity["frequency"].values, np.float64)
    rows = drawn_rows(frequency)
    columns: dict[str, Any] = {"frequency": style.rounded_frequencies(frequency[rows])}
    planes = [str(plane) for plane in directivity["plane"].values]
    has_uncertainty = "first_low" in directivity
    for plane in planes:
        of_plane = directivity.sel(plane=plane).transpose("side", "frequency")
        for side, sign in (("positive", 1.0), ("negative", -1.0)):
            of_side = of_plane.sel(side=side)
            state = np.asarray(of_side["state"].values)
            first, outermost = (np.asarray(of_side[name].values, np.float64) for name in ("first", "outermost"))
            # The level exceeds the drop again at the last angle: the line is drawn at the edge.
            outermost = np.where(state == _EXCEEDED_AGAIN, 180.0, outermost)
            differs = ~np.isnan(first) & (first != outermost)
            isolated = differs & ~np.r_[differs[1:], False] & ~np.r_[False, differs[:-1]]
            shown = {
                "first": first,
                "outermost": outermost,
                "never": np.where(state == _NOT_REACHED, 180.0, np.nan),
                "alone": np.where(isolated, outermost, np.nan),
            }
            if has_uncertainty:
                shown |= {end: np.asarray(of_side[f"first_{end}"].values, np.float64) for end in ("low", "high")}
            for name, angle in shown.items():
                columns[f"{plane}_{side}_{name}"] = style.rounded(sign * angle[rows], 1)
    marks = [mark for plane in planes for mark in _marks_of(plane, numbers or {})]
    charts = [_panel(plane, plane == planes[-1], attrs, has_uncertainty, marks) for plane in planes]
    drop = f"\N{MINUS SIGN}{float(attrs['drop']):g} dB re the axis"
    chart = alt.vconcat(*charts, data=style.inline_data([columns], "beams")).properties(
        title=style.heading(str(attrs["title"]), [f"Beam width at {drop}"])
    )
    return style.finish_spec(chart, f"{attrs['title']}: beam width")


def _marks_of(plane: str, numbers: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the marks of the numbers of a plane: bands with their mean coverage, and where the beam narrows."""
    marks = []
    for id_ in numbers.get("order", ()):
        if not id_.startswith(f"beam.{plane}."):
            continue
        entry = numbers[id_]
        for mark in entry["marks"] if entry["value"] is not None else ():
            band = mark["low_hz"] < mark["high_hz"]
            sign = "\N{GREATER-THAN OR EQUAL TO} " if entry["bound"] == "at least" else ""
            label = f"{sign}{entry['value']:.0f}°" if band else ""
            marks.append({"plane": plane, "from": mark["low_hz"], "to": mark["high_hz"], "words": label, "band": band})
    # Overlapping bands are stacked.
    spans = sorted((entry for entry in marks if entry["band"]), key=lambda entry: (entry["from"], entry["to"]))
    ends: list[float] = []
    for entry in spans:
        row = next((row for row, end in enumerate(ends) if end < entry["from"]), len(ends))
        ends[row:] = [entry["to"], *ends[row + 1 :]]
        entry["at"] = -168 + 24 * row
    return marks


def _panel(
    plane: str, last: bool, attrs: Mapping[Any, Any], has_uncertainty: bool, marks: list[dict[str, Any]]
) -> alt.LayerChart:
    """Return the chart of a plane."""
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

    def x_of(name: str) -> alt.X:
        return alt.X(f"{name}:Q", scale=style.frequency_scale(), axis=style.frequency_axis(labelled=last))

    def y_of(name: str) -> alt.Y:
        return alt.Y(f"{name}:Q", scale=alt.Scale(domain=[-180, 180], nice=False), axis=angle)

    x, y = x_of("frequency"), y_of("angle")

    def both_sides(name: str) -> alt.Chart:
        names = [f"{plane}_{side}_{name}" for side in ("positive", "negative")]
        return alt.Chart().transform_flatten(["frequency", *names]).transform_fold([*names], as_=["side", "angle"])

    colour = _COLOURS[plane]
    outermost = both_sides("outermost").mark_line(clip=True, strokeWidth=1.2, strokeDash=[2, 2], color=colour)
    first = both_sides("first").mark_line(clip=True, strokeWidth=2, color=colour)
    never = (
        both_sides("never")
        .transform_filter("isValid(datum.angle)")
        .mark_point(shape="square", size=9, filled=True, color="#8a8a8a", clip=True)
    )
    isolated = (
        both_sides("alone")
        .transform_filter("isValid(datum.angle)")
        .mark_point(shape="diamond", size=36, filled=False, strokeWidth=1.2, color=colour, clip=True)
    )
    tooltip = [
        alt.Tooltip("frequency:Q", title="Frequency in Hz", format=",.4~r"),
        alt.Tooltip("angle:Q", title="Angle in degrees", format=".0f"),
    ]
    layers = _uncertainty_layers(plane, x, y_of) if has_uncertainty else []
    layers += [
        outermost.encode(x=x, y=y, detail="side:N"),
        never.encode(x=x, y=y),
        first.encode(x=x, y=y, detail="side:N", tooltip=tooltip),
        isolated.encode(x=x, y=y),
        *_number_layers([mark for mark in marks if mark["plane"] == plane], x_of, y_of),
    ]
    properties: dict[str, Any] = {"width": style.PANEL_WIDTH, "height": _HEIGHT}
    if last:
        properties["title"] = style.notes_below(_notes(attrs, has_uncertainty, marks))
    return alt.LayerChart(layer=layers, **properties)


def _uncertainty_layers(plane: str, x: alt.X, y_of: Callable[[str], alt.Y]) -> list[alt.Chart]:
    """Return an area for each side: the 95 % interval of the first angle."""
    import altair as alt

    layers = []
    for side in ("positive", "negative"):
        low, high = f"{plane}_{side}_low", f"{plane}_{side}_high"
        layers.append(
            alt.Chart()
            .transform_flatten(["frequency", low, high])
            .mark_area(clip=True, color=_COLOURS[plane], opacity=0.25)
            .encode(x=x, y=y_of(low), y2=f"{high}:Q")
        )
    return layers


def _number_layers(
    marks: list[dict[str, Any]], x_of: Callable[[str], alt.X], y_of: Callable[[str], alt.Y]
) -> list[alt.Chart]:
    """Return bands with their coverage as horizontal lines, and vertical lines where the beam narrows."""
    import altair as alt

    layers = []
    if bands := [mark for mark in marks if mark["band"]]:
        data = style.inline_data(bands, f"coverage_{bands[0]['plane']}")
        layers.append(
            alt.Chart(data)
            .mark_rule(color=_GREY, strokeWidth=1.2, clip=True)
            .encode(x=x_of("from"), x2="to:Q", y=y_of("at"))
        )
        layers.append(
            alt.Chart(data)
            .transform_calculate(middle="sqrt(datum.from * datum.to)")
            .mark_text(color=_GREY, fontSize=10, baseline="bottom", dy=-1, clip=True)
            .encode(x=x_of("middle"), y=y_of("at"), text="words:N")
        )
    if places := [mark for mark in marks if not mark["band"]]:
        layers.append(
            alt.Chart(style.inline_data(places, f"narrow_{places[0]['plane']}"))
            .mark_rule(color=_GREY, strokeWidth=1, strokeDash=[1, 3], clip=True)
            .encode(x=x_of("from"))
        )
    return layers


def _notes(attrs: Mapping[Any, Any], has_uncertainty: bool, marks: list[dict[str, Any]]) -> list[str]:
    """Return the notes below the figure."""
    notes = [
        f"Solid: first angle from the axis at which the level is {float(attrs['drop']):g} dB below on axis. Dashed: "
        "angle beyond which it stays lower; between the two it rises again. Dashed at the edge: it is higher again at "
        "the last angle. Diamond: the same at a single frequency. Grey at 180°: the level never falls that far."
    ]
    if has_uncertainty:
        notes.append(
            "Pale: 95 % interval of the first angle, from stated components and interpolation between the angles."
        )
    if any(mark["band"] for mark in marks):
        notes.append("Grey bars: mean coverage, sum of both sides.")
    if any(not mark["band"] for mark in marks):
        notes.append(
            "Dotted: frequency at which the beam first becomes narrower than the stated width, and above which it "
            "stays so."
        )
    return notes


def beam_width_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the beam width."""
    caption = "Beam width: angles at which the level has fallen by the stated drop, by plane and side."
    reads = tuple(name for name in ("directivity.nc", "numbers.json") if name in data)
    yield DeviceFigure("beam-width", caption, reads, beam_width_figure)
