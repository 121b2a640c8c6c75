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

    from anechain.audit.explain import DeviceChange

__all__ = ["MOST_PANELS", "change_figure", "drawn_devices", "scale_of"]


_COLOURS = (BLACK, BLUE, GREEN, VERMILION, PURPLE, ORANGE, SKY)
MOST_PANELS = 12
"""Panels in one figure; with more, those that change most are drawn."""

_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
_MOST_STEPS = 10
_FEWEST_STEPS = 6
STEP_HEIGHT = 20.0
"""Pixels between two lines of the scale: a tenth of a decade of frequency, so one decade is as long as ten steps."""

ALIKE = 1e-3
"""dB within which two changes are drawn as one line."""

_DECIMALS = 4
_LEGEND_LETTERS = 48


@dataclass(frozen=True)
class _Panel:
    """Lines of one device over one frequency grid: all its curves or all its indices."""

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
    """Lower and upper limit in dB and the step between lines: zero is among them, and six to ten steps are.

    Parameters
    ----------
    values : iterable of float
        All changes of a panel in dB, finite.
    """
    given = [*values, 0.0]
    low, high = min(given), max(given)
    for step in _STEPS:
        bottom, top = math.floor(low / step - 1e-9), math.ceil(high / step + 1e-9)
        # A line that touches the frame could not be told from it.
        bottom -= low < 0 and low <= (bottom + 0.2) * step
        top += high > 0 and high >= (top - 0.2) * step
        if top - bottom <= _MOST_STEPS:
            break
    while top - bottom < _FEWEST_STEPS:
        bottom, top = (bottom, top + 1) if high + top * step <= -(low + bottom * step) else (bottom - 1, top)
    return bottom * step, top * step, step


def _looks() -> dict[str, tuple[str, tuple[float, ...]]]:
    """Colour and dash by curve, the same in every panel and figure: no two of the first 49 share both."""
    from anechain.acoustics.directivity.curve_titles import TITLES

    main = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
    order = dict.fromkeys([*main, *TITLES])
    size = len(_COLOURS)
    return {name: (_COLOURS[n % size], DASHES[(n + n // size) % len(DASHES)]) for n, name in enumerate(order)}


def _panels(one: DeviceChange) -> list[_Panel]:
    from anechain.acoustics.directivity.curve_titles import TITLES

    looks = _looks()
    low, high = one.valid_band or style.FREQUENCY_RANGE
    band = max(low, style.FREQUENCY_RANGE[0]), min(high, style.FREQUENCY_RANGE[1])
    panels = []
    for kind, what, axis in (
        ("curve", "curves", "Change of level in dB"),
        ("index", "directivity indices", "Change of index in dB"),
    ):
        drawn = [f for f in one.shown if f.difference.kind == kind and np.isfinite(f.difference.change).any()]
        by_grid: dict[bytes, list[Any]] = {}
        for finding in drawn:
            by_grid.setdefault(finding.difference.frequency.tobytes(), []).append(finding)
        for findings in by_grid.values():
            series: list[Series] = []
            notes: list[str] = []
            ordered = sorted(findings, key=lambda f: [*looks, f.difference.name].index(f.difference.name))
            total = one.counts.get(kind, 0)
            for group in _alike(ordered):
                first = group[0].difference
                values = np.where(np.isfinite(first.change), first.change, np.nan)
                names = [
                    TITLES.get(f.difference.name, f.difference.name).replace(" directivity index", "") for f in group
                ]
                colour, dash = looks.get(first.name, (BLACK, DASHES[0]))
                title = names[0]
                if len(group) > 1:
                    everything = len(group) == total
                    noun = "curves" if kind == "curve" else "indices"
                    others = f" and {len(group) - 1} alike"
                    title = f"All {total} {noun}" if everything else _short(names[0], len(others)) + others
                    if not everything:
                        notes.append(f"{one.title}, alike within 0.001 dB: {'; '.join(names)}.")
                series.append(Series(f"line_{len(series)}", f"{len(series)}", title, values, colour, dash))
            panels.append(
                _Panel(
                    one.device,
                    one.title,
                    what,
                    axis,
                    findings[0].difference.frequency,
                    tuple(series),
                    band,
                    tuple(notes),
                )
            )
    return panels


def _alike(findings: Sequence[Any]) -> list[list[Any]]:
    """Findings whose changes could not be told apart, together; each group in the order it came."""
    groups: list[list[Any]] = []
    for finding in findings:
        change = finding.difference.change
        for group in groups:
            if np.allclose(group[0].difference.change, change, rtol=0, atol=ALIKE, equal_nan=True):
                group.append(finding)
                break
        else:
            groups.append([finding])
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
        # The first in the legend is drawn last: it lies on top.
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


def _short(title: str, taken: int = 0) -> str:
    room = _LEGEND_LETTERS - taken
    return title if len(title) <= room else f"{title[: room - 1]}…"


def _chosen(devices: Sequence[DeviceChange]) -> tuple[list[_Panel], int]:
    """The panels that are drawn, and how many there could be."""
    every = [panel for one in devices for panel in _panels(one)]
    chosen = sorted(sorted(range(len(every)), key=lambda at: -every[at].largest)[:MOST_PANELS])
    return [every[at] for at in chosen], len(every)


def drawn_devices(devices: Sequence[DeviceChange]) -> set[str]:
    """Ids of the devices that :func:`change_figure` draws."""
    return {panel.device for panel in _chosen(devices)[0]}


def change_figure(devices: Sequence[DeviceChange], least: float) -> dict[str, Any] | None:
    """The change of level over frequency of each curve that differs, and of each directivity index.

    Parameters
    ----------
    devices : sequence of DeviceChange
        What differs of each device, see :mod:`anechain.audit.explain`.
    least : float
        dB up to which two levels counted as the same.

    Returns
    -------
    dict or None
        A Vega-Lite specification with its data inside; None if no curve and no index differs by a number of decibels.

    Notes
    -----
    A difference has no ratio of its scale in IEC 60263, and its size may be anything from 0.01 dB to 60 dB: each panel
    takes a scale of its own and states it. One line of the scale is always zero, and it is drawn in ink.
    """
    import altair as alt

    panels, number = _chosen(devices)
    if not panels:
        return None
    notes = []
    if any(style.outside(panel.band) for panel in panels):
        notes.append("Shaded: outside the band that is valid on both sides.")
    notes += [note for panel in panels for note in panel.notes]
    drawn = {panel.device for panel in panels}
    notes += [f"{one.title}: {remark}." for one in devices if one.device in drawn for remark in one.remarks]
    if number > len(panels):
        notes.append(f"Drawn are the {len(panels)} panels with the largest changes, of {number}.")
    names = list(dict.fromkeys(panel.title for panel in panels))
    title = f"Change of the curves: {', '.join(names[:4])}{f' and {len(names) - 4} more' if len(names) > 4 else ''}"
    lines = [f"New minus old; curves that change by no more than {least:g} dB are not drawn."]
    charts = [_chart(panel, n, panel is panels[-1]) for n, panel in enumerate(panels, 1)]
    below = style.under_figure(notes)
    if below is not None:
        # A panel has one title, and these have theirs above: the notes stand under an empty chart of no height.
        empty = alt.Chart(style.inline([{}], "notes")).mark_point(opacity=0)
        charts.append(alt.LayerChart(layer=[empty], width=style.PANEL_WIDTH, height=1, title=below))
    chart = (
        alt.vconcat(*charts)
        .resolve_scale(color="independent", strokeDash="independent")
        .properties(title=style.heading(title, lines))
    )
    return style.finish(chart, f"{title}. {lines[0]}")
