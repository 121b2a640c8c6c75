"""Directivity map: level relative to on axis over frequency and angle, in steps of 3 dB."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panel_parts import drawn_rows

if TYPE_CHECKING:
    import altair as alt
    import xarray as xr
from anechain.figures.relative_levels import angle_edges, relative_levels

__all__ = ["directivity_map_figure", "horizontal_of_device", "vertical_of_device"]


STEP = 3


THRESHOLDS = (*range(-30, 0, STEP), STEP)
"""Thresholds between colours in dB. None at 0 dB, where it would show noise near the axis."""


_STEP_EXPRESSION = f"datum.level >= {STEP} ? 1 : datum.level >= -{STEP} ? 0 : max(floor(datum.level / {STEP}), -11)"


MAP_HEIGHT = 400


# Uniform in lightness, so that the steps can be distinguished with colour-vision deficiency and in grey.
SCHEME: Literal["viridis"] = "viridis"


_SIDES = {"horizontal": ("right", "left"), "vertical": ("down", "up")}


def directivity_map_figure(responses: xr.Dataset, plane: str, directivity: xr.Dataset | None = None) -> dict[str, Any]:
    """Return the map of the level relative to on axis over frequency and angle, with the edges of the beam.

    Parameters
    ----------
    responses : xarray.Dataset
        After the contract `responses`: `level` (plane, angle, frequency) in dB.
    plane : str
        "horizontal" or "vertical".
    directivity : xarray.Dataset, optional
        After the contract `directivity`. Without it, or without the plane in it, the map has no beam edges and a
        note explains this.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside: one row for each direction, its levels by band in a list.

    Raises
    ------
    InputError
        If the plane was not measured or has no on-axis response.
    """
    import altair as alt

    edges, centres, angles, levels = relative_levels(responses, plane)
    rows = angle_edges(angles)
    beam = None
    if directivity is not None and plane in directivity["plane"].values:
        beam = directivity.sel(plane=plane)
    attrs = responses.attrs
    band = style.valid_band(attrs)
    title = str(attrs.get("title") or attrs.get("device") or "")
    what = f"{plane.capitalize()} directivity: level relative to on axis, in bands of 1/12 octave"

    cells = [
        {"angle": float(angle), "below": float(row[0]), "above": float(row[1]), "level": style.rounded(values)}
        for angle, row, values in zip(angles, rows, levels, strict=True)
    ]
    bands = {
        "low": style.rounded_frequencies(np.clip(edges[:, 0], *style.FREQUENCY_RANGE)),
        "high": style.rounded_frequencies(np.clip(edges[:, 1], *style.FREQUENCY_RANGE)),
        "centre": style.rounded_frequencies(centres),
    }
    low_side, high_side = _SIDES[plane]
    x_scale, y_scale = style.frequency_scale(), alt.Scale(domain=[-180, 180], nice=False)
    minus = "replace(datum.label, '-', '−')"
    y_axis = alt.Axis(
        title=f"{low_side} ←   Angle in degrees   → {high_side}",
        values=list(range(-180, 181, 30)),
        labelExpr=minus,
        labelOverlap=False,
        minExtent=34,
    )
    colour_scale = alt.Scale(type="threshold", domain=list(THRESHOLDS), scheme=SCHEME)
    legend = alt.Legend(
        type="gradient",
        title=["Level in dB", "re on axis"],
        gradientLength=MAP_HEIGHT - 60,
        gradientThickness=18,
        # The lowest step has no lower limit.
        labelExpr=f"isFinite(datum.value) && datum.value !== null ? {minus} : ''",
    )
    spread = (
        alt.Chart(style.inline_data(cells, "cells"))
        .transform_calculate(low="bands.low", high="bands.high", centre="bands.centre")
        .transform_flatten(["low", "high", "centre", "level"])
        .transform_filter("isValid(datum.level)")
    )
    x = alt.X("low:Q", scale=x_scale, axis=style.frequency_axis())
    y = alt.Y("below:Q", scale=y_scale, axis=y_axis)
    # Adjacent bands of the same step are drawn as one rectangle: a tenth of the marks, and fewer visible seams.
    runs = (
        spread.transform_calculate(step=_STEP_EXPRESSION)
        .transform_window(
            before="lag(step)", edge="lag(high)", sort=[alt.SortField("low")], groupby=["angle"], frame=[None, 0]
        )
        .transform_calculate(starts="datum.before === datum.step && datum.edge === datum.low ? 0 : 1")
        .transform_window(run="sum(starts)", sort=[alt.SortField("low")], groupby=["angle"], frame=[None, 0])
        .transform_aggregate(
            start="min(low)", end="max(high)", level="min(level)", groupby=["angle", "below", "above", "step", "run"]
        )
        .mark_rect(clip=True, strokeWidth=0.6)
        .encode(
            x=alt.X("start:Q", scale=x_scale, axis=style.frequency_axis()),
            x2="end:Q",
            y=y,
            y2="above:Q",
            fill=alt.Fill("level:Q", scale=colour_scale, legend=legend),
            stroke=alt.Stroke("level:Q", scale=colour_scale, legend=legend),
        )
    )
    layers: list[alt.Chart] = [runs]
    outside = [{"from": a, "to": b} for a, b in style.bands_outside(band)]
    if outside:
        layers.append(
            alt.Chart(style.inline_data(outside, "outside"))
            .mark_rect(color="white", opacity=0.6, clip=True)
            .encode(x=alt.X("from:Q", scale=x_scale, axis=style.frequency_axis()), x2="to:Q")
        )
    if beam is not None:
        layers.extend(_beam_edge_layers(beam, y_scale, y_axis))
    layers.append(
        spread.transform_filter(style.INTERACTIVE)
        .mark_rect(opacity=0, clip=True)
        .encode(
            x=x,
            x2="high:Q",
            y=y,
            y2="above:Q",
            tooltip=[
                alt.Tooltip("centre:Q", title="Frequency in Hz", format=",.4~r"),
                alt.Tooltip("angle:Q", title="Angle in degrees", format=".4~r"),
                alt.Tooltip("level:Q", title="Level in dB re on axis", format=".1f"),
            ],
        )
    )
    notes = [_beam_edge_note(beam), "One colour from \N{MINUS SIGN}3 to 3 dB. White: not measured."]
    if outside:
        no_edges = "" if beam is None else "; no beam edges there"
        low, high = (style.format_frequency(edge) for edge in band)
        notes.append(f"Pale: outside the valid band, {low} to {high}{no_edges}.")
    chart = alt.vconcat(
        alt.layer(*layers).properties(width=style.PANEL_WIDTH, height=MAP_HEIGHT, title=style.notes_below(notes))
    ).properties(title=style.heading(title, ["; ".join([what, *style.mirrored_text(attrs)])]))
    spec = style.finish_spec(chart, f"{title}: {what}")
    spec["params"].append({"name": "bands", "value": bands})
    return spec


def _beam_edge_layers(beam: xr.Dataset, scale: alt.Scale, axis: alt.Axis) -> list[alt.Chart]:
    """Return the lines of the beam edges in a plane: first angle solid, outermost angle dashed."""
    import altair as alt

    frequency = np.asarray(beam["frequency"].values, np.float64)
    rows = drawn_rows(frequency)
    names = ("first", "outermost")
    sides = []
    for side, sign in (("positive", 1.0), ("negative", -1.0)):
        of_side = beam.sel(side=side)
        angles = {name: sign * np.asarray(of_side[name].values, np.float64)[rows] for name in names}
        sides.append({"side": side, **{name: style.rounded(angle, 1) for name, angle in angles.items()}})
    columns = [{"frequency": style.rounded_frequencies(frequency[rows]), **side} for side in sides]
    flat = alt.Chart(style.inline_data(columns, "beam")).transform_flatten(["frequency", *names])
    looks: tuple[tuple[str, dict[str, Any]], ...] = (
        ("outermost", {"strokeWidth": 1.2, "strokeDash": [2, 2]}),
        ("first", {"strokeWidth": 2}),
    )
    return [
        flat.mark_line(color=style.BLACK, clip=True, **look).encode(
            x=alt.X("frequency:Q", scale=style.frequency_scale(), axis=style.frequency_axis()),
            y=alt.Y(f"{name}:Q", scale=scale, axis=axis),
            detail="side:N",
        )
        for name, look in looks
    ]


def _beam_edge_note(beam: xr.Dataset | None) -> str:
    """Return the note on the beam edges."""
    if beam is None:
        return "No beam edges: no beam width in this plane; its numbers state the reason."
    drop, smoothing = float(beam.attrs["drop"]), str(beam.attrs["smoothing"])
    smoothed = "curves not smoothed" if smoothing == "none" else f"smoothing of the curves: {smoothing}"
    return (
        f"Solid line: first angle from the axis at which the level is {drop:g} dB below on axis; none if it never "
        "falls that far. Dashed line: angle beyond which the level stays lower, if different. "
        f"{smoothed.capitalize()}; see beam width."
    )


def horizontal_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the map of the horizontal orbit, if it was measured with its axis."""
    return _map_of_device(data, "horizontal")


def vertical_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the map of the vertical orbit, if it was measured with its axis."""
    return _map_of_device(data, "vertical")


def _map_of_device(data: Data, plane: str) -> Iterator[DeviceFigure]:
    if plane in data["responses.nc"]["plane"].values and "on_axis" in data["curves.nc"]["curve"].values:
        yield DeviceFigure(
            f"map-{plane}",
            f"Level by angle on the {plane} orbit, relative to the reference axis.",
            tuple(name for name in ("responses.nc", "directivity.nc") if name in data),
            lambda responses, *beam: directivity_map_figure(responses, plane, *beam),
        )
