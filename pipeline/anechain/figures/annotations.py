"""Annotations of a panel: marked points and line segments, with their labels."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from anechain.figures import style

if TYPE_CHECKING:
    import altair as alt
from anechain.figures.panel_elements import Panel, Point

__all__ = ["layers_above_curves", "point_layers", "segment_layers"]


_LABEL_OFFSETS: dict[str, dict[str, Any]] = {
    "above": {"dy": -9, "baseline": "bottom"},
    "below": {"dy": 9, "baseline": "top"},
    "left": {"dx": -9, "align": "right"},
    "right": {"dx": 9, "align": "left"},
    "above left": {"dx": -6, "dy": -4, "align": "right", "baseline": "bottom"},
    "below left": {"dx": -6, "dy": 4, "align": "right", "baseline": "top"},
    "below right": {"dx": 6, "dy": 4, "align": "left", "baseline": "top"},
}


def segment_layers(panel: Panel, scale: alt.Scale, axis: alt.Axis) -> tuple[list[alt.Chart], list[alt.Chart]]:
    """Return the layers of the line segments, which are below the curves, and of their labels, which are above."""
    import altair as alt

    rules, labels = [], []
    for number, segment in enumerate(panel.segments):
        (low, first), (high, last) = segment.start, segment.end
        label_level = last if segment.label_level is None else segment.label_level
        row = {"from": low, "to": high, "first": first, "last": last, "label": segment.label, "label_at": label_level}
        base = alt.Chart(style.inline_data([row], f"{panel.name}_stroke_{number}"))
        x_of = {name: alt.X(f"{name}:Q", scale=style.frequency_scale()) for name in ("from", "to")}
        y = alt.Y("first:Q", scale=scale, axis=axis)
        rule = base.mark_rule(color=segment.colour, strokeDash=list(segment.dash), strokeWidth=1.4, clip=True)
        rules.append(rule.encode(x=x_of["from"], x2="to:Q", y=y, y2="last:Q"))
        if segment.label:
            above = label_level >= last
            y = alt.Y("label_at:Q", scale=scale, axis=axis)
            placement = {"align": "right", "baseline": "bottom" if above else "top", "dy": -3 if above else 3}
            labels += _outlined_label(base, x_of["to"], y, **placement)
    return rules, labels


def point_layers(panel: Panel, scale: alt.Scale, axis: alt.Axis) -> list[alt.Chart]:
    """Return the layers of the marked points: leader lines, outlines of labels, markers and labels."""
    import altair as alt

    leader_lines, outlines, marks, labels = [], [], [], []
    for number, marker_style in enumerate(_marker_styles(panel)):
        shape, filled, side, in_column = marker_style
        rows = [
            {"at": point.frequency, "level": point.level, "label": point.label}
            | ({} if point.label_at is None else {"words_hz": point.label_at[0], "words_db": point.label_at[1]})
            for point in panel.points
            if _marker_style(point) == marker_style
        ]
        base = alt.Chart(style.inline_data(rows, f"{panel.name}_points_{number}"))
        x = alt.X("at:Q", scale=style.frequency_scale())
        y = alt.Y("level:Q", scale=scale, axis=axis)
        mark = base.mark_point(
            shape=shape, size=55, filled=filled, fill=style.INK if filled else "white", stroke=style.INK, clip=True
        )
        tooltip = [
            alt.Tooltip("label:N", title="Mark"),
            alt.Tooltip("at:Q", title="Frequency in Hz", format=",.4~r"),
            alt.Tooltip("level:Q", title="Level in dB", format=".1f"),
        ]
        marks.append(mark.encode(x=x, y=y, tooltip=tooltip))
        if in_column:
            leader = base.mark_rule(color=style.INK, strokeWidth=0.6, opacity=0.6, clip=True)
            leader_lines.append(leader.encode(x=x, y=y, x2="words_hz:Q", y2="words_db:Q"))
            x = alt.X("words_hz:Q", scale=style.frequency_scale())
            y = alt.Y("words_db:Q", scale=scale, axis=axis)
            placement = {"baseline": "middle", "align": "left" if side == "right" else "right"}
            outline, label = _outlined_label(base, x, y, dx=3 if side == "right" else -3, **placement)
        else:
            outline, label = _outlined_label(base, x, y, clip=True, **_LABEL_OFFSETS[side])
        outlines.append(outline)
        labels.append(label)
    # The outlines are below all markers, so that no outline hides a marker.
    return [*leader_lines, *outlines, *marks, *labels]


def _outlined_label(base: alt.Chart, x: alt.X, y: alt.Y, **placement: Any) -> list[alt.Chart]:
    """Return a white outline and the label above it, so that the label can be read on top of a curve."""
    outline = base.mark_text(fontSize=10, color="white", stroke="white", strokeWidth=3, strokeJoin="round", **placement)
    label = base.mark_text(fontSize=10, color=style.INK, **placement)
    return [layer.encode(x=x, y=y, text="label:N") for layer in (outline, label)]


def _marker_styles(panel: Panel) -> list[tuple[str, bool, str, bool]]:
    """Return the marker styles of a panel: shape, filled or not, side of the label, label in a column or not."""
    return list(dict.fromkeys(_marker_style(point) for point in panel.points))


def _marker_style(point: Point) -> tuple[str, bool, str, bool]:
    return point.shape, point.filled, point.side, point.label_at is not None


def layers_above_curves(panel: Panel) -> int:
    """Return the number of layers above the curves: points, labels with outlines, leader lines, and the pointer."""
    point_layer_count = sum(4 if in_column else 3 for *_, in_column in _marker_styles(panel))
    return 1 + 2 * sum(bool(segment.label) for segment in panel.segments) + point_layer_count
