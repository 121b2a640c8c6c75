"""The change between two results: new minus old over frequency, a panel for each device."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.arrays import Floats
from anechain.figures import style
from anechain.figures.panels import POINTS_PER_OCTAVE, Series
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    import altair as alt

    from anechain.data.changes import DeviceChange, ExplainedDifference

__all__ = ["MAX_PANELS", "change_figure", "drawn_devices", "scale_of"]


_COLOURS = (BLACK, BLUE, GREEN, VERMILION, PURPLE, ORANGE, SKY)
MAX_PANELS = 12
"""Panels in one figure; of more, those with the largest changes are drawn."""

_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
_MAX_STEPS = 10
_MIN_STEPS = 6
STEP_HEIGHT = 20.0
"""Pixels between two grid lines: a tenth of a decade of frequency, so that one decade is as long as ten steps."""

SAME_LINE = 1e-3
"""dB within which two changes are drawn as one line."""

_DECIMALS = 4
_MAX_LEGEND_LETTERS = 48


@dataclass(frozen=True)
class _Panel:
    """Curves or directivity indices of one device on one frequency grid."""

    device: str
    title: str
    what: str
    axis: str
    frequency: Floats
    series: tuple[Series, ...]
    band: tuple[float, float]
    notes: tuple[str, ...]

    @property
    def largest(self) -> float:
        return max(float(np.max(np.abs(_finite(s.values, self.frequency)), initial=0.0)) for s in self.series)


def _finite(values: Floats, frequency: Floats) -> Floats:
    low, high = style.FREQUENCY_RANGE
    return values[np.isfinite(values) & (frequency >= low) & (frequency <= high)]


def scale_of(values: Iterable[float]) -> tuple[float, float, float]:
    """Return the lower and upper limit and the step between grid lines in dB: six to ten steps, zero among the lines.

    Parameters
    ----------
    values : iterable of float
        All changes of a panel in dB, finite.
    """
    with_zero = [*values, 0.0]
    low, high = min(with_zero), max(with_zero)
    for step in _STEPS:
        bottom, top = math.floor(low / step - 1e-9), math.ceil(high / step + 1e-9)
        # A curve that touches the frame could not be distinguished from it.
        bottom -= low < 0 and low <= (bottom + 0.2) * step
        top += high > 0 and high >= (top - 0.2) * step
        if top - bottom <= _MAX_STEPS:
            break
    while top - bottom < _MIN_STEPS:
        bottom, top = (bottom, top + 1) if high + top * step <= -(low + bottom * step) else (bottom - 1, top)
    return bottom * step, top * step, step


def _styles() -> dict[str, tuple[str, tuple[float, ...]]]:
    """Return colour and dash by curve, the same in every panel and figure; the first 49 curves all differ."""
    from anechain.acoustics.directivity.curve_titles import TITLES

    main = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
    order = dict.fromkeys([*main, *TITLES])
    size = len(_COLOURS)
    return {
        name: (_COLOURS[index % size], DASHES[(index + index // size) % len(DASHES)])
        for index, name in enumerate(order)
    }


def _panels(device: DeviceChange) -> list[_Panel]:
    low, high = device.valid_band or style.FREQUENCY_RANGE
    band = max(low, style.FREQUENCY_RANGE[0]), min(high, style.FREQUENCY_RANGE[1])
    panels = []
    for kind, what, axis in (
        ("curve", "curves", "Change of level in dB"),
        ("index", "directivity indices", "Change of index in dB"),
    ):
        by_grid: dict[bytes, list[ExplainedDifference]] = {}
        for item in device.own_differences:
            if item.difference.kind == kind and np.isfinite(item.difference.change).any():
                by_grid.setdefault(item.difference.frequency.tobytes(), []).append(item)
        for items in by_grid.values():
            series, notes = _series(device, kind, items)
            grid = items[0].difference.frequency
            panels.append(_Panel(device.device, device.title, what, axis, grid, series, band, notes))
    return panels


def _series(
    device: DeviceChange, kind: str, items: Sequence[ExplainedDifference]
) -> tuple[tuple[Series, ...], tuple[str, ...]]:
    """Return the lines of a panel, one for all curves with equal changes, and notes that name such curves."""
    from anechain.acoustics.directivity.curve_titles import TITLES

    styles = _styles()
    series: list[Series] = []
    notes: list[str] = []
    ordered = sorted(items, key=lambda item: [*styles, item.difference.name].index(item.difference.name))
    total = device.counts.get(kind, 0)
    for group in _equal_changes(ordered):
        first = group[0].difference
        values = np.where(np.isfinite(first.change), first.change, np.nan)
        names = [
            TITLES.get(item.difference.name, item.difference.name).replace(" directivity index", "") for item in group
        ]
        colour, dash = styles.get(first.name, (BLACK, DASHES[0]))
        title = names[0]
        if len(group) > 1 and len(group) == total:
            title = f"All {total} {'curves' if kind == 'curve' else 'indices'}"
        elif len(group) > 1:
            others = f" and {len(group) - 1} equal"
            title = _short(names[0], len(others)) + others
            notes.append(f"{device.title}, equal within {SAME_LINE:g} dB: {'; '.join(names)}.")
        series.append(Series(f"line_{len(series)}", f"{len(series)}", title, values, colour, dash))
    return tuple(series), tuple(notes)


def _equal_changes(items: Sequence[ExplainedDifference]) -> list[list[ExplainedDifference]]:
    """Group the curves whose changes are equal; each group in the original order."""
    groups: list[list[ExplainedDifference]] = []
    for item in items:
        change = item.difference.change
        for group in groups:
            if np.allclose(group[0].difference.change, change, rtol=0, atol=SAME_LINE, equal_nan=True):
                group.append(item)
                break
        else:
            groups.append([item])
    return groups


def _thinned(frequency: Floats) -> NDArray[np.intp]:
    low, high = style.FREQUENCY_RANGE
    rows = np.flatnonzero((frequency >= low / 1.1) & (frequency <= high * 1.1))
    bins = np.floor(np.log2(frequency[rows]) * POINTS_PER_OCTAVE).astype(np.int64)
    return np.asarray(rows[np.r_[True, np.diff(bins) > 0]] if rows.size else rows)


def _chart(panel: _Panel, number: int, last: bool) -> alt.LayerChart:
    import altair as alt

    rows = _thinned(panel.frequency)
    columns: dict[str, Any] = {"frequency": style.rounded_frequency(panel.frequency[rows])}
    columns |= {s.column: style.rounded(s.values[rows], _DECIMALS) for s in panel.series}
    low, high, step = scale_of(np.concatenate([_finite(s.values, panel.frequency) for s in panel.series]).tolist())
    steps = round((high - low) / step)
    first = round(low / step)
    decimals = max(0, math.ceil(-math.log10(step) - 1e-9))
    values = [round((first + n) * step, decimals) + 0.0 for n in range(steps + 1)]
    # A label at every second line, and always at zero.
    labels = {
        str(n): f"{value:+.{decimals}f}".replace("-", "−") for n, value in enumerate(values) if (first + n) % 2 == 0
    }
    labels[str(-first)] = "0"
    y = alt.Y(
        "change:Q",
        scale=alt.Scale(domain=[values[0], values[-1]], nice=False, zero=False),
        axis=alt.Axis(
            title=panel.axis,
            values=values,
            labelExpr=f"{style.labels_of(labels)}[toString(round((datum.value - ({values[0]})) / {step}))] || ''",
            labelOverlap=False,
            minExtent=40,
        ),
    )
    x = alt.X("frequency:Q", scale=style.frequency_scale(), axis=style.frequency_axis(labelled=last))
    keys = [s.key for s in panel.series]
    legend = alt.Legend(
        title=None,
        symbolType="stroke",
        symbolSize=1000,
        labelExpr=f"{style.labels_of({s.key: _short(s.title) for s in panel.series})}[datum.value]",
        columns=1 + (len(keys) - 1) // max(3, int(steps * STEP_HEIGHT / 13)),
    )
    lines = (
        alt.Chart(style.inline([columns], f"change_{number}"))
        .transform_flatten(["frequency", *(s.column for s in panel.series)])
        # The first in the legend is drawn last, on top of the others.
        .transform_fold([s.column for s in reversed(panel.series)], as_=["column", "change"])
        .transform_calculate(curve=f"{style.labels_of({s.column: s.key for s in panel.series})}[datum.column]")
        .mark_line(clip=True, strokeWidth=1.8)
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "curve:N", scale=alt.Scale(domain=keys, range=[s.colour for s in panel.series]), legend=legend
            ),
            strokeDash=alt.StrokeDash(
                "curve:N", scale=alt.Scale(domain=keys, range=[list(s.dash) for s in panel.series]), legend=legend
            ),
        )
    )
    zero = (
        alt.Chart(style.inline([{"change": 0}], f"zero_{number}"))
        .mark_rule(color=style.INK, strokeWidth=1.2)
        .encode(y=y)
    )
    layers: list[alt.Chart] = []
    shaded = [{"from": a, "to": b} for a, b in style.outside(panel.band)]
    if shaded:
        layers.append(
            alt.Chart(style.inline(shaded, f"outside_{number}"))
            .mark_rect(color=style.SHADE, opacity=0.08, clip=True)
            .encode(x=alt.X("from:Q", scale=style.frequency_scale()), x2="to:Q")
        )
    scale = f"{panel.title}: {panel.what}; one decade of frequency is as long as {10 * step:g} dB"
    title = alt.TitleParams(text=scale, anchor="start", fontSize=12, fontWeight="normal", offset=6)
    return alt.LayerChart(
        layer=[*layers, zero, lines], width=style.PANEL_WIDTH, height=steps * STEP_HEIGHT, title=title
    )


def _short(title: str, suffix_length: int = 0) -> str:
    length = _MAX_LEGEND_LETTERS - suffix_length
    return title if len(title) <= length else f"{title[: length - 1]}…"


def _drawn_panels(devices: Sequence[DeviceChange]) -> tuple[list[_Panel], int]:
    """Return the panels with the largest changes, and the number of all panels."""
    panels = [panel for device in devices for panel in _panels(device)]
    drawn = sorted(sorted(range(len(panels)), key=lambda index: -panels[index].largest)[:MAX_PANELS])
    return [panels[index] for index in drawn], len(panels)


def drawn_devices(devices: Sequence[DeviceChange]) -> set[str]:
    """Return the ids of the devices that :func:`change_figure` draws."""
    return {panel.device for panel in _drawn_panels(devices)[0]}


def change_figure(devices: Sequence[DeviceChange], tolerance: float) -> dict[str, Any] | None:
    """Return the figure of the change over frequency of each curve and directivity index that differs.

    Parameters
    ----------
    devices : sequence of DeviceChange
        The differences of each device; see :mod:`anechain.data.changes`.
    tolerance : float
        dB up to which two levels counted as the same.

    Returns
    -------
    dict or None
        A Vega-Lite specification with its data inside; None if no curve and no index
        has a finite change.

    Notes
    -----
    IEC 60263 gives no scale for differences, which may be between 0.01 dB and 60 dB. Each panel has its own scale and
    states it. One grid line is always zero, and is drawn dark.
    """
    import altair as alt

    panels, number = _drawn_panels(devices)
    if not panels:
        return None
    notes = []
    if any(style.outside(panel.band) for panel in panels):
        notes.append("Shaded: outside the band that is valid on both sides.")
    notes += [note for panel in panels for note in panel.notes]
    drawn = {panel.device for panel in panels}
    notes += [f"{device.title}: {note}." for device in devices if device.device in drawn for note in device.notes]
    if number > len(panels):
        notes.append(f"The {len(panels)} of {number} panels with the largest changes are drawn.")
    names = list(dict.fromkeys(panel.title for panel in panels))
    title = f"Change of the curves: {', '.join(names[:4])}{f' and {len(names) - 4} more' if len(names) > 4 else ''}"
    lines = [f"New minus old; curves that change by no more than {tolerance:g} dB are not drawn."]
    charts = [_chart(panel, n, panel is panels[-1]) for n, panel in enumerate(panels, 1)]
    below = style.under_figure(notes)
    if below is not None:
        # A panel has one title, which is above it: the notes are the title of an empty chart of no height below.
        empty = alt.Chart(style.inline([{}], "notes")).mark_point(opacity=0)
        charts.append(alt.LayerChart(layer=[empty], width=style.PANEL_WIDTH, height=1, title=below))
    chart = (
        alt.vconcat(*charts)
        .resolve_scale(color="independent", strokeDash="independent")
        .properties(title=style.heading(title, lines))
    )
    return style.finish(chart, f"{title}. {lines[0]}")
