"""Checks of the levels round an orbit: mirrored, neighbouring, exchanged and mislabelled directions, shared directions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "AngleEstimate",
    "Swap",
    "best_swap",
    "likely_angle",
    "mirror_differences",
    "neighbour_differences",
    "pole_difference",
]

Indices = NDArray[np.intp]

WIDEST = 30.0
"""Degrees between neighbours that say something of each other; common practice, no source."""
DEPTH = 10.0
"""dB under a band's greatest level to which deeper levels are filled up: nulls are too sharp for 10-degree steps, and a
dipole's, or a small error of angle there, would outweigh all else; common practice, no source."""
MIRROR_DEPTH = 15.0
"""The same where mirrored directions are compared, which no interpolation stands between."""
REACH, MIRROR = 40.0, 15.0
"""Degrees about a label within which a better angle is looked for, and about its mirror image where it is not."""


def _floored(level: Floats, depth: float = DEPTH) -> Floats:
    """Levels with what lies so far under each band's greatest filled up: nulls do not count by their depth."""
    floor = np.nanmax(level, axis=0, keepdims=True) - depth
    return np.asarray(10 * np.log10(10 ** (level / 10) + 10 ** (floor / 10)))


@method(
    "mirror-differences",
    version=1,
    title="Differences of level between mirrored directions",
    formula="Level at an angle less level at its negative, band by band",
    source="level at an angle less that at its negative, levels 15 dB under the band's greatest filled up",
    source_status="common practice, no source",
    limitations="A loudspeaker need not be symmetric: a tweeter beside the middle makes differences of its own.",
)
def mirror_differences(angle: ArrayLike, level: ArrayLike) -> tuple[Floats, Floats]:
    """Differences between left and right, or above and below.

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
        dB; above zero where the positive angle is louder.
    """
    at, values = np.asarray(angle, np.float64), np.asarray(level, np.float64)
    pairs = [
        (float(one), int(row), int(other[0]))
        for row, one in enumerate(at)
        if 0 < one < 180 and (other := np.flatnonzero(np.abs(at + one) < 1e-6)).size
    ]
    if not pairs:
        return np.zeros(0), np.zeros((0, values.shape[-1]))
    floored = _floored(values, MIRROR_DEPTH)
    pairs.sort()
    return np.array([one for one, _, _ in pairs]), np.stack([floored[row] - floored[other] for _, row, other in pairs])


def _ring(angle: Floats, targets: Floats, own: float | None = None) -> tuple[Indices, Floats]:
    """Four nodes about each target, two on either side, and Lagrange's weights; NaN where a gap is too wide.

    `own` is an angle that is left out: the gap about it may be twice as wide.
    """
    order = np.argsort(angle)
    ascending = angle[order]
    if own is not None:
        chosen = np.abs(ascending - own) > 1e-6
        order, ascending = order[chosen], ascending[chosen]
    # Three turns, so that every target has two nodes on either side.
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
    allowed = np.where(np.arange(3) == 1, 2.0 if own is not None else 1.0, 1.0) * WIDEST + 1e-6
    # At the end of an open orbit, or beside a gap, the two nearest alone; none across a gap.
    two = (gaps[:, 0] > allowed[0]) | (gaps[:, 2] > allowed[2])
    share = (targets - x[:, 1]) / gaps[:, 1]
    zero = np.zeros(targets.size)
    weights[two] = np.stack([zero, 1 - share, share, zero], axis=1)[two]
    weights[gaps[:, 1] > allowed[1]] = np.nan
    return np.asarray(order[inside % order.size]), weights


def _expected(angle: Floats, level: Floats) -> Floats:
    """Level at each angle as its neighbours let one expect it."""
    found = np.full(level.shape, np.nan)
    for row, own in enumerate(angle):
        nodes, weights = _ring(angle, np.array([own]), own)
        found[row] = weights[0] @ level[nodes[0]]
    return found


@method(
    "neighbour-differences",
    version=1,
    title="Level at each angle against what its neighbours let one expect",
    formula="Level less the third-degree interpolation over angle from two neighbours on either side",
    source="third-degree interpolation over angle from two neighbours on either side, levels in bands; median over the "
    "bands, less what the mirrored direction has of it",
    source_status="common practice, no source",
    limitations="Neighbours at most 30 degrees apart. Levels 10 dB under a band's greatest are filled up. What both "
    "mirrored directions show is taken for the loudspeaker's own.",
)
def neighbour_differences(angle: ArrayLike, level: ArrayLike) -> tuple[Floats, Floats]:
    """Differences from the neighbours.

    Parameters
    ----------
    angle : array_like, shape (n,)
        Degrees in (-180, 180].
    level : array_like, shape (n, bands)
        dB.

    Returns
    -------
    median, excess : numpy.ndarray, shape (n,)
        dB over the bands, and what of it the mirrored direction does not have; NaN where there are no neighbours near
        enough.
    """
    at, values = np.asarray(angle, np.float64), _floored(np.asarray(level, np.float64))
    if at.size < 5:
        return np.full(at.size, np.nan), np.full(at.size, np.nan)
    median = np.median(values - _expected(at, values), axis=1)
    excess = median.copy()
    for row, own in enumerate(at):
        other = np.flatnonzero(np.abs(at + own) < 1e-6)
        if other.size and other[0] != row and median[row] * median[other[0]] > 0:
            left = max(abs(float(median[row])) - abs(float(median[other[0]])), 0.0)
            excess[row] = math.copysign(left, float(median[row]))
    return median, excess


@dataclass(frozen=True)
class Swap:
    """The two directions whose exchange makes an orbit smoothest.

    Attributes
    ----------
    first, second : int
        Their rows.
    before, after : float
        Mean squared difference from the neighbours, dB squared, as it is and with the two exchanged.
    """

    first: int
    second: int
    before: float
    after: float


@method(
    "swapped-directions",
    version=1,
    title="Pair of directions whose exchange makes an orbit smoothest",
    formula="The exchange of two directions that lowers the mean squared difference from neighbours most",
    source="mean squared difference of all directions from their neighbours, with each pair exchanged in turn",
    source_status="common practice, no source",
    limitations="Directions that sound alike, such as mirrored ones of a symmetric loudspeaker, can be exchanged "
    "unseen. Levels 10 dB under a band's greatest are filled up.",
)
def best_swap(angle: ArrayLike, level: ArrayLike) -> Swap:
    """Find the pair.

    Parameters
    ----------
    angle : array_like, shape (n,)
        Degrees in (-180, 180].
    level : array_like, shape (n, bands)
        dB.

    Raises
    ------
    ValueError
        If fewer than seven directions have neighbours near enough.
    """
    at, values = np.asarray(angle, np.float64), _floored(np.asarray(level, np.float64))
    count = at.size
    matrix = np.zeros((count, count))
    told = np.zeros(count, dtype=bool)
    for row, own in enumerate(at if count >= 5 else []):
        nodes, weights = _ring(at, np.array([own]), own)
        told[row] = np.isfinite(weights).all()
        np.add.at(matrix[row], nodes[0], np.nan_to_num(weights[0]))
    if told.sum() < 7:
        raise ValueError("too few directions with neighbours near enough")
    # Differences are linear in the levels: D = A L, and an exchange of i and j adds (A_j - A_i) (L_i - L_j).
    operator = (np.eye(count) - matrix)[told]
    differences = operator @ values
    before = float((differences**2).sum())
    inner = operator.T @ differences
    gram = operator.T @ operator
    best = (math.inf, 0, 0)
    for i in range(count):
        for j in range(i + 1, count):
            step = values[i] - values[j]
            column = float(gram[i, i] + gram[j, j] - 2 * gram[i, j])
            change = 2 * float((inner[j] - inner[i]) @ step) + column * float(step @ step)
            best = min(best, (before + change, i, j))
    size = differences.size
    return Swap(best[1], best[2], before / size, max(best[0], 0.0) / size)


@dataclass(frozen=True)
class AngleEstimate:
    """Where on the orbit a response fits best.

    Attributes
    ----------
    angle : float
        Degrees.
    here, there : float
        Standard deviation over bands, dB, of the difference from the other directions' interpolation at its own angle
        and at that one.
    """

    angle: float
    here: float
    there: float


@method(
    "likely-angle",
    version=1,
    title="Angle at which a response fits best between all the others",
    formula="Angle at which the response deviates least from what the others give by interpolation",
    source="least standard deviation, over bands, of the difference from third-degree interpolation of the others over "
    "angle",
    source_status="common practice, no source",
    limitations="In steps of one degree, up to 40 degrees from the label; not about its mirror image, where a "
    "symmetric loudspeaker sounds alike; one that aims beside the reference axis has its mirror images elsewhere. "
    "Levels 10 dB under a band's greatest are filled up.",
)
def likely_angle(angle: ArrayLike, level: ArrayLike, row: int) -> AngleEstimate:
    """Find the angle of one response.

    Parameters
    ----------
    angle : array_like, shape (n,)
        Degrees in (-180, 180].
    level : array_like, shape (n, bands)
        dB.
    row : int
        Which one.

    Raises
    ------
    ValueError
        If it has no neighbours near enough.
    """
    at, values = np.asarray(angle, np.float64), _floored(np.asarray(level, np.float64))
    own = float(at[row])
    others = own + np.arange(-REACH, REACH + 1)
    # Distances on the circle.
    turned, mirrored = (np.abs((others - one + 180) % 360 - 180) for one in (own, -own))
    targets = np.concatenate([[own], others[(turned > 0) & (mirrored > MIRROR)]])
    # The ring runs from -180 to 180.
    targets = 180 - (180 - targets) % 360
    nodes, weights = _ring(at, targets, own)
    expected = np.einsum("tk,tkb->tb", weights, values[nodes])
    # A level that is wrong as a whole is no wrong angle.
    apart = np.std(expected - values[row], axis=1)
    if not np.isfinite(apart[0]):
        raise ValueError("it has no neighbours near enough")
    best = int(np.nanargmin(apart))
    return AngleEstimate(float(targets[best]), float(apart[0]), float(apart[best]))


@method(
    "pole-difference",
    version=1,
    title="Difference of level between the two takes of a direction that both orbits share",
    formula="Root mean square over bands of the difference between both takes",
    source="root mean square over bands, of those within 40 dB of the loudest",
    source_status="common practice, no source",
    limitations="Says that they differ, not which of them is wrong.",
)
def pole_difference(first: ArrayLike, second: ArrayLike) -> tuple[float, float]:
    """Difference of two levels.

    Parameters
    ----------
    first, second : array_like, shape (bands,)
        dB.

    Returns
    -------
    rms, mean : float
        dB; the mean is above zero where the first is louder. NaN if there is no band.
    """
    a, b = np.asarray(first, np.float64), np.asarray(second, np.float64)
    both = np.isfinite(a) & np.isfinite(b)
    if both.any():
        both &= a > a[both].max() - 40
    if not both.any():
        return math.nan, math.nan
    difference = (a - b)[both]
    return float(np.sqrt((difference**2).mean())), float(difference.mean())
