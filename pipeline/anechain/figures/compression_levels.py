"""Figure of the level at which the compression of each octave band reaches its limit."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.cautions import LEVEL_CAUTION
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panel_parts import colour_and_dash, shading_layers
from anechain.figures.style import BLUE, DASHES, VERMILION

if TYPE_CHECKING:
    import xarray as xr
from anechain.figures.compression import drawable_figures
from anechain.figures.compression_text import figure_title, format_volts, true_minus

__all__ = ["compression_levels_of_device", "octave_levels_figure"]


HEADROOM_DB = 4.0
"""dB above the highest octave band, at least, for the labels of drives."""


MIN_SPAN_DB = 25.0
"""dB: as high as a decade of frequency is long."""


def octave_levels_figure(compression: xr.Dataset) -> dict[str, Any]:
    """Return the figure of the level at which the compression of each octave band reaches its limit.

    Bands that do not reach it are drawn at the highest level measured.

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
        If no octave band has a level.
    """
    import altair as alt

    from anechain.acoustics.curve.bands import nominal_octave

    attrs = compression.attrs
    limits = np.asarray(compression["limit"].values, np.float64)
    limit = float(limits[np.argmin(np.abs(limits - float(attrs["compression_limit"])))])
    centres = np.asarray(compression["octave"].values, np.float64)
    limit_levels = np.asarray(compression["limit_level"].sel(limit=limit).values, np.float64)
    limit_drives = np.asarray(compression["limit_drive"].sel(limit=limit).values, np.float64)
    reasons = [str(text) for text in compression["limit_reason"].sel(limit=limit).values]
    highest_levels = np.asarray(compression["highest_level"].values, np.float64)
    half_band_ratio = 10.0**0.15
    entries = []
    for centre, limit_level, limit_drive, highest_level, reason in zip(
        centres, limit_levels, limit_drives, highest_levels, reasons, strict=True
    ):
        if not np.isfinite(limit_level) and "not reached" not in reason:
            continue
        reached = bool(np.isfinite(limit_level))
        entries.append(
            {
                "from": round(float(centre / half_band_ratio), 2),
                "to": round(float(centre * half_band_ratio), 2),
                "centre": round(float(centre), 2),
                "level": round(float(limit_level if reached else highest_level), 2),
                "kind": "passed" if reached else "open",
                "words": format_volts(float(limit_drive)) if reached else "",
            }
        )
    if not entries:
        raise InputError.single(str(attrs["device"]), "no octave band has a level", fix="see the notes for the reasons")
    levels = [
        level
        for level in np.where(np.isfinite(limit_levels), limit_levels, highest_levels).tolist()
        if math.isfinite(level)
    ]
    top = math.ceil((max(levels) + HEADROOM_DB) / style.GRID_STEP_DB) * style.GRID_STEP_DB
    bottom = min(math.floor((min(levels) - 1) / style.GRID_STEP_DB) * style.GRID_STEP_DB, top - MIN_SPAN_DB)
    kinds = [kind for kind in ("passed", "open") if any(entry["kind"] == kind for entry in entries)]
    names = {"passed": f"reaches {true_minus(f'{limit:g}')} dB", "open": "below the limit up to here"}
    looks = {kind: (VERMILION, DASHES[0]) if kind == "passed" else (BLUE, DASHES[2]) for kind in kinds}
    legend = alt.Legend(
        title=None, symbolType="stroke", symbolSize=1000, labelExpr=f"{style.labels_json(names)}[datum.value]"
    )
    base = alt.Chart(style.inline_data(entries, "octaves"))
    y = alt.Y(
        "level:Q",
        scale=alt.Scale(domain=[bottom, top], nice=False, zero=False),
        axis=alt.Axis(
            title=style.level_axis_title(str(attrs["level_kind"])),
            values=np.arange(bottom, top + 1, style.GRID_STEP_DB).tolist(),
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
    x_centre = alt.X("centre:Q", scale=style.frequency_scale())
    absent = [
        f"{nominal_octave(float(centre)):g} Hz ({reason})"
        for centre, level, reason in zip(centres, limit_levels, reasons, strict=True)
        if not np.isfinite(level) and "not reached" not in reason
    ]
    notes = [
        "Above each line: the drive at which the limit is reached, interpolated between drives, never extrapolated."
    ]
    if "open" in kinds:
        notes.append("↑: the limit is not reached up to the highest drive measured.")
    if absent:
        notes.append(f"Not shown: the octave band of {'; '.join(absent)}.")
    distance = f" at {float(attrs['distance']):.4g} m" if "distance" in attrs else ""
    title = f"level{distance} at which octave bands reach {true_minus(f'{limit:g}')} dB of compression"
    chart = alt.vconcat(
        alt.LayerChart(
            layer=[
                *shading_layers(style.valid_band(attrs), "outside"),
                bars,
                text.encode(x=x_centre, y=y, text="words:N"),
                arrows.encode(x=x_centre, y=y),
            ],
            width=style.PANEL_WIDTH,
            height=style.panel_height(top - bottom),
            title=style.notes_below([*notes, LEVEL_CAUTION]) or alt.Undefined,
        )
    ).properties(
        title=style.heading(
            figure_title(compression, title), ["Mean squared pressure of the fundamental in the band, tone by tone"]
        )
    )
    return style.finish_spec(chart, figure_title(compression, title))


def compression_levels_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the levels at which the compression reaches its limits, if it has a value."""
    if "compression-levels" in drawable_figures(data["compression.nc"]):
        caption = (
            "Level at which the compression of each octave band reaches its limit, or the highest level measured. "
            f"{LEVEL_CAUTION}"
        )
        yield DeviceFigure("compression-levels", caption, ("compression.nc",), octave_levels_figure)
