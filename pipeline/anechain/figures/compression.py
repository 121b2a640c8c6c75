"""Compression over frequency, a line for each drive, and the level at which each octave band passes a limit."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.cautions import LEVEL_CAUTION
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.change import STEP_HEIGHT, scale_of
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panels import colour_and_dash, shaded, shaded_words, thinned
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "compression_figure",
    "compression_levels_of_device",
    "compression_of_device",
    "drawable",
    "octave_levels_figure",
    "passed_words",
]


_COLOURS = (BLUE, VERMILION, GREEN, BLACK, ORANGE, PURPLE, SKY)
_TRUST = ("levels are", "no value", "at ", "drift", "unequal", "the noise", "the drives", "the takes")
_DECIMALS = 3
ROOM = 4.0
"""Decibels kept free above the highest octave band, for the drives that are written there."""
LEAST_SPAN = 25.0
"""Decibels: a decade of frequency."""


def _title(compression: xr.Dataset, what: str) -> str:
    return f"{compression.attrs['title']}: {what}"


def _volts(drive: float) -> str:
    return f"{drive:.3g} V"


def minus(text: str) -> str:
    """A number in print, with a true minus sign."""
    return text.replace("-", "−")


def _conditions(attrs: Mapping[Any, Any]) -> str:
    parts = []
    if "measured_distance" in attrs:
        parts.append(f"measured at {float(attrs['measured_distance']):.4g} m")
    parts.append("no smoothing" if attrs["smoothing"] == "none" else f"smoothing: {attrs['smoothing']}")
    return "; ".join(parts)


def drawable(compression: xr.Dataset) -> tuple[str, ...]:
    """Which figures of a device's compression have something to show: compression, compression-levels, usable."""
    frequency = np.asarray(compression["frequency"].values, np.float64)
    low, high = style.FREQUENCY_RANGE
    delta = np.asarray(compression["delta"].transpose("drive", "frequency").values, np.float64)
    limit = compression["limit_level"].transpose("limit", "octave").values
    shown = {
        "compression": np.isfinite(delta[1:, (frequency >= low) & (frequency <= high)]).any(),
        "compression-levels": bool(np.isfinite(limit).any())
        or any("not reached" in str(one) for one in compression["limit_reason"].values.ravel()),
        "usable": "lowest_usable" in compression
        and bool(np.isfinite(compression["lowest_usable"].values + compression["usable_level"].values).any()),
    }
    return tuple(name for name, there in shown.items() if there)


def compression_figure(compression: xr.Dataset) -> dict[str, Any]:
    """Compression at each drive re the lowest one, the limits marked; what is masked is not drawn.

    Parameters
    ----------
    compression : xarray.Dataset
        After the contract `compression`.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If no drive but the lowest has a value.
    """
    import altair as alt

    attrs = compression.attrs
    frequency = np.asarray(compression["frequency"].values, np.float64)
    drives = np.asarray(compression["drive"].values, np.float64)
    delta = np.asarray(compression["delta"].transpose("drive", "frequency").values, np.float64)
    low, high = style.FREQUENCY_RANGE
    on_axis = (frequency >= low) & (frequency <= high)
    shown = [row for row in range(1, drives.size) if np.isfinite(delta[row, on_axis]).any()]
    if not shown:
        raise InputError.single(
            str(attrs["device"]), "no drive but the lowest has a compression", fix="see the notes for what masks it"
        )
    rows = thinned(frequency)
    columns: dict[str, Any] = {"frequency": style.rounded_frequency(frequency[rows])}
    columns |= {f"drive_{row}": style.rounded(delta[row, rows], _DECIMALS) for row in shown}
    limits = [float(limit) for limit in compression["limit"].values]
    values = delta[shown][:, on_axis]
    least = max(limits)
    bottom, top, step = scale_of([*values[np.isfinite(values)].tolist(), least])
    steps, first = round((top - bottom) / step), round(bottom / step)
    decimals = max(0, math.ceil(-math.log10(step) - 1e-9))
    ticks = [round((first + n) * step, decimals) + 0.0 for n in range(steps + 1)]
    labels = {str(n): minus(f"{tick:.{decimals}f}") for n, tick in enumerate(ticks) if (first + n) % 2 == 0}
    y = alt.Y(
        "delta:Q",
        scale=alt.Scale(domain=[ticks[0], ticks[-1]], nice=False, zero=False),
        axis=alt.Axis(
            title="Compression in dB",
            values=ticks,
            labelExpr=f"{style.labels_of(labels)}[toString(round((datum.value - ({ticks[0]})) / {step}))] || ''",
            labelOverlap=False,
            minExtent=34,
        ),
    )
    x = alt.X("frequency:Q", scale=style.frequency_scale(), axis=style.frequency_axis())
    looks = {
        f"{row}": (_COLOURS[n % len(_COLOURS)], DASHES[(n + n // len(_COLOURS)) % len(DASHES)])
        for n, row in enumerate(shown)
    }
    names = {f"{row}": f"{_volts(drives[row])} ({20 * math.log10(drives[row] / drives[0]):+.1f} dB)" for row in shown}
    legend = alt.Legend(
        title="Drive", symbolType="stroke", symbolSize=1000, labelExpr=f"{style.labels_of(names)}[datum.value]"
    )
    lines = (
        alt.Chart(style.inline([columns], "deltas"))
        .transform_flatten(["frequency", *(f"drive_{row}" for row in shown)])
        .transform_fold([f"drive_{row}" for row in shown], as_=["column", "delta"])
        .transform_calculate(drive="substring(datum.column, 6)")
        .mark_line(clip=True, strokeWidth=1.8)
        .encode(x=x, y=y, **colour_and_dash("drive:N", looks, legend))
    )
    marked = [{"delta": 0.0, "words": ""}]
    marked += [{"delta": one, "words": minus(f"{one:g} dB")} for one in limits if ticks[0] < one]
    base = alt.Chart(style.inline(marked, "limits"))
    rules = base.mark_rule(color=style.INK, strokeWidth=1.0, opacity=0.7).encode(
        y=y, strokeDash=alt.condition("datum.delta == 0", alt.value([1, 0]), alt.value([2, 2]))
    )
    words = base.mark_text(align="left", baseline="middle", dx=4, fontSize=10, color=style.INK).encode(
        y=y, x=alt.value(style.PANEL_WIDTH), text="words:N"
    )
    notes = _under(compression, shown)
    chart = alt.vconcat(
        alt.LayerChart(
            layer=[*shaded(style.valid_band(attrs), "outside"), rules, words, lines],
            width=style.PANEL_WIDTH,
            height=steps * STEP_HEIGHT,
            title=style.under_figure(notes) or alt.Undefined,
        )
    ).properties(
        title=style.heading(
            _title(compression, "compression with rising drive"),
            [
                f"Level of the fundamental re that at {_volts(drives[0])}, less the step of the drive; "
                f"{_conditions(attrs)}; one decade of frequency is as long as {10 * step:g} dB",
            ],
        )
    )
    return style.finish(chart, f"{_title(compression, 'compression with rising drive')}, {len(shown)} drives")


def _under(compression: xr.Dataset, shown: list[int]) -> list[str]:
    attrs = compression.attrs
    notes = shaded_words(style.valid_band(attrs))
    notes += [f"{line[0].upper()}{line[1:]}." for line in str(attrs["notes"]).splitlines() if _belongs(line)]
    absent = [_volts(drive) for row, drive in enumerate(compression["drive"].values) if row and row not in shown]
    if absent:
        notes.append(f"Not shown, masked everywhere: {', '.join(absent)}.")
    return [*notes, LEVEL_CAUTION]


def _belongs(line: str) -> bool:
    """Whether a note says how far the lines can be trusted; the others are told in the report."""
    return line.startswith(_TRUST)


def octave_levels_figure(compression: xr.Dataset) -> dict[str, Any]:
    """The level at which each octave band passes the limit of compression, or the highest it was measured at.

    Parameters
    ----------
    compression : xarray.Dataset
        After the contract `compression`.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If no octave band has a level at all.
    """
    import altair as alt

    from anechain.acoustics.curve.bands import nominal_octave

    attrs = compression.attrs
    limits = np.asarray(compression["limit"].values, np.float64)
    limit = float(limits[np.argmin(np.abs(limits - float(attrs["compression_limit"])))])
    centres = np.asarray(compression["octave"].values, np.float64)
    passed = np.asarray(compression["limit_level"].sel(limit=limit).values, np.float64)
    drive = np.asarray(compression["limit_drive"].sel(limit=limit).values, np.float64)
    reasons = [str(one) for one in compression["limit_reason"].sel(limit=limit).values]
    highest = np.asarray(compression["highest_level"].values, np.float64)
    half = 10.0**0.15
    entries = []
    for centre, at, volt, most, reason in zip(centres, passed, drive, highest, reasons, strict=True):
        if not np.isfinite(at) and "not reached" not in reason:
            continue
        reached = bool(np.isfinite(at))
        entries.append(
            {
                "from": round(float(centre / half), 2),
                "to": round(float(centre * half), 2),
                "centre": round(float(centre), 2),
                "level": round(float(at if reached else most), 2),
                "kind": "passed" if reached else "open",
                "words": _volts(float(volt)) if reached else "",
            }
        )
    if not entries:
        raise InputError.single(
            str(attrs["device"]), "no octave band has a level", fix="see the notes for what masks it"
        )
    levels = [level for level in np.where(np.isfinite(passed), passed, highest).tolist() if math.isfinite(level)]
    top = math.ceil((max(levels) + ROOM) / style.RASTER) * style.RASTER
    bottom = min(math.floor((min(levels) - 1) / style.RASTER) * style.RASTER, top - LEAST_SPAN)
    kinds = [kind for kind in ("passed", "open") if any(entry["kind"] == kind for entry in entries)]
    names = {"passed": f"passes {minus(f'{limit:g}')} dB", "open": "not passed up to here"}
    looks = {kind: (VERMILION, DASHES[0]) if kind == "passed" else (BLUE, DASHES[2]) for kind in kinds}
    legend = alt.Legend(
        title=None, symbolType="stroke", symbolSize=1000, labelExpr=f"{style.labels_of(names)}[datum.value]"
    )
    base = alt.Chart(style.inline(entries, "octaves"))
    y = alt.Y(
        "level:Q",
        scale=alt.Scale(domain=[bottom, top], nice=False, zero=False),
        axis=alt.Axis(
            title=style.level_title(str(attrs["level_kind"])),
            values=np.arange(bottom, top + 1, style.RASTER).tolist(),
            labelExpr="datum.value % 10 == 0 ? replace(datum.label, '-', '−') : ''",
            labelOverlap=False,
            minExtent=34,
        ),
    )
    bars = base.mark_rule(strokeWidth=2.4, clip=True).encode(
        x=alt.X("from:Q", scale=style.frequency_scale(), axis=style.frequency_axis()),
        x2="to:Q",
        y=y,
        **colour_and_dash("kind:N", looks, legend),
    )
    text = base.transform_filter("datum.kind == 'passed'").mark_text(dy=-9, fontSize=10, color=style.INK)
    arrows = base.transform_filter("datum.kind == 'open'").mark_text(text="↑", dy=-9, fontSize=13, color=BLUE)
    at = alt.X("centre:Q", scale=style.frequency_scale())
    absent = [
        f"{nominal_octave(float(centre)):g} Hz ({reason})"
        for centre, level, reason in zip(centres, passed, reasons, strict=True)
        if not np.isfinite(level) and "not reached" not in reason
    ]
    notes = ["Above each line: the drive at which it is passed, read between measured drives, never beyond them."]
    if "open" in kinds:
        notes.append("↑: the limit was not reached up to the highest drive measured.")
    if absent:
        notes.append(f"Not shown: the octave band of {'; '.join(absent)}.")
    distance = f" at {float(attrs['distance']):.4g} m" if "distance" in attrs else ""
    title = f"level{distance} at which octave bands pass {minus(f'{limit:g}')} dB of compression"
    chart = alt.vconcat(
        alt.LayerChart(
            layer=[
                *shaded(style.valid_band(attrs), "outside"),
                bars,
                text.encode(x=at, y=y, text="words:N"),
                arrows.encode(x=at, y=y),
            ],
            width=style.PANEL_WIDTH,
            height=style.panel_height(top - bottom),
            title=style.under_figure([*notes, LEVEL_CAUTION]) or alt.Undefined,
        )
    ).properties(
        title=style.heading(
            _title(compression, title), ["Mean squared pressure of the fundamental in the band, tone by tone"]
        )
    )
    return style.finish(chart, _title(compression, title))


def passed_words(compression: xr.Dataset) -> list[str]:
    """The bands in which limits are passed, a line for each drive and limit."""
    from anechain.acoustics.nonlinear.exceedance_bands import ExceedanceBand, band_text

    lines: dict[tuple[float, float], list[str]] = {}
    for entry in json.loads(str(compression.attrs["passed"])):
        drive, limit = float(entry.pop("drive")), float(entry.pop("limit"))
        lines.setdefault((drive, limit), []).append(band_text(ExceedanceBand(**entry)))
    return [
        f"{_volts(drive)}: {minus(f'{limit:g}')} dB passed {'; '.join(bands)}"
        for (drive, limit), bands in lines.items()
    ]


def compression_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the compression over frequency, if there is something to draw."""
    if "compression" in drawable(data["compression.nc"]):
        caption = (
            "Compression: change of the fundamental's level minus change of drive, re the lowest drive; parts below "
            "the "
            f"noise are left out. {LEVEL_CAUTION}"
        )
        yield DeviceFigure("compression", caption, ("compression.nc",), compression_figure)


def compression_levels_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the levels at which the compression reaches its limits, if there is something to draw."""
    if "compression-levels" in drawable(data["compression.nc"]):
        caption = (
            "Level at which the compression of each octave band reaches its limit, or the highest level measured. "
            f"{LEVEL_CAUTION}"
        )
        yield DeviceFigure("compression-levels", caption, ("compression.nc",), octave_levels_figure)
