"""Checks of levels on an orbit: symmetry, steps between neighbours, and directions that both orbits share."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.directivity.ring_interpolation import neighbour_weights, with_floor
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["mirror_differences", "neighbour_differences", "pole_difference"]

MIRROR_FLOOR_DEPTH = 15.0
"""The same for mirrored directions, which are compared without interpolation."""


@method(
    "mirror-differences",
    version=1,
    title="Differences of level between mirrored directions",
    formula="Level at an angle minus level at the negative angle, in each band",
    source="level at an angle minus that at the negative angle, with a floor 15 dB below the greatest level of the "
    "band",
    source_status="common practice, no source",
    limitations="A loudspeaker need not be symmetric: a tweeter next to the middle causes differences.",
)
def mirror_differences(angle: ArrayLike, level: ArrayLike) -> tuple[Floats, Floats]:
    """Return the differences between left and right, or above and below.

    Parameters
    ----------
    angle : array_like, shape (n,)
        Degrees in (-180, 180].
    level : array_like, shape (n, bands)
        dB.

    Returns
    -------
    angle : numpy.ndarray, shape (pairs,)
        Degrees above zero, ascending.
    difference : numpy.ndarray, shape (pairs, bands)
        dB; positive where the level at the positive angle is higher.
    """
    at, values = np.asarray(angle, np.float64), np.asarray(level, np.float64)
    pairs = [
        (float(positive), int(row), int(mirrored[0]))
        for row, positive in enumerate(at)
        if 0 < positive < 180 and (mirrored := np.flatnonzero(np.abs(at + positive) < 1e-6)).size
    ]
    if not pairs:
        return np.zeros(0), np.zeros((0, values.shape[-1]))
    levels = with_floor(values, MIRROR_FLOOR_DEPTH)
    pairs.sort()
    angles = np.array([positive for positive, _, _ in pairs])
    return angles, np.stack([levels[row] - levels[mirrored] for _, row, mirrored in pairs])


def _expected(angle: Floats, level: Floats) -> Floats:
    """Return the level at each angle by interpolation between its neighbours."""
    expected = np.full(level.shape, np.nan)
    for row, own in enumerate(angle):
        nodes, weights = neighbour_weights(angle, np.array([own]), own)
        expected[row] = weights[0] @ level[nodes[0]]
    return expected


@method(
    "neighbour-differences",
    version=1,
    title="Level at each angle compared with interpolation between its neighbours",
    formula="Level minus the third-degree interpolation over angle from two neighbours on either side",
    source="third-degree interpolation over angle from two neighbours on either side, levels in bands; median over the "
    "bands, minus the median of the mirrored direction where both have the same sign",
    source_status="common practice, no source",
    limitations="Neighbours must be at most 30 degrees apart. Levels have a floor 10 dB below the greatest level of "
    "the band. A difference that both mirrored directions have is attributed to the loudspeaker.",
)
def neighbour_differences(angle: ArrayLike, level: ArrayLike) -> tuple[Floats, Floats]:
    """Return the difference of each level from interpolation between its neighbours.

    Parameters
    ----------
    angle : array_like, shape (n,)
        Degrees in (-180, 180].
    level : array_like, shape (n, bands)
        dB.

    Returns
    -------
    median : numpy.ndarray, shape (n,)
        Median of the difference over the bands, dB; NaN where the neighbours are too far away.
    excess : numpy.ndarray, shape (n,)
        The part of the median that the mirrored direction does not have, dB.
    """
    at, values = np.asarray(angle, np.float64), with_floor(np.asarray(level, np.float64))
    if at.size < 5:
        return np.full(at.size, np.nan), np.full(at.size, np.nan)
    median = np.median(values - _expected(at, values), axis=1)
    excess = median.copy()
    for row, own in enumerate(at):
        mirrored = np.flatnonzero(np.abs(at + own) < 1e-6)
        if mirrored.size and mirrored[0] != row and median[row] * median[mirrored[0]] > 0:
            size = max(abs(float(median[row])) - abs(float(median[mirrored[0]])), 0.0)
            excess[row] = math.copysign(size, float(median[row]))
    return median, excess


@method(
    "pole-difference",
    version=1,
    title="Level difference between the two takes of a direction that both orbits share",
    formula="Root mean square over bands of the difference between both takes",
    source="root mean square over the bands within 40 dB of the loudest",
    source_status="common practice, no source",
    limitations="Does not show which of the two takes is wrong.",
)
def pole_difference(first: ArrayLike, second: ArrayLike) -> tuple[float, float]:
    """Return the difference of the levels of two takes.

    Parameters
    ----------
    first, second : array_like, shape (bands,)
        dB.

    Returns
    -------
    rms, mean : float
        Root mean square and mean of the difference in dB; the mean is positive if the first take is louder. NaN if no
        band is usable.
    """
    a, b = np.asarray(first, np.float64), np.asarray(second, np.float64)
    both = np.isfinite(a) & np.isfinite(b)
    if both.any():
        both &= a > a[both].max() - 40
    if not both.any():
        return math.nan, math.nan
    difference = (a - b)[both]
    return float(np.sqrt((difference**2).mean())), float(difference.mean())
