"""Checks of levels round an orbit: symmetry, steps, exchanged files, wrong angles, shared directions."""

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
"""Largest distance in degrees of neighbours that are used for interpolation; common practice, no source."""
DEPTH = 10.0
"""dB below the greatest level of a band: floor of the levels. Nulls are too sharp for steps of 10 degrees; the
null of a dipole, or a small error of angle next to it, would dominate. Common practice, no source."""
MIRROR_DEPTH = 15.0
"""The same for mirrored directions, which are compared without interpolation."""
REACH, MIRROR = 40.0, 15.0
"""Degrees around the stated angle that are searched for a better one, and around its mirror image that are not."""


def _with_floor(level: Floats, depth: float = DEPTH) -> Floats:
    """Add a floor in squared pressure, `depth` dB below the greatest level of each band: nulls have no weight."""
    floor = np.nanmax(level, axis=0, keepdims=True) - depth
    return np.asarray(10 * np.log10(10 ** (level / 10) + 10 ** (floor / 10)))


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
    levels = _with_floor(values, MIRROR_DEPTH)
    pairs.sort()
    angles = np.array([positive for positive, _, _ in pairs])
    return angles, np.stack([levels[row] - levels[mirrored] for _, row, mirrored in pairs])


def _ring_weights(angle: Floats, targets: Floats, own: float | None = None) -> tuple[Indices, Floats]:
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
    allowed = np.where(np.arange(3) == 1, 2.0 if own is not None else 1.0, 1.0) * WIDEST + 1e-6
    # At the end of a partial orbit or next to a gap: linear between the nearest two. No interpolation across a gap.
    two = (gaps[:, 0] > allowed[0]) | (gaps[:, 2] > allowed[2])
    share = (targets - x[:, 1]) / gaps[:, 1]
    zero = np.zeros(targets.size)
    weights[two] = np.stack([zero, 1 - share, share, zero], axis=1)[two]
    weights[gaps[:, 1] > allowed[1]] = np.nan
    return np.asarray(order[inside % order.size]), weights


def _expected(angle: Floats, level: Floats) -> Floats:
    """Return the level at each angle by interpolation between its neighbours."""
    expected = np.full(level.shape, np.nan)
    for row, own in enumerate(angle):
        nodes, weights = _ring_weights(angle, np.array([own]), own)
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
    at, values = np.asarray(angle, np.float64), _with_floor(np.asarray(level, np.float64))
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


@dataclass(frozen=True)
class Swap:
    """The two directions whose exchange makes an orbit smoothest.

    Attributes
    ----------
    first, second : int
        Indices of the two directions.
    before, after : float
        Mean squared difference from the neighbours in dB squared, as measured and with the two exchanged.
    """

    first: int
    second: int
    before: float
    after: float


@method(
    "swapped-directions",
    version=1,
    title="Pair of directions whose exchange makes an orbit smoothest",
    formula="The exchange of two directions that reduces the mean squared difference from neighbours most",
    source="mean squared difference of all directions from their neighbours, with each pair exchanged in turn",
    source_status="common practice, no source",
    limitations="An exchange of directions with equal levels, such as mirrored ones of a symmetric loudspeaker, is not "
    "detected. Levels have a floor 10 dB below the greatest level of the band.",
)
def best_swap(angle: ArrayLike, level: ArrayLike) -> Swap:
    """Find the two directions whose exchange makes an orbit smoothest.

    Parameters
    ----------
    angle : array_like, shape (n,)
        Degrees in (-180, 180].
    level : array_like, shape (n, bands)
        dB.

    Returns
    -------
    Swap

    Raises
    ------
    ValueError
        If fewer than seven directions have neighbours near enough.
    """
    at, values = np.asarray(angle, np.float64), _with_floor(np.asarray(level, np.float64))
    count = at.size
    matrix = np.zeros((count, count))
    usable = np.zeros(count, dtype=bool)
    for row, own in enumerate(at if count >= 5 else []):
        nodes, weights = _ring_weights(at, np.array([own]), own)
        usable[row] = np.isfinite(weights).all()
        np.add.at(matrix[row], nodes[0], np.nan_to_num(weights[0]))
    if usable.sum() < 7:
        raise ValueError("too few directions with neighbours near enough")
    # Differences are linear in the levels: D = A L. An exchange of i and j adds (A_j - A_i) (L_i - L_j).
    operator = (np.eye(count) - matrix)[usable]
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
    """Angle of the orbit at which a response fits best.

    Attributes
    ----------
    angle : float
        Degrees.
    here, there : float
        Standard deviation over bands, in dB, of the difference from interpolation between the other directions: at the
        stated angle, and at the angle with the best fit.
    """

    angle: float
    here: float
    there: float


@method(
    "likely-angle",
    version=1,
    title="Angle at which a response fits best between the other responses",
    formula="Angle at which the response differs least from interpolation between the other responses",
    source="smallest standard deviation, over bands, of the difference from third-degree interpolation over angle of "
    "the other responses",
    source_status="common practice, no source",
    limitations="Steps of one degree, up to 40 degrees from the stated angle, but not around its mirror image, where "
    "the level of a symmetric loudspeaker is the same. The mirror images of a loudspeaker with another axis of "
    "symmetry are elsewhere. Levels have a floor 10 dB below the greatest level of the band.",
)
def likely_angle(angle: ArrayLike, level: ArrayLike, row: int) -> AngleEstimate:
    """Find the angle at which one response fits best.

    Parameters
    ----------
    angle : array_like, shape (n,)
        Degrees in (-180, 180].
    level : array_like, shape (n, bands)
        dB.
    row : int
        Index of the response.

    Returns
    -------
    AngleEstimate

    Raises
    ------
    ValueError
        If the response has no neighbours near enough.
    """
    at, values = np.asarray(angle, np.float64), _with_floor(np.asarray(level, np.float64))
    own = float(at[row])
    candidates = own + np.arange(-REACH, REACH + 1)
    # Distances on the circle.
    from_own, from_mirrored = (np.abs((candidates - reference + 180) % 360 - 180) for reference in (own, -own))
    targets = np.concatenate([[own], candidates[(from_own > 0) & (from_mirrored > MIRROR)]])
    # Angles of an orbit are in (-180, 180].
    targets = 180 - (180 - targets) % 360
    nodes, weights = _ring_weights(at, targets, own)
    expected = np.einsum("tk,tkb->tb", weights, values[nodes])
    # Standard deviation: an error of level that is the same in all bands is not an error of angle.
    misfit = np.std(expected - values[row], axis=1)
    if not np.isfinite(misfit[0]):
        raise ValueError("the response has no neighbours near enough")
    best = int(np.nanargmin(misfit))
    return AngleEstimate(float(targets[best]), float(misfit[0]), float(misfit[best]))


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
