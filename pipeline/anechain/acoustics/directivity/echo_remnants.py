"""Peaks and dips that may be what is left of an echo, though each has the shape of a resonance.

The ripple of an echo has equal distances in Hz. Where it is subtracted incompletely, or where it is too weak to be
found as an echo, each of its peaks alone looks like a narrow resonance that all directions have.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from anechain.acoustics.curve.peak_shapes import PeakOrDip
from anechain.acoustics.directivity.echoes import Echo

__all__ = ["echo_remnants"]

MIN_SHARE, MAX_SHARE = 0.3, 1.3
"""Bandwidth of a ripple's peak, as the poles of a resonance have it, re the distance of the peaks in Hz."""

MAX_UNEVEN = 0.08
"""Largest difference of two distances in Hz, as a share of their mean, in a row of peaks."""

MIN_ROW = 3
"""Fewest peaks, or dips, in a row."""


def echo_remnants(features: Sequence[PeakOrDip | None], echoes: Sequence[Echo]) -> set[int]:
    """Return the rows of peaks and dips that may be of an echo.

    Parameters
    ----------
    features : sequence of PeakOrDip or None
        Those taken for resonances; None for others.
    echoes : sequence of Echo
        Those that were found and subtracted.

    Returns
    -------
    set of int
        Those as wide as the ripple of an echo that was found and not higher; and rows of three peaks or three dips at
        equal distances in Hz, as wide as a ripple of this distance.
    """
    rows = {row: feature for row, feature in enumerate(features) if feature is not None}
    found = {
        row
        for row, feature in rows.items()
        for echo in echoes
        if abs(feature.height_db) <= echo.ripple_db and _is_as_wide(feature, echo.spacing_hz)
    }
    for sign in (1.0, -1.0):
        same = [row for row, feature in rows.items() if sign * feature.height_db > 0]
        hertz = np.array([rows[row].centre_hz for row in same])
        for first in range(len(same)):
            for second in range(first + 1, len(same)):
                distance = float(hertz[second] - hertz[first])
                steps = (hertz - hertz[first]) / distance
                in_row = np.abs(steps - np.round(steps)) <= MAX_UNEVEN
                in_row &= [_is_as_wide(rows[row], distance) for row in same]
                if np.unique(np.round(steps[in_row])).size >= MIN_ROW and in_row[first] and in_row[second]:
                    found |= {row for row, inside in zip(same, in_row, strict=True) if inside}
    return found


def _is_as_wide(feature: PeakOrDip, spacing_hz: float) -> bool:
    return MIN_SHARE <= feature.centre_hz / feature.pole_q / spacing_hz <= MAX_SHARE
