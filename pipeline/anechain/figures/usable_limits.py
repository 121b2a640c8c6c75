"""How loud against how low: the level of a device over the lowest frequency at which it is usable there."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.nonlinear.usable_limits import RULES
from anechain.arrays import Floats
from anechain.cautions import LEVEL_CAUTION
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.compression import drawable
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    import altair as alt
    import xarray as xr

__all__ = ["MOST_COMPARED", "usable_comparison_figure", "usable_figure", "usable_of_device"]


DECIBELS_PER_DECADE = 50.0
"""The other ratio of IEC 60263: the axis is short here, and 25 dB would make the figure twice as high as wide."""

MOST_COMPARED = 28
"""More devices than this are drawn in grey, without a legend: they could not be told apart."""
_GREY = "#999999", DASHES[0]

_COLOURS = (BLUE, VERMILION, GREEN, BLACK, ORANGE, PURPLE, SKY)
_SHAPES = {"distortion": "circle", "compression": "square", "not known": "triangle-up", "data end": "triangle-left"}
_ENDS = (500.0, 1000.0, 2000.0, 5000.0, 20_000.0)


@dataclass(frozen=True)
class _Trade:
    """One line: lowest usable frequency, level and what rules, by rising drive."""

    key: str
    title: str
    colour: str
    dash: tuple[float, ...]
    lowest: Floats
    level: Floats
    rule: tuple[str, ...]
    drive: Floats

    def points(self) -> list[dict[str, Any]]:
        known = np.isfinite(self.lowest) & np.isfinite(self.level)
        return [
            {
                "line": self.key,
                "lowest": float(f"{self.lowest[row]:.5g}"),
                "level": round(float(self.level[row]), 2),
                "rule": self.rule[row],
                "drive": float(f"{self.drive[row]:.4g}"),
                "order": int(row),
            }
            for row in np.flatnonzero(known)
        ]


def _trade(
    compression: xr.Dataset, variable: str, key: str, title: str, colour: str, dash: tuple[float, ...]
) -> _Trade:
    lowest, level, drive = (
        np.asarray(compression[name].values, np.float64) for name in ("lowest_usable", variable, "drive")
    )
    rule = tuple(str(one) for one in compression["ruled_by"].values)
    return _Trade(key, title, colour, dash, lowest, level, rule, drive)


def _chart(trades: Sequence[_Trade], level_title: str, notes: Sequence[str], named: bool = True) -> alt.LayerChart:
    import altair as alt

    points = [point for trade in trades for point in trade.points()]
    low = style.FREQUENCY_RANGE[0]
    high = next(end for end in _ENDS if end >= min(max(p["lowest"] for p in points) * 1.1, _ENDS[-1]))
    levels = [point["level"] for point in points]
    bottom = math.floor((min(levels) - 2) / style.RASTER) * style.RASTER
    top = math.ceil((max(levels) + 2) / style.RASTER) * style.RASTER
    # At least half a decade of the other axis, or a flat line would fill the panel.
    bottom = min(bottom, top - DECIBELS_PER_DECADE / 2)
    frequency = style.frequency_axis()
    frequency.title = "Lowest usable frequency in Hz"
    x = alt.X("lowest:Q", scale=alt.Scale(type="log", domain=[low, high], nice=False), axis=frequency)
    y = alt.Y(
        "level:Q",
        scale=alt.Scale(domain=[bottom, top], nice=False, zero=False),
        axis=alt.Axis(
            title=level_title,
            values=np.arange(bottom, top + 1, style.RASTER).tolist(),
            labelExpr="datum.value % 10 == 0 ? replace(datum.label, '-', '−') : ''",
            labelOverlap=False,
            minExtent=34,
        ),
    )
    keys = [trade.key for trade in trades]
    names = {trade.key: trade.title for trade in trades}
    named_lines = alt.Legend(
        title=None,
        symbolType="stroke",
        symbolSize=1000,
        labelExpr=f"{style.labels_of(names)}[datum.value]",
        columns=1 + len(keys) // 16,
    )
    legend = named_lines if named else None
    base = alt.Chart(style.inline(points, "trade"))
    colour_scale = alt.Scale(domain=keys, range=[trade.colour for trade in trades])
    lines = base.mark_line(clip=True, strokeWidth=1.8).encode(
        x=x,
        y=y,
        order="order:Q",
        color=alt.Color("line:N", scale=colour_scale, legend=legend),
        strokeDash=alt.StrokeDash(
            "line:N", scale=alt.Scale(domain=keys, range=[list(trade.dash) for trade in trades]), legend=legend
        ),
    )
    rules = [rule for rule in _SHAPES if any(point["rule"] == rule for point in points)]
    rule_names = {rule: RULES[rule] for rule in rules}
    marks = base.mark_point(size=70, filled=True, opacity=1).encode(
        x=x,
        y=y,
        color=alt.Color("line:N", scale=colour_scale, legend=legend),
        shape=alt.Shape(
            "rule:N",
            scale=alt.Scale(domain=rules, range=[_SHAPES[rule] for rule in rules]),
            legend=alt.Legend(
                title="What ends the range",
                labelExpr=f"{style.labels_of(rule_names)}[datum.value]",
                symbolFillColor=style.INK,
                symbolStrokeColor=style.INK,
                symbolSize=70,
                labelLimit=280,
                rowPadding=2,
                padding=10,
            ),
        ),
        tooltip=[
            alt.Tooltip("drive:Q", title="Drive in V"),
            alt.Tooltip("lowest:Q", title="Lowest usable frequency in Hz", format=",.3~r"),
            alt.Tooltip("level:Q", title="Level in dB", format=".1f"),
            alt.Tooltip("rule:N", title="Ends by"),
        ],
    )
    return alt.LayerChart(
        layer=[lines, marks],
        width=style.PANEL_WIDTH,
        height=style.PANEL_WIDTH / math.log10(high / low) * (top - bottom) / DECIBELS_PER_DECADE,
        title=style.under_figure([*notes, LEVEL_CAUTION]) or alt.Undefined,
    )


def _missing(trades: Sequence[_Trade], prefix: bool) -> list[str]:
    """Drives that have no point, and why."""
    lines = []
    for trade in trades:
        gone = [
            f"{drive:.3g} V ({rule})"
            for drive, lowest, rule in zip(trade.drive, trade.lowest, trade.rule, strict=True)
            if not math.isfinite(lowest)
        ]
        if gone:
            name = f"{trade.title}: " if prefix else ""
            lines.append(f"{name}Not usable at the highest frequency judged already: {', '.join(gone)}.")
    return lines


def _sentence(line: str) -> str:
    return f"{line[0].upper()}{line[1:]}".replace(" -", " −")


def usable_figure(compression: xr.Dataset) -> dict[str, Any]:
    """Level at 1 m over the lowest usable frequency, a point for each drive.

    Parameters
    ----------
    compression : xarray.Dataset
        After the contract `compression`, with the usable limits.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If the dataset has no usable limits, or no drive at which the device is usable.
    """
    import altair as alt

    attrs = compression.attrs
    if "lowest_usable" not in compression:
        raise InputError.single(str(attrs["device"]), "has no usable limits", fix="see its gaps for the reason")
    band = f"{style.hertz(float(attrs['band_low']))} to {style.hertz(float(attrs['band_high']))}"
    chosen = [
        ("usable_level", "mean", f"mean, {band}", BLUE, DASHES[0]),
        ("held_level", "held", "reached everywhere from there up", VERMILION, DASHES[1]),
    ]
    trades = [_trade(compression, *one) for one in chosen]
    trades = [trade for trade in trades if trade.points()]
    if not trades:
        raise InputError.single(str(attrs["device"]), "is not usable at any drive measured, by the limits chosen")
    distance = f" at {float(attrs['distance']):.4g} m" if "distance" in attrs else ""
    conditions = str(attrs["conditions"]).splitlines()
    title = f"{attrs['title']}: how loud against how low"
    notes = _missing(trades[:1], prefix=False)
    notes += [f"{_sentence(line)}." for line in conditions[1:2]]
    chart = alt.vconcat(_chart(trades, style.level_title(str(attrs["level_kind"])), notes)).properties(
        title=style.heading(
            title,
            [
                f"Level{distance} at each drive measured; one decade of frequency is as long as "
                f"{DECIBELS_PER_DECADE:g} dB",
                _sentence(conditions[0]),
            ],
        )
    )
    return style.finish(chart, title)


def usable_comparison_figure(
    devices: Sequence[xr.Dataset], left_out: Sequence[str], remarks: Sequence[str] = ()
) -> dict[str, Any]:
    """Level at 1 m over the lowest usable frequency of several devices.

    Parameters
    ----------
    devices : sequence of xarray.Dataset
        After the contract `compression`, with usable limits under the same choices, and sound pressure levels.
    left_out : sequence of str
        Which devices cannot be compared and why, a line each.
    remarks : sequence of str
        What has to be said of those that are.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If there is no device with a point.
    """
    import altair as alt

    named = len(devices) <= MOST_COMPARED
    trades = []
    for number, one in enumerate(devices):
        turn = number // len(_COLOURS)
        look = (_COLOURS[number % len(_COLOURS)], DASHES[(number + turn) % len(DASHES)]) if named else _GREY
        trades.append(_trade(one, "usable_level", f"{number}", str(one.attrs["title"]), *look))
    drawn = [trade for trade in trades if trade.points()]
    if not drawn:
        raise InputError.single("comparison", "no device is usable at any drive measured, by the limits chosen")
    first = devices[0].attrs
    conditions = str(first["conditions"]).splitlines()
    notes = _missing(trades, prefix=True)
    if not named:
        notes.append(f"All {len(drawn)} devices in grey: they are too many for colours.")
    notes += [*remarks, *(f"Not compared: {line}." for line in left_out)]
    band = f"{style.hertz(float(first['band_low']))} to {style.hertz(float(first['band_high']))}"
    chart = alt.vconcat(_chart(drawn, style.level_title("spl"), notes, named)).properties(
        title=style.heading(
            "How loud against how low",
            [
                f"{len(drawn)} devices; mean level from {band} at {float(first['distance']):.4g} m; one decade of "
                f"frequency is as long as {DECIBELS_PER_DECADE:g} dB",
                _sentence(conditions[0]),
            ],
        )
    )
    return style.finish(chart, "How loud against how low")


def usable_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of level against lowest usable frequency, if there is something to draw."""
    if "usable" in drawable(data["compression.nc"]):
        caption = f"Level at each drive over the lowest frequency at which the device is usable. {LEVEL_CAUTION}"
        yield DeviceFigure("usable", caption, ("compression.nc",), usable_figure)
