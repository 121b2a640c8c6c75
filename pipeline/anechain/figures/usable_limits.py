"""Figure of the level at each drive over the lowest usable frequency."""

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
from anechain.figures.compression import drawable_figures
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    import altair as alt
    import xarray as xr

__all__ = ["MAX_NAMED_DEVICES", "usable_comparison_figure", "usable_figure", "usable_of_device"]


DECIBELS_PER_DECADE = 50.0
"""Length of a frequency decade. IEC 60263 also allows 25 dB, but the figure would be twice as high as wide."""

MAX_NAMED_DEVICES = 28
"""More devices than this are drawn in grey without a legend, since they could not be distinguished."""
_GREY = "#999999", DASHES[0]

_COLOURS = (BLUE, VERMILION, GREEN, BLACK, ORANGE, PURPLE, SKY)
_MARKERS = {"distortion": "circle", "compression": "square", "not known": "triangle-up", "data end": "triangle-left"}
_ENDS = (500.0, 1000.0, 2000.0, 5000.0, 20_000.0)


@dataclass(frozen=True)
class _LevelCurve:
    """Lowest usable frequency in Hz, level in dB and what ends the usable range, by increasing drive in V."""

    key: str
    title: str
    colour: str
    dash: tuple[float, ...]
    lowest: Floats
    level: Floats
    ended_by: tuple[str, ...]
    drive: Floats

    def points(self) -> list[dict[str, Any]]:
        """Return a row of data for each drive with a lowest usable frequency and a level."""
        known = np.isfinite(self.lowest) & np.isfinite(self.level)
        return [
            {
                "line": self.key,
                "lowest": float(f"{self.lowest[row]:.5g}"),
                "level": round(float(self.level[row]), 2),
                "rule": self.ended_by[row],
                "drive": float(f"{self.drive[row]:.4g}"),
                "order": int(row),
            }
            for row in np.flatnonzero(known)
        ]


def _level_curve(
    compression: xr.Dataset, variable: str, key: str, title: str, colour: str, dash: tuple[float, ...]
) -> _LevelCurve:
    lowest, level, drive = (
        np.asarray(compression[name].values, np.float64) for name in ("lowest_usable", variable, "drive")
    )
    ended_by = tuple(str(reason) for reason in compression["ruled_by"].values)
    return _LevelCurve(key, title, colour, dash, lowest, level, ended_by, drive)


def _chart(
    curves: Sequence[_LevelCurve], level_axis_title: str, notes: Sequence[str], with_legend: bool = True
) -> alt.LayerChart:
    import altair as alt

    points = [point for curve in curves for point in curve.points()]
    low = style.FREQUENCY_RANGE[0]
    high = next(end for end in _ENDS if end >= min(max(p["lowest"] for p in points) * 1.1, _ENDS[-1]))
    levels = [point["level"] for point in points]
    bottom = math.floor((min(levels) - 2) / style.GRID_STEP_DB) * style.GRID_STEP_DB
    top = math.ceil((max(levels) + 2) / style.GRID_STEP_DB) * style.GRID_STEP_DB
    # At least as high as half a decade of frequency is long.
    bottom = min(bottom, top - DECIBELS_PER_DECADE / 2)
    frequency = style.frequency_axis()
    frequency.title = "Lowest usable frequency in Hz"
    x = alt.X("lowest:Q", scale=alt.Scale(type="log", domain=[low, high], nice=False), axis=frequency)
    y = alt.Y(
        "level:Q",
        scale=alt.Scale(domain=[bottom, top], nice=False, zero=False),
        axis=alt.Axis(
            title=level_axis_title,
            values=np.arange(bottom, top + 1, style.GRID_STEP_DB).tolist(),
            labelExpr="datum.value % 10 == 0 ? replace(datum.label, '-', '−') : ''",
            labelOverlap=False,
            minExtent=34,
        ),
    )
    keys = [curve.key for curve in curves]
    names = {curve.key: curve.title for curve in curves}
    named_lines = alt.Legend(
        title=None,
        symbolType="stroke",
        symbolSize=1000,
        labelExpr=f"{style.labels_json(names)}[datum.value]",
        columns=1 + len(keys) // 16,
    )
    legend = named_lines if with_legend else None
    base = alt.Chart(style.inline_data(points, "trade"))
    colour_scale = alt.Scale(domain=keys, range=[curve.colour for curve in curves])
    lines = base.mark_line(clip=True, strokeWidth=1.8).encode(
        x=x,
        y=y,
        order="order:Q",
        color=alt.Color("line:N", scale=colour_scale, legend=legend),
        strokeDash=alt.StrokeDash(
            "line:N", scale=alt.Scale(domain=keys, range=[list(curve.dash) for curve in curves]), legend=legend
        ),
    )
    rules = [ended_by for ended_by in _MARKERS if any(point["rule"] == ended_by for point in points)]
    rule_names = {ended_by: RULES[ended_by] for ended_by in rules}
    marks = base.mark_point(size=70, filled=True, opacity=1).encode(
        x=x,
        y=y,
        color=alt.Color("line:N", scale=colour_scale, legend=legend),
        shape=alt.Shape(
            "rule:N",
            scale=alt.Scale(domain=rules, range=[_MARKERS[ended_by] for ended_by in rules]),
            legend=alt.Legend(
                title="Limit of the usable range",
                labelExpr=f"{style.labels_json(rule_names)}[datum.value]",
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
            alt.Tooltip("rule:N", title="Limit of the usable range"),
        ],
    )
    return alt.LayerChart(
        layer=[lines, marks],
        width=style.PANEL_WIDTH,
        height=style.PANEL_WIDTH / math.log10(high / low) * (top - bottom) / DECIBELS_PER_DECADE,
        title=style.notes_below([*notes, LEVEL_CAUTION]) or alt.Undefined,
    )


def _gap_notes(curves: Sequence[_LevelCurve], with_title: bool) -> list[str]:
    """Return notes on drives without a point, with the reasons."""
    lines = []
    for curve in curves:
        gaps = [
            f"{drive:.3g} V ({ended_by})"
            for drive, lowest, ended_by in zip(curve.drive, curve.lowest, curve.ended_by, strict=True)
            if not math.isfinite(lowest)
        ]
        if gaps:
            name = f"{curve.title}: " if with_title else ""
            lines.append(f"{name}Not usable even at the highest frequency of the check: {', '.join(gaps)}.")
    return lines


def _sentence(line: str) -> str:
    return f"{line[0].upper()}{line[1:]}".replace(" -", " −")


def usable_figure(compression: xr.Dataset) -> dict[str, Any]:
    """Return the figure of the level at 1 m over the lowest usable frequency, with a point for each drive.

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
        If the dataset has no usable limits, or the device is not usable at any drive.
    """
    import altair as alt

    attrs = compression.attrs
    if "lowest_usable" not in compression:
        raise InputError.single(str(attrs["device"]), "has no usable limits", fix="see its gaps for the reason")
    band = f"{style.format_frequency(float(attrs['band_low']))} to {style.format_frequency(float(attrs['band_high']))}"
    chosen = [
        ("usable_level", "mean", f"mean, {band}", BLUE, DASHES[0]),
        ("held_level", "held", "reached everywhere above", VERMILION, DASHES[1]),
    ]
    curves = [_level_curve(compression, *arguments) for arguments in chosen]
    curves = [curve for curve in curves if curve.points()]
    if not curves:
        raise InputError.single(str(attrs["device"]), "is not usable at any drive measured, with the chosen limits")
    distance = f" at {float(attrs['distance']):.4g} m" if "distance" in attrs else ""
    conditions = str(attrs["conditions"]).splitlines()
    title = f"{attrs['title']}: level over lowest usable frequency"
    notes = _gap_notes(curves[:1], with_title=False)
    notes += [f"{_sentence(line)}." for line in conditions[1:2]]
    chart = alt.vconcat(_chart(curves, style.level_axis_title(str(attrs["level_kind"])), notes)).properties(
        title=style.heading(
            title,
            [
                f"Level{distance} at each drive measured; one decade of frequency is as long as "
                f"{DECIBELS_PER_DECADE:g} dB",
                _sentence(conditions[0]),
            ],
        )
    )
    return style.finish_spec(chart, title)


def usable_comparison_figure(
    devices: Sequence[xr.Dataset], left_out: Sequence[str], remarks: Sequence[str] = ()
) -> dict[str, Any]:
    """Return the figure of the level at 1 m over the lowest usable frequency of several devices.

    Parameters
    ----------
    devices : sequence of xarray.Dataset
        After the contract `compression`, with usable limits under the same choices, and sound pressure levels.
    left_out : sequence of str
        Devices that cannot be compared, with the reasons: a line each.
    remarks : sequence of str
        Notes on the devices that are compared.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If no device has a point.
    """
    import altair as alt

    with_legend = len(devices) <= MAX_NAMED_DEVICES
    curves = []
    for number, device in enumerate(devices):
        round_ = number // len(_COLOURS)
        look = (_COLOURS[number % len(_COLOURS)], DASHES[(number + round_) % len(DASHES)]) if with_legend else _GREY
        curves.append(_level_curve(device, "usable_level", f"{number}", str(device.attrs["title"]), *look))
    drawn = [curve for curve in curves if curve.points()]
    if not drawn:
        raise InputError.single("comparison", "no device is usable at any drive measured, with the chosen limits")
    first = devices[0].attrs
    conditions = str(first["conditions"]).splitlines()
    notes = _gap_notes(curves, with_title=True)
    if not with_legend:
        notes.append(f"All {len(drawn)} devices in grey: too many for different colours.")
    notes += [*remarks, *(f"Not compared: {line}." for line in left_out)]
    band = f"{style.format_frequency(float(first['band_low']))} to {style.format_frequency(float(first['band_high']))}"
    chart = alt.vconcat(_chart(drawn, style.level_axis_title("spl"), notes, with_legend)).properties(
        title=style.heading(
            "Level over lowest usable frequency",
            [
                f"{len(drawn)} devices; mean level from {band} at {float(first['distance']):.4g} m; one decade of "
                f"frequency is as long as {DECIBELS_PER_DECADE:g} dB",
                _sentence(conditions[0]),
            ],
        )
    )
    return style.finish_spec(chart, "Level over lowest usable frequency")


def usable_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of level against lowest usable frequency, if it has a value."""
    if "usable" in drawable_figures(data["compression.nc"]):
        caption = f"Level at each drive over the lowest frequency at which the device is usable. {LEVEL_CAUTION}"
        yield DeviceFigure("usable", caption, ("compression.nc",), usable_figure)
