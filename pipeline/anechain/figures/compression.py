"""Figure of compression over frequency, a curve for each drive."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.cautions import LEVEL_CAUTION
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.change_scale import STEP_HEIGHT, change_limits
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panel_parts import colour_and_dash, drawn_rows, shading_layers, shading_note
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    import xarray as xr
from anechain.figures.compression_text import figure_title, format_volts, true_minus

__all__ = ["compression_figure", "compression_of_device", "drawable_figures"]


_COLOURS = (BLUE, VERMILION, GREEN, BLACK, ORANGE, PURPLE, SKY)


_RELIABILITY_PREFIXES = ("levels are", "no value", "at ", "drift", "unequal", "the noise", "the drives", "the takes")


_DECIMALS = 3


def drawable_figures(compression: xr.Dataset) -> tuple[str, ...]:
    """Return the names of the figures of compression that have a value: compression, compression-levels, usable."""
    frequency = np.asarray(compression["frequency"].values, np.float64)
    low, high = style.FREQUENCY_RANGE
    delta = np.asarray(compression["delta"].transpose("drive", "frequency").values, np.float64)
    limit = compression["limit_level"].transpose("limit", "octave").values
    shown = {
        "compression": np.isfinite(delta[1:, (frequency >= low) & (frequency <= high)]).any(),
        "compression-levels": bool(np.isfinite(limit).any())
        or any("not reached" in str(reason) for reason in compression["limit_reason"].values.ravel()),
        "usable": "lowest_usable" in compression
        and bool(np.isfinite(compression["lowest_usable"].values + compression["usable_level"].values).any()),
    }
    return tuple(name for name, has_value in shown.items() if has_value)


def compression_figure(compression: xr.Dataset) -> dict[str, Any]:
    """Return the figure of the compression at each drive re the lowest drive, with the limits of compression.

    Values that noise masks are not drawn.

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
        If no drive above the lowest has a value.
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
            str(attrs["device"]), "no drive above the lowest has a value", fix="see the notes for the reasons"
        )
    rows = drawn_rows(frequency)
    columns: dict[str, Any] = {"frequency": style.rounded_frequencies(frequency[rows])}
    columns |= {f"drive_{row}": style.rounded(delta[row, rows], _DECIMALS) for row in shown}
    limits = [float(limit) for limit in compression["limit"].values]
    values = delta[shown][:, on_axis]
    highest_limit = max(limits)
    bottom, top, step = change_limits([*values[np.isfinite(values)].tolist(), highest_limit])
    steps, first = round((top - bottom) / step), round(bottom / step)
    decimals = max(0, math.ceil(-math.log10(step) - 1e-9))
    ticks = [round((first + n) * step, decimals) + 0.0 for n in range(steps + 1)]
    labels = {str(n): true_minus(f"{tick:.{decimals}f}") for n, tick in enumerate(ticks) if (first + n) % 2 == 0}
    y = alt.Y(
        "delta:Q",
        scale=alt.Scale(domain=[ticks[0], ticks[-1]], nice=False, zero=False),
        axis=alt.Axis(
            title="Compression in dB",
            values=ticks,
            labelExpr=f"{style.labels_json(labels)}[toString(round((datum.value - ({ticks[0]})) / {step}))] || ''",
            labelOverlap=False,
            minExtent=34,
        ),
    )
    x = alt.X("frequency:Q", scale=style.frequency_scale(), axis=style.frequency_axis())
    looks = {
        f"{row}": (_COLOURS[n % len(_COLOURS)], DASHES[(n + n // len(_COLOURS)) % len(DASHES)])
        for n, row in enumerate(shown)
    }
    names = {
        f"{row}": f"{format_volts(drives[row])} ({20 * math.log10(drives[row] / drives[0]):+.1f} dB)" for row in shown
    }
    legend = alt.Legend(
        title="Drive", symbolType="stroke", symbolSize=1000, labelExpr=f"{style.labels_json(names)}[datum.value]"
    )
    lines = (
        alt.Chart(style.inline_data([columns], "deltas"))
        .transform_flatten(["frequency", *(f"drive_{row}" for row in shown)])
        .transform_fold([f"drive_{row}" for row in shown], as_=["column", "delta"])
        .transform_calculate(drive="substring(datum.column, 6)")
        .mark_line(clip=True, strokeWidth=1.8)
        .encode(x=x, y=y, **colour_and_dash("drive:N", looks, legend))
    )
    limit_rows = [{"delta": 0.0, "words": ""}]
    limit_rows += [{"delta": limit, "words": true_minus(f"{limit:g} dB")} for limit in limits if ticks[0] < limit]
    base = alt.Chart(style.inline_data(limit_rows, "limits"))
    rules = base.mark_rule(color=style.INK, strokeWidth=1.0, opacity=0.7).encode(
        y=y, strokeDash=alt.condition("datum.delta == 0", alt.value([1, 0]), alt.value([2, 2]))
    )
    labels = base.mark_text(align="left", baseline="middle", dx=4, fontSize=10, color=style.INK).encode(
        y=y, x=alt.value(style.PANEL_WIDTH), text="words:N"
    )
    notes = _notes(compression, shown)
    chart = alt.vconcat(
        alt.LayerChart(
            layer=[*shading_layers(style.valid_band(attrs), "outside"), rules, labels, lines],
            width=style.PANEL_WIDTH,
            height=steps * STEP_HEIGHT,
            title=style.notes_below(notes) or alt.Undefined,
        )
    ).properties(
        title=style.heading(
            figure_title(compression, "compression with rising drive"),
            [
                f"Change of the fundamental's level re {format_volts(drives[0])} minus the change of drive; "
                f"{_conditions_text(attrs)}; one decade of frequency is as long as {10 * step:g} dB",
            ],
        )
    )
    return style.finish_spec(
        chart, f"{figure_title(compression, 'compression with rising drive')}, {len(shown)} drives"
    )


def _conditions_text(attrs: Mapping[Any, Any]) -> str:
    parts = []
    if "measured_distance" in attrs:
        parts.append(f"measured at {float(attrs['measured_distance']):.4g} m")
    parts.append("no smoothing" if attrs["smoothing"] == "none" else f"smoothing: {attrs['smoothing']}")
    return "; ".join(parts)


def _notes(compression: xr.Dataset, shown: list[int]) -> list[str]:
    attrs = compression.attrs
    notes = shading_note(style.valid_band(attrs))
    notes += [f"{line[0].upper()}{line[1:]}." for line in str(attrs["notes"]).splitlines() if _is_shown_below(line)]
    not_shown = [
        format_volts(drive) for row, drive in enumerate(compression["drive"].values) if row and row not in shown
    ]
    if not_shown:
        notes.append(f"Not shown, masked by noise at all frequencies: {', '.join(not_shown)}.")
    return [*notes, LEVEL_CAUTION]


def _is_shown_below(line: str) -> bool:
    """Return whether a note is about the reliability of the curves; the report shows the others."""
    return line.startswith(_RELIABILITY_PREFIXES)


def compression_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the compression over frequency, if it has a value."""
    if "compression" in drawable_figures(data["compression.nc"]):
        caption = (
            "Compression: change of the fundamental's level minus change of drive, re the lowest drive; parts "
            f"masked by noise are not shown. {LEVEL_CAUTION}"
        )
        yield DeviceFigure("compression", caption, ("compression.nc",), compression_figure)
