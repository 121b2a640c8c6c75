"""The directivity map: level relative to on axis over frequency and angle, in steps of 3 dB."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.bands import band_centres, band_edges, band_means
from anechain.acoustics.curve.levels import mean_level
from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panels import thinned

if TYPE_CHECKING:
    import altair as alt
    import xarray as xr

__all__ = ["condensed", "directivity_map_figure", "horizontal_of_device", "relative_levels", "vertical_of_device"]


BANDS_PER_OCTAVE = 12
STEP = 3
THRESHOLDS = (*range(-30, 0, STEP), STEP)
"""Limits of the colours in dB. There is none at 0 dB: round about on axis it would only show the noise."""
_STEP_EXPRESSION = f"datum.level >= {STEP} ? 1 : datum.level >= -{STEP} ? 0 : max(floor(datum.level / {STEP}), -11)"
MAP_HEIGHT = 400
ALONE = 5.0
"""Degrees that a direction without neighbours is drawn wide."""
# Even in lightness, so that the steps hold for colour-blind readers and in grey.
SCHEME: Literal["viridis"] = "viridis"

_SIDES = {"horizontal": ("right", "left"), "vertical": ("down", "up")}


def condensed(frequency: Floats, levels: Floats, usable: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Condense levels to bands of a twelfth of an octave by the mean of squared pressure.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, rising.
    levels : numpy.ndarray, shape (angles, n)
        dB.
    usable : numpy.ndarray of bool, shape (n,)
        Frequencies that may be shown.

    Returns
    -------
    edges : numpy.ndarray, shape (cells, 2)
        Hz: a cell holds its frequencies, each reaching half way (on the log axis) to the next frequency of the data,
        and no further than half an octave.
    centres : numpy.ndarray, shape (cells,)
        Hz: geometric mean of the frequencies in a cell.
    levels : numpy.ndarray, shape (angles, cells)
        dB: the mean over a band, see :func:`anechain.acoustics.curve.bands.band_means`, where the data fill
        one. Where
        they do not (the ends, a band that is usable in part) the mean of its frequencies; coarse data stay as they
        are. A direction with a NaN in a cell is NaN.
    """
    place = np.log2(frequency)
    between = np.diff(place) / 2 if place.size > 1 else np.array([0.5 / BANDS_PER_OCTAVE])
    low = place - np.minimum(np.r_[between[0], between[: place.size - 1]], 0.5)
    high = place + np.minimum(np.r_[between[: place.size - 1], between[-1]], 0.5)
    bands = band_centres(BANDS_PER_OCTAVE, float(frequency[0]), float(frequency[-1]))
    means = band_means(frequency, levels, bands, BANDS_PER_OCTAVE)
    number = np.minimum(np.searchsorted(band_edges(bands, BANDS_PER_OCTAVE)[1], frequency), bands.size - 1)
    shown = np.flatnonzero(usable)
    parts = np.flatnonzero((np.diff(number[shown]) > 0) | (np.diff(shown) > 1)) + 1
    cells = np.split(shown, parts)
    edges = np.array([[low[cell[0]], high[cell[-1]]] for cell in cells])

    def level(cell: NDArray[np.intp]) -> Floats:
        points = mean_level(levels[:, cell], axis=1)
        band = number[cell[0]]
        if cell.size == 1 or np.count_nonzero(number == band) > cell.size:
            return points
        return np.where(np.isfinite(means[:, band]), means[:, band], points)

    centres = np.array([place[cell].mean() for cell in cells])
    return np.asarray(2.0**edges), np.asarray(2.0**centres), np.stack([level(cell) for cell in cells], axis=1)


def relative_levels(responses: xr.Dataset, plane: str) -> tuple[Floats, Floats, Floats, Floats]:
    """Levels of one orbit relative to on axis, condensed to twelfths of an octave.

    Returns
    -------
    edges, centres : numpy.ndarray, shapes (bands, 2) and (bands,)
        Hz.
    angles : numpy.ndarray, shape (angles,)
        Degrees, rising, from -180 (the same direction as 180, given twice) to 180.
    levels : numpy.ndarray, shape (angles, bands)
        dB re on axis; bands in which on axis is NaN are left out.

    Raises
    ------
    InputError
        If the plane was not measured or has no on-axis response.
    """
    device = str(responses.attrs.get("title") or responses.attrs.get("device") or "responses")
    planes = [str(p) for p in responses["plane"].values]
    if plane not in planes:
        raise InputError.single(device, f"{plane} orbit: was not measured", f"one of {', '.join(planes)}")
    orbit = responses["level"].sel(plane=plane).transpose("angle", "frequency")
    angles = np.asarray(orbit["angle"].values, np.float64)
    levels = np.asarray(orbit.values, np.float64)
    frequency = np.asarray(orbit["frequency"].values, np.float64)
    measured = np.isfinite(levels).any(axis=1)
    angles, levels = angles[measured], levels[measured]
    axis = np.flatnonzero(np.abs(angles) < 1e-6)
    if not axis.size:
        raise InputError.single(
            device, f"{plane} orbit: has no on-axis response", "an angle of 0°", "a map relative to on axis needs it"
        )
    low, high = style.FREQUENCY_RANGE
    usable = np.isfinite(levels[axis[0]]) & (frequency >= low / 1.03) & (frequency <= high * 1.03)
    if not usable.any():
        raise InputError.single(device, f"{plane} orbit: on axis has no value between 20 Hz and 20 kHz")
    edges, centres, means = condensed(frequency, levels, usable)
    if angles[-1] == 180.0 and angles[0] > -180.0:
        angles, means = np.r_[-180.0, angles], np.vstack([means[-1], means])
    return edges, centres, angles, means - means[np.flatnonzero(np.abs(angles) < 1e-6)[0]]


def _angle_edges(angles: Floats) -> Floats:
    """Lower and upper edge of each direction's row, shape (angles, 2): half way to the neighbours.

    A step that is wider than those on both its sides is a hole in the directions, and stays one.
    """
    steps = np.diff(angles)
    round_about = steps.size > 0 and angles[0] == -180.0 and angles[-1] == 180.0
    # -180 and 180 degrees are one direction, so each of them has a neighbour beyond the end too.
    before = np.r_[steps[-1] if round_about else np.inf, steps]
    after = np.r_[steps, steps[0] if round_about else np.inf]
    least = np.minimum(before, after)
    least[np.isinf(least)] = ALONE
    regular = steps <= 1.01 * np.maximum(least[:-1], least[1:])
    below = np.r_[least[0], np.where(regular, steps, least[1:])] / 2
    above = np.r_[np.where(regular, steps, least[:-1]), least[-1]] / 2
    return np.asarray(np.clip(np.stack([angles - below, angles + above], axis=1), -180.0, 180.0))


def directivity_map_figure(responses: xr.Dataset, plane: str, directivity: xr.Dataset | None = None) -> dict[str, Any]:
    """Level relative to on axis over frequency and angle, in steps of 3 dB, with the lines at which the beam ends.

    Parameters
    ----------
    responses : xarray.Dataset
        After the contract `responses`: `level` (plane, angle, frequency) in dB.
    plane : str
        "horizontal" or "vertical".
    directivity : xarray.Dataset, optional
        After the contract `directivity`. Without it, or where it lacks the plane, the map has no line and says so.

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
    rows = _angle_edges(angles)
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
        "low": style.rounded_frequency(np.clip(edges[:, 0], *style.FREQUENCY_RANGE)),
        "high": style.rounded_frequency(np.clip(edges[:, 1], *style.FREQUENCY_RANGE)),
        "centre": style.rounded_frequency(centres),
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
        # The lowest step is open downwards: its lower limit has no value.
        labelExpr=f"isFinite(datum.value) && datum.value !== null ? {minus} : ''",
    )
    spread = (
        alt.Chart(style.inline(cells, "cells"))
        .transform_calculate(low="bands.low", high="bands.high", centre="bands.centre")
        .transform_flatten(["low", "high", "centre", "level"])
        .transform_filter("isValid(datum.level)")
    )
    x = alt.X("low:Q", scale=x_scale, axis=style.frequency_axis())
    y = alt.Y("below:Q", scale=y_scale, axis=y_axis)
    # Neighbouring bands of one step are drawn as one rectangle: a tenth of the marks, and fewer seams.
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
    outside = [{"from": a, "to": b} for a, b in style.outside(band)]
    if outside:
        layers.append(
            alt.Chart(style.inline(outside, "outside"))
            .mark_rect(color="white", opacity=0.6, clip=True)
            .encode(x=alt.X("from:Q", scale=x_scale, axis=style.frequency_axis()), x2="to:Q")
        )
    if beam is not None:
        layers.extend(_ends(beam, y_scale, y_axis))
    layers.append(
        spread.transform_filter(style.LIVE)
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
    notes = [_about_lines(beam), "One colour from \N{MINUS SIGN}3 to 3 dB. White: not measured."]
    if outside:
        ends = "" if beam is None else "; no line there"
        notes.append(f"Pale: outside the valid band, {style.hertz(band[0])} to {style.hertz(band[1])}{ends}.")
    chart = alt.vconcat(
        alt.layer(*layers).properties(width=style.PANEL_WIDTH, height=MAP_HEIGHT, title=style.under_figure(notes))
    ).properties(title=style.heading(title, [what]))
    spec = style.finish(chart, f"{title}: {what}")
    spec["params"].append({"name": "bands", "value": bands})
    return spec


def _ends(beam: xr.Dataset, scale: alt.Scale, axis: alt.Axis) -> list[alt.Chart]:
    """The lines at which the beam of one plane ends: first angle solid, outermost broken, as in the beam width."""
    import altair as alt

    frequency = np.asarray(beam["frequency"].values, np.float64)
    rows = thinned(frequency)
    names = ("first", "outermost")
    sides = []
    for side, sign in (("positive", 1.0), ("negative", -1.0)):
        one = beam.sel(side=side)
        angles = {name: sign * np.asarray(one[name].values, np.float64)[rows] for name in names}
        sides.append({"side": side, **{name: style.rounded(angle, 1) for name, angle in angles.items()}})
    columns = [{"frequency": style.rounded_frequency(frequency[rows]), **side} for side in sides]
    flat = alt.Chart(style.inline(columns, "beam")).transform_flatten(["frequency", *names])
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


def _about_lines(beam: xr.Dataset | None) -> str:
    if beam is None:
        return "No line of the beam width: it could not be had in this plane; the numbers under that name say why."
    drop, smoothing = float(beam.attrs["drop"]), str(beam.attrs["smoothing"])
    smoothed = "curves not smoothed" if smoothing == "none" else f"smoothing of the curves: {smoothing}"
    return (
        f"Solid line: first angle from the axis at which the level has fallen by {drop:g} dB; none where it never "
        "falls that far. Broken: angle from which it stays lower, where there is one and it is another. "
        f"{smoothed.capitalize()}; see beam width."
    )


def horizontal_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the map of the horizontal orbit, if there are that orbit and its axis."""
    return _map_of_device(data, "horizontal")


def vertical_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the map of the vertical orbit, if there are that orbit and its axis."""
    return _map_of_device(data, "vertical")


def _map_of_device(data: Data, plane: str) -> Iterator[DeviceFigure]:
    if plane in data["responses.nc"]["plane"].values and "on_axis" in data["curves.nc"]["curve"].values:
        yield DeviceFigure(
            f"map-{plane}",
            f"Level by angle on the {plane} orbit, relative to the reference axis.",
            tuple(name for name in ("responses.nc", "directivity.nc") if name in data),
            lambda responses, *beam: directivity_map_figure(responses, plane, *beam),
        )
