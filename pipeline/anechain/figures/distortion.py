"""Figures of harmonic distortion at a level: the orders over their noise, and their sums in per cent.

What is hidden by the noise is drawn as an upper limit: a thin broken line with hollow marks. Frequency axes follow IEC
60263 with one decade as long as 50 dB; per cent stand on a logarithmic scale of the same length per decibel.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.arrays import Floats
from anechain.cautions import LEVEL_CAUTION
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure, level_slug
from anechain.figures.panels import answering, assembled, colour_and_dash, pointer, shaded, shaded_words, thinned
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    import altair as alt
    import xarray as xr

__all__ = ["distortion_comparison_figure", "distortion_figure", "distortion_of_device"]

Flags = NDArray[np.bool_]

DECIBELS_PER_DECADE = 50.0
"""IEC 60263:2020, 4.1, allows 10, 20, 25 and 50 dB; distortion spans more than levels do."""
_SPAN = 70.0
_LOWEST = -80.0
"""dB re the fundamental down to which both panels reach at least, however high the distortion rises in the bass: what
is heard lies far below that."""
_GREY = "#8a8a8a"
_DASHES = (*DASHES, (12, 2, 2, 2, 2, 2))
"""As many as there are colours, so that orders up to the ninth are told apart in grey."""
_COLOURS = (BLACK, VERMILION, BLUE, GREEN, PURPLE, ORANGE, SKY, _GREY)
_MARKS_PER_OCTAVE = 6
_MOST_PEAKS = 4
_TIGHT = 0.5
_ORDERS = ("2nd", "3rd", "4th", "5th", "6th", "7th", "8th", "9th")
_SUMS = {"thd_f": "THD, re fundamental", "second_third": "Orders 2 and 3", "fourth_up": "Orders 4 and up"}


@dataclass(frozen=True)
class _Line:
    """One line: its column, its name in print, its values, which of them are limits, and its look."""

    column: str
    title: str
    values: Floats
    limit: Flags
    colour: str
    dash: tuple[float, ...]


@dataclass(frozen=True)
class _Panel:
    """One panel: its name, axis title, unit, scale type and limits, labelled values, and lines."""

    name: str
    title: str
    unit: str
    kind: Literal["linear", "log"]
    limits: tuple[float, float]
    ticks: tuple[float, ...]
    lines: tuple[_Line, ...]


def _height(decibels: float) -> float:
    decades = math.log10(style.FREQUENCY_RANGE[1] / style.FREQUENCY_RANGE[0])
    return style.PANEL_WIDTH / decades * decibels / DECIBELS_PER_DECADE


def _on_axis(frequency: Floats) -> Flags:
    low, high = style.FREQUENCY_RANGE
    return np.asarray((frequency >= low) & (frequency <= high))


def _greatest(values: ArrayLike) -> float:
    finite = np.asarray(values, dtype=np.float64)
    finite = finite[np.isfinite(finite)]
    return float(finite.max()) if finite.size else float("nan")


def _decibel_panel(frequency: Floats, lines: Sequence[_Line]) -> _Panel:
    highest = _greatest([one.values[_on_axis(frequency)] for one in lines])
    top = math.ceil((highest + 2.0) / 10.0) * 10.0
    bottom = min(top - _SPAN, _LOWEST)
    ticks = tuple(float(one) for one in np.arange(bottom, top + 1, 10))
    return _Panel("orders", "Level re fundamental in dB", "dB", "linear", (bottom, top), ticks, tuple(lines))


def _percent_panel(frequency: Floats, lines: Sequence[_Line], title: str) -> _Panel:
    highest = _greatest([one.values[_on_axis(frequency)] for one in lines])
    steps = [step * 10.0**decade for decade in range(-4, 4) for step in (1, 3)]
    top = next(step for step in steps if step >= min(max(highest * 1.05, 1.0), 3000.0))
    bottom = min(top / 1000.0, 100.0 * 10.0 ** (_LOWEST / 20.0))
    ticks = tuple(step for step in steps if bottom * 0.999 <= step <= top * 1.001)
    return _Panel("sums", title, "%", "log", (bottom, top), ticks, tuple(lines))


def _columns(line: _Line, frequency: Floats, rows: NDArray[np.intp]) -> dict[str, Any]:
    """What one line is drawn from: values; limits, joined to their neighbours; marks; values that stand alone."""
    values, limit = line.values[rows], line.limit[rows] & np.isfinite(line.values[rows])
    value = np.isfinite(values) & ~limit
    beside = np.convolve(limit, [1, 1, 1], "same") > 0
    bins = np.floor(np.log2(frequency[rows]) * _MARKS_PER_OCTAVE).astype(np.int64)
    marked = limit.copy()
    kept: int | None = None
    for at in np.flatnonzero(limit):
        marked[at] = bins[at] != kept
        kept = int(bins[at])
    neighbours = np.convolve(value, [1, 0, 1], "same") > 0 if value.size else value
    parts = {"": value, "_limit": beside & np.isfinite(values), "_mark": marked, "_alone": value & ~neighbours}
    # A column without a value is left out: with many orders most would be of that kind.
    return {f"{line.column}{end}": _kept(values, there) for end, there in parts.items() if there.any()}


def _kept(values: Floats, there: Flags) -> list[float | None]:
    """Four significant digits of the values that are there."""
    return [float(f"{value:.4g}") if known else None for value, known in zip(values, there, strict=True)]


def _panel_chart(
    panel: _Panel, data: Mapping[str, Any], band: tuple[float, float], last: bool, notes: Sequence[str]
) -> alt.LayerChart:
    import altair as alt

    x = alt.X("frequency:Q", scale=style.frequency_scale(), axis=style.frequency_axis(labelled=last))
    y = alt.Y(
        "value:Q",
        scale=alt.Scale(type=panel.kind, domain=list(panel.limits), nice=False, zero=False),
        axis=alt.Axis(
            title=panel.title,
            values=list(panel.ticks),
            labelExpr="replace(format(datum.value, '~g'), '-', '−')",
            labelOverlap=False,
            minExtent=34,
        ),
    )
    legend = alt.Legend(title=None, symbolType="stroke", symbolSize=1000)
    looks = colour_and_dash("curve:N", {line.title: (line.colour, line.dash) for line in panel.lines}, legend)
    colour = looks["color"]
    chosen = alt.OpacityValue(0.12, condition={"param": f"{panel.name}_chosen", "value": 1})

    def folded(end: str) -> alt.Chart | None:
        labels = {f"{line.column}{end}": line.title for line in panel.lines if f"{line.column}{end}" in data}
        if not labels:
            return None
        names: list[Any] = list(labels)
        chart = (
            alt.Chart().transform_flatten(["frequency", *names]).transform_fold(names[::-1], as_=["column", "value"])
        )
        chart = chart.transform_calculate(curve=f"{style.labels_of(labels)}[datum.column]")
        return chart.transform_filter("isValid(datum.value)") if end in ("_mark", "_alone") else chart

    layers = shaded(band, f"{panel.name}_outside")
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
    if (limits := folded("_limit")) is not None:
        broken = limits.mark_line(clip=True, strokeWidth=0.9, strokeDash=[2, 2])
        layers.append(broken.encode(x=x, y=y, color=colour, opacity=chosen))
    if (marks := folded("_mark")) is not None:
        hollow = marks.mark_point(clip=True, shape="triangle-down", size=22, filled=False, strokeWidth=1)
        layers.append(hollow.encode(x=x, y=y, color=colour, opacity=chosen))
    if (alone := folded("_alone")) is not None:
        dots = alone.mark_point(clip=True, shape="circle", size=8, filled=True)
        layers.append(dots.encode(x=x, y=y, color=colour, opacity=chosen))
    values = folded("") or alt.Chart().transform_calculate(value="null", curve="''")
    layers.append(values.mark_line(clip=True, strokeWidth=1.8).encode(x=x, y=y, opacity=chosen, **looks))
    tooltip = [
        alt.Tooltip("frequency:Q", title="Frequency in Hz", format=",.4~r"),
        *(alt.Tooltip(f"{line.column}:N", title=f"{line.title} in {panel.unit}") for line in panel.lines),
    ]
    both = [name for line in panel.lines for name in (line.column, f"{line.column}_limit") if name in data]
    told = {
        line.column: f"isValid(datum.{line.column}) ? format(datum.{line.column}, '.3~r') : "
        f"isValid(datum.{line.column}_limit) ? 'at most ' + format(datum.{line.column}_limit, '.3~r') : ''"
        for line in panel.lines
    }
    layers.append(pointer(panel.name, both, x, tooltip, **told))
    decibels = (
        panel.limits[1] - panel.limits[0]
        if panel.kind == "linear"
        else 20 * math.log10(panel.limits[1] / panel.limits[0])
    )
    return alt.LayerChart(
        layer=layers,
        width=style.PANEL_WIDTH,
        height=_height(decibels),
        title=(style.under_figure(notes) if last else None) or alt.Undefined,
    )


def _stacked(
    frequency: Floats,
    panels: Sequence[_Panel],
    title: str,
    lines: Sequence[str],
    notes: Sequence[str],
    band: tuple[float, float],
    noise: tuple[Floats, Floats] | None = None,
) -> dict[str, Any]:
    """Stack the panels over one frequency axis."""
    rows = thinned(frequency)
    data: dict[str, Any] = {"frequency": style.rounded_frequency(frequency[rows])}
    for panel in panels:
        for line in panel.lines:
            data |= _columns(line, frequency, rows)
    if noise is not None:
        data |= {"noise_low": style.rounded(noise[0][rows]), "noise_high": style.rounded(noise[1][rows])}
    notes = [*shaded_words(band), *notes]
    charts = [_panel_chart(panel, data, band, panel is panels[-1], notes) for panel in panels]
    spec = assembled(charts, data, "distortion", title, lines)
    for panel, view in zip(panels, spec["vconcat"], strict=True):
        answering(spec, panel.name, view)
    return spec


def _row_at(values: ArrayLike, level: float, where: str) -> int:
    found = np.flatnonzero(np.isclose(np.asarray(values, dtype=np.float64), level, atol=1e-9))
    if not found.size:
        known = ", ".join(f"{one:g} dB" for one in np.asarray(values))
        raise InputError.single(where, f"{level:g} dB: no such level", known, "choose one that was derived")
    return int(found[0])


def _loose(percent: Floats, least: Floats, limit: Flags) -> Flags:
    """Which sums are drawn as limits: those that hidden orders could lower by more than half a decibel."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return limit & ~(20 * np.log10(percent / least) <= _TIGHT)


def _limits_told(lines: Sequence[_Line], sums: Sequence[_Line]) -> list[str]:
    told = []
    if any(line.limit.any() for line in (*lines, *sums)):
        told.append("Broken and hollow: upper limits. The value is hidden by the noise and lies below.")
    if any(line.limit.any() for line in sums):
        told.append(f"Sums are drawn so where hidden orders could lower them by more than {_TIGHT:g} dB.")
    return told


def distortion_figure(distortion: xr.Dataset, level: float) -> dict[str, Any]:
    """Harmonic orders and their sums at one level.

    Parameters
    ----------
    distortion : xarray.Dataset
        After the contract `distortion`.
    level : float
        One of its levels, dB.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If there is no such level, or nothing could be had at it.
    """
    device = str(distortion.attrs["title"])
    at = _row_at(distortion["level"].values, level, device)
    if reason := json.loads(str(distortion.attrs["gaps"])).get(f"{level:g}"):
        raise InputError.single(device, f"distortion at {level:g} dB: {reason}", fix="measure at levels around it")
    one = distortion.isel(level=at)
    frequency = np.asarray(one["frequency"].values, np.float64)
    harmonic, marked = np.asarray(one["harmonic"].values), np.asarray(one["harmonic_limit"].values) == 1
    orders = [int(order) for order in one["order"].values]
    lines = tuple(
        _Line(
            f"order_{order}", _order_title(order), harmonic[row], marked[row], _colour(row), _DASHES[row % len(_DASHES)]
        )
        for row, order in enumerate(orders)
        if np.isfinite(harmonic[row]).any()
    )
    if not lines:
        raise InputError.single(device, f"distortion at {level:g} dB: no order has a value", fix="see the notes")
    looks = {"thd_f": (BLACK, DASHES[0]), "second_third": (BLUE, DASHES[1]), "fourth_up": (VERMILION, DASHES[2])}
    named = [str(name) for name in one["sum"].values]
    percent = np.asarray(one["percent"].values)
    limited = _loose(percent, np.asarray(one["percent_least"].values), np.asarray(one["sum_limit"].values) == 1)
    sums = tuple(
        _Line(f"sum_{name}", title, percent[named.index(name)], limited[named.index(name)], *looks[name])
        for name, title in _SUMS.items()
        if np.isfinite(percent[named.index(name)]).any()
    )
    noise = np.asarray(one["noise"].values)
    edges = (np.fmin.reduce(noise), np.fmax.reduce(noise)) if np.isfinite(noise).any() else None
    panels = [_decibel_panel(frequency, lines)]
    if sums:
        panels.append(_percent_panel(frequency, sums, "Sum in per cent"))
    return _stacked(
        frequency,
        panels,
        device,
        [f"Harmonic distortion at {level:g} dB; {_conditions(distortion)}", _taken(one)],
        [
            *_limits_told(lines, sums),
            *(["Grey: the noise where the orders were read."] if edges else ["The noise is not known."]),
            *_peaks_told(str(distortion.attrs["peaks"]), level),
            *_highest_told(np.asarray(one["highest_order"].values), frequency),
            LEVEL_CAUTION,
        ],
        style.valid_band(distortion.attrs),
        edges,
    )


def _colour(row: int) -> str:
    return _COLOURS[row % len(_COLOURS)]


def _order_title(order: int) -> str:
    name = _ORDERS[order - 2] if order - 2 < len(_ORDERS) else f"{order}th"
    return f"{name} harmonic"


def _conditions(distortion: xr.Dataset) -> str:
    attrs = distortion.attrs
    low, high = (style.hertz(float(attrs[name])) for name in ("band_low", "band_high"))
    return f"mean of the fundamental {low} to {high}, at {float(attrs['distance']):g} m"


def _taken(one: xr.Dataset) -> str:
    first, second = float(one["first_drive"].values), float(one["second_drive"].values)
    if np.isfinite(second):
        return f"Between takes at {first:.4g} V and {second:.4g} V, in dB per dB of level"
    return f"Take at {first:.4g} V, {float(one['reached'].values):.1f} dB, as measured"


def _peaks_told(peaks: str, level: float) -> list[str]:
    found: list[Mapping[str, Any]] = [one for one in json.loads(peaks) if one["level"] == level]
    if not found:
        return []
    found.sort(key=lambda one: -one["height_db"])
    words = [
        f"order {one['order']} at {style.hertz(one['excitation_hz'])} (heard at {style.hertz(one['heard_hz'])}), "
        f"{one['height_db']:.0f} dB high"
        for one in found[:_MOST_PEAKS]
    ]
    more = f"; and {len(found) - _MOST_PEAKS} more" if len(found) > _MOST_PEAKS else ""
    return [f"Peaks that the fundamental has not: {'; '.join(words)}{more}."]


def _highest_told(highest: NDArray[Any], frequency: Floats) -> list[str]:
    """From where on sums hold fewer orders, since the others lie beyond the excitation's band."""
    most = int(highest.max(initial=0))
    if most < 3:
        return []
    whole = frequency[highest == most]
    two = frequency[highest >= 2]
    if whole[-1] >= two[-1]:
        return []
    return [
        f"Sums hold orders up to {most} below {style.hertz(float(whole[-1]))}, fewer above, and none above "
        f"{style.hertz(float(two[-1]))}."
    ]


def distortion_comparison_figure(comparison: xr.Dataset, level: float) -> dict[str, Any]:
    """Total harmonic distortion of several devices at one level.

    Parameters
    ----------
    comparison : xarray.Dataset
        After the contract `distortion-comparison`.
    level : float
        One of its levels, dB.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If there is no such level, or no device has a value at it.
    """
    from anechain.figures.comparison import look

    at = _row_at(comparison["level"].values, level, "comparison of distortion")
    one = comparison.isel(level=at)
    frequency = np.asarray(one["frequency"].values, np.float64)
    percent = np.asarray(one["percent"].values)
    limit = _loose(percent, np.asarray(one["percent_least"].values), np.asarray(one["limit"].values) == 1)
    lines = tuple(
        _Line(f"sum_{row}", str(title), percent[row], limit[row], *look(row))
        for row, title in enumerate(one["title"].values)
        if np.isfinite(percent[row]).any()
    )
    if not lines:
        raise InputError.single("comparison of distortion", f"{level:g} dB: no device has a value")
    titles = dict(zip(map(str, one["device"].values), map(str, one["title"].values), strict=True))
    refused: dict[str, str] = json.loads(str(comparison.attrs["refused"])).get(f"{level:g}", {})
    low, high = (style.hertz(float(comparison.attrs[name])) for name in ("band_low", "band_high"))
    return _stacked(
        frequency,
        [_percent_panel(frequency, lines, "THD re fundamental in per cent")],
        f"Distortion at {level:g} dB",
        [f"{len(lines)} devices; mean of the fundamental {low} to {high}, at 1 m"],
        [
            *_limits_told((), lines),
            *json.loads(str(comparison.attrs["notes"])).get(f"{level:g}", []),
            *(f"Not compared: {titles[device]}, since {reason}." for device, reason in refused.items()),
            LEVEL_CAUTION,
        ],
        style.FREQUENCY_RANGE,
    )


def distortion_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield a figure of the harmonics for each level that was reached."""
    distortion = data["distortion.nc"]
    gaps = json.loads(str(distortion.attrs["gaps"]))
    for level in (float(value) for value in distortion["level"].values):
        if f"{level:g}" not in gaps:
            yield DeviceFigure(
                f"distortion-{level_slug(level)}",
                f"Harmonics at {level:g} dB re the fundamental above, their sums in per cent below. {LEVEL_CAUTION}",
                ("distortion.nc",),
                lambda distortion, level=level: distortion_figure(distortion, level),
            )
