"""Checks for misplaced directions on an orbit: exchanged directions and wrong angles."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.directivity.ring_interpolation import neighbour_weights, with_floor
from anechain.methods import method

__all__ = ["AngleEstimate", "Swap", "best_angle", "best_swap"]

SEARCH_RANGE, EXCLUDED_MIRROR_RANGE = 40.0, 15.0
"""Degrees around the stated angle that are searched, and around its mirror image that are not."""


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
    at, values = np.asarray(angle, np.float64), with_floor(np.asarray(level, np.float64))
    count = at.size
    matrix = np.zeros((count, count))
    usable = np.zeros(count, dtype=bool)
    for row, own in enumerate(at if count >= 5 else []):
        nodes, weights = neighbour_weights(at, np.array([own]), own)
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
def best_angle(angle: ArrayLike, level: ArrayLike, row: int) -> AngleEstimate:
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
    at, values = np.asarray(angle, np.float64), with_floor(np.asarray(level, np.float64))
    own = float(at[row])
    candidates = own + np.arange(-SEARCH_RANGE, SEARCH_RANGE + 1)
    # Distances on the circle.
    from_own, from_mirrored = (np.abs((candidates - reference + 180) % 360 - 180) for reference in (own, -own))
    targets = np.concatenate([[own], candidates[(from_own > 0) & (from_mirrored > EXCLUDED_MIRROR_RANGE)]])
    # Angles of an orbit are in (-180, 180].
    targets = 180 - (180 - targets) % 360
    nodes, weights = neighbour_weights(at, targets, own)
    expected = np.einsum("tk,tkb->tb", weights, values[nodes])
    # Standard deviation: an error of level that is the same in all bands is not an error of angle.
    misfit = np.std(expected - values[row], axis=1)
    if not np.isfinite(misfit[0]):
        raise ValueError("the response has no neighbours near enough")
    best = int(np.nanargmin(misfit))
    return AngleEstimate(float(targets[best]), float(misfit[0]), float(misfit[best]))
