"""Labels of marked points in a column next to the curves, joined to the points by lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from anechain.arrays import Floats
from anechain.figures import style
from anechain.figures.panel_elements import Point, Series

__all__ = ["level_above_curves", "place_labels"]


_COLUMN_OFFSET_RATIO = 1.35
"""Ratio of the frequency at which the column of labels begins to that of the outermost marker."""


_LABEL_SPACING_DB = 1.7
"""dB between two labels of a column: 14 pixels of a panel with 8 pixels per decibel."""


_LABEL_DECADES_PER_LETTER = 0.026
"""Mean width of a letter in decades of frequency: 5 of the 200 pixels of a decade."""


def place_labels(
    points: Sequence[Point],
    side: Literal["left", "right"],
    curves: Sequence[Series],
    frequency: Floats,
    lowest: float,
    others: Sequence[Point] = (),
) -> list[Point]:
    """Return marked points with their labels in a column below the curves.

    Parameters
    ----------
    points : sequence of Point
        Marked points at one end of the frequency range.
    side : {"left", "right"}
        Side of the markers on which the column is; the side on which the curves do not roll off.
    curves : sequence of Series
        Curves that the labels must not overlap.
    frequency : numpy.ndarray, shape (n,)
        Frequencies of the curves in Hz.
    lowest : float
        Lower limit of the panel in dB.
    others : sequence of Point
        Points whose labels have a position already.

    Returns
    -------
    list of Point
        The points with `side` and `label_at`, from the highest label to the lowest.
    """
    if not points:
        return []
    marker_hz = [point.frequency for point in points]
    column_hz = max(marker_hz) * _COLUMN_OFFSET_RATIO if side == "right" else min(marker_hz) / _COLUMN_OFFSET_RATIO
    column_hz = min(max(column_hz, style.FREQUENCY_RANGE[0]), style.FREQUENCY_RANGE[1])
    width_ratio = 10 ** (_LABEL_DECADES_PER_LETTER * max(len(point.label) for point in points))
    low, high = (column_hz, column_hz * width_ratio) if side == "right" else (column_hz / width_ratio, column_hz)
    in_column = (frequency >= low) & (frequency <= high)
    edges = [
        curve.values[in_column] - (0.0 if curve.half_width is None else curve.half_width[in_column]) for curve in curves
    ]
    values = np.concatenate([edge[np.isfinite(edge)] for edge in edges])
    top_label = float(values.min()) - _LABEL_SPACING_DB if values.size else max(point.level for point in points)
    # A column that would overlap the column of the other points is placed below it.
    other_levels = [
        point.label_at[1] for point in others if point.label_at is not None and low < point.label_at[0] * width_ratio
    ]
    top_label = min([top_label, *(level - _LABEL_SPACING_DB for level in other_levels)])
    top_label = max(top_label, lowest + _LABEL_SPACING_DB * len(points))
    remaining, placed = sorted(points, key=lambda point: (-point.level, point.frequency)), []
    for row in range(len(points)):
        label_db = top_label - _LABEL_SPACING_DB * row
        # The marker at the steepest angle from this label: all others are below the line to it, so no two lines cross.
        slopes = [(point.level - label_db) / max(abs(np.log(column_hz / point.frequency)), 1e-3) for point in remaining]
        point = remaining.pop(int(np.argmax(slopes)))
        placed.append(replace(point, side=side, label_at=(round(column_hz, 2), round(label_db, 2))))
    return placed


def level_above_curves(curves: Sequence[Series], frequency: Floats, end_hz: float) -> float | None:
    """Return the level in dB above all curves and their bands, over the width of a label that ends at a frequency."""
    in_label = (frequency <= end_hz) & (frequency >= end_hz / 2**1.5)
    edges = [
        curve.values[in_label] + (0.0 if curve.half_width is None else curve.half_width[in_label]) for curve in curves
    ]
    values = np.concatenate([edge[np.isfinite(edge)] for edge in edges]) if edges else np.empty(0)
    return round(float(values.max()), 2) if values.size else None
