"""Levels of a direction from its neighbours on an orbit, for checks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from anechain.arrays import Floats

__all__ = ["neighbour_weights", "with_floor"]

Indices = NDArray[np.intp]

MAX_NEIGHBOUR_DISTANCE = 30.0
"""Largest distance in degrees of neighbours that are used for interpolation; common practice, no source."""

FLOOR_DEPTH = 10.0
"""dB below the greatest level of a band: floor of the levels. Nulls are too sharp for steps of 10 degrees; the
null of a dipole, or a small error of angle next to it, would dominate. Common practice, no source."""


def with_floor(level: Floats, depth: float = FLOOR_DEPTH) -> Floats:
    """Add a floor in squared pressure, `depth` dB below the greatest level of each band: nulls have no weight."""
    floor = np.nanmax(level, axis=0, keepdims=True) - depth
    return np.asarray(10 * np.log10(10 ** (level / 10) + 10 ** (floor / 10)))


def neighbour_weights(angle: Floats, targets: Floats, own: float | None = None) -> tuple[Indices, Floats]:
    """Return four neighbours of each target, two on either side, and their weights by Lagrange's interpolation.

    Weights are NaN where a gap is too wide. The angle `own` is left out; the gap around it may be twice as wide.
    """
    order = np.argsort(angle)
    ascending = angle[order]
    if own is not None:
        others = np.abs(ascending - own) > 1e-6
        order, ascending = order[others], ascending[others]
    # Repeat the orbit three times, so that every target has two neighbours on either side.
    turns = np.concatenate([ascending - 360, ascending, ascending + 360])
    after = np.searchsorted(turns, targets, side="left")
    nodes = after[:, np.newaxis] + np.arange(-2, 2)
    inside = np.clip(nodes, 0, turns.size - 1)
    x = turns[inside]
    weights = np.ones(x.shape)
    for i in range(4):
        for j in range(4):
            if i != j:
                weights[:, i] *= (targets - x[:, j]) / (x[:, i] - x[:, j])
    gaps = np.diff(x, axis=1)
    allowed = np.where(np.arange(3) == 1, 2.0 if own is not None else 1.0, 1.0) * MAX_NEIGHBOUR_DISTANCE + 1e-6
    # At the end of a partial orbit or next to a gap: linear between the nearest two. No interpolation across a gap.
    two = (gaps[:, 0] > allowed[0]) | (gaps[:, 2] > allowed[2])
    share = (targets - x[:, 1]) / gaps[:, 1]
    zero = np.zeros(targets.size)
    weights[two] = np.stack([zero, 1 - share, share, zero], axis=1)[two]
    weights[gaps[:, 1] > allowed[1]] = np.nan
    return np.asarray(order[inside % order.size]), weights
