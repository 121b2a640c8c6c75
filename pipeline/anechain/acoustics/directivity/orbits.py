"""Orbits: the step of their angles, neighbours of an angle, and directions that both orbits share."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.directivity.directions import wrap_angle
from anechain.arrays import Floats

__all__ = [
    "MAX_GAP",
    "SAME_ANGLE",
    "Booleans",
    "by_direction",
    "can_interpolate",
    "distinct_directions",
    "neighbours",
    "orbit_neighbours",
    "orbit_step",
    "sorted_orbit",
]

Booleans = NDArray[np.bool_]

SAME_ANGLE = 0.01
"""Degrees within which two directions on an orbit are the same."""

MAX_GAP = 15.0
"""Default of the largest distance in degrees of neighbours between which values are interpolated."""


def sorted_orbit(angles: ArrayLike) -> tuple[Floats, NDArray[np.intp]]:
    """Return wrapped angles in ascending order, and the order. Raises ValueError if a direction occurs twice."""
    wrapped = np.atleast_1d(wrap_angle(angles))
    order = np.argsort(wrapped)
    ascending = wrapped[order]
    if ascending.size > 1:
        gaps = np.append(np.diff(ascending), ascending[0] + 360.0 - ascending[-1])
        twice = gaps < SAME_ANGLE
        if twice.any():
            raise ValueError(f"a direction occurs twice on an orbit: {ascending[twice][0]:g} degrees")
    return ascending, order


def orbit_step(angles: ArrayLike) -> tuple[float | None, str]:
    """Return the regular step of a whole orbit.

    Parameters
    ----------
    angles : array_like
        Degrees, in any order, each direction once.

    Returns
    -------
    step : float or None
        Degrees; None if the angles are not evenly spaced all the way round.
    reason : str
        Why there is no step; empty if there is one.
    """
    ascending, _ = sorted_orbit(angles)
    if ascending.size < 2:
        return None, f"only {ascending.size} direction{'s' * (ascending.size != 1)} on the orbit"
    gaps = np.append(np.diff(ascending), ascending[0] + 360.0 - ascending[-1])
    if np.ptp(gaps) < SAME_ANGLE:
        return 360.0 / ascending.size, ""
    widest = int(np.argmax(gaps))
    return None, (
        f"neighbours are {gaps.min():g}° to {gaps.max():g}° apart, the widest gap from {ascending[widest]:g}° "
        f"to {ascending[(widest + 1) % ascending.size]:g}°"
    )


class OrbitNeighbours(NamedTuple):
    """Neighbours of targets among the measured angles; arrays with one entry per target.

    `below` and `above` are indices, `distance` (from the neighbour below) and `gap` are in degrees.
    """

    below: NDArray[np.intp]
    above: NDArray[np.intp]
    distance: Floats
    gap: Floats
    measured: Booleans

    @property
    def nearest(self) -> NDArray[np.intp]:
        return np.where(self.distance * 2 <= self.gap, self.below, self.above)


def orbit_neighbours(ascending: Floats, targets: Floats) -> OrbitNeighbours:
    """Return the neighbours of each target on a closed orbit."""
    below = (np.searchsorted(ascending, targets, side="right") - 1) % ascending.size
    above = (below + 1) % ascending.size
    distance = np.mod(targets - ascending[below], 360.0)
    gap = np.mod(ascending[above] - ascending[below], 360.0)
    gap[gap == 0] = 360.0  # a single direction is its own neighbour
    measured = (distance < SAME_ANGLE) | (gap - distance < SAME_ANGLE)
    return OrbitNeighbours(below, above, distance, gap, measured)


def neighbours(angles: ArrayLike, targets: ArrayLike) -> tuple[NDArray[np.intp], NDArray[np.intp], Floats]:
    """Return the measured angles on either side of each target on a closed orbit.

    Parameters
    ----------
    angles, targets : array_like
        Degrees on one orbit, in any order; at least one angle.

    Returns
    -------
    below, above : numpy.ndarray of int, one per target
        Indices of the neighbours in `angles`.
    share : numpy.ndarray, one per target
        Position between the neighbours: 0 at the lower one, 1 at the upper one.
    """
    ascending, order = sorted_orbit(angles)
    near = orbit_neighbours(ascending, np.atleast_1d(wrap_angle(targets)))
    return order[near.below], order[near.above], near.distance / near.gap


def can_interpolate(angles: ArrayLike, targets: ArrayLike, max_gap: float = MAX_GAP) -> Booleans:
    """Return whether each target is measured, or between neighbours that are not too far apart.

    Parameters
    ----------
    angles, targets : array_like
        Degrees on one orbit, in any order.
    max_gap : float
        Largest distance of the neighbours in degrees.

    Returns
    -------
    numpy.ndarray of bool, one per target
    """
    ascending, _ = sorted_orbit(angles)
    wanted = np.atleast_1d(wrap_angle(targets))
    if ascending.size == 0:
        return np.zeros(wanted.size, dtype=np.bool_)
    near = orbit_neighbours(ascending, wanted)
    return near.measured | (near.gap <= max_gap + SAME_ANGLE)


def distinct_directions(level: ArrayLike, angles: ArrayLike, mirrored: ArrayLike | None = None) -> NDArray[np.intp]:
    """Number the measured directions of the orbits; a measurement that is on both orbits has one number.

    Parameters
    ----------
    level : array_like, shape (plane, angle, n)
        dB; a direction that is NaN at all frequencies was not measured.
    angles : array_like, shape (angle,)
        Degrees.
    mirrored : array_like of bool, shape (plane, angle), optional
        Directions that were not measured, but mirrored: each has the number of the direction on the other side, and so
        its errors.

    Returns
    -------
    numpy.ndarray of int, shape (plane, angle)
        Numbers from 0; -1 where a direction was not measured. At 0 and 180 degrees, where the orbits meet, equal levels
        are one measurement and different levels are two.
    """
    values, at = np.asarray(level, dtype=np.float64), np.atleast_1d(wrap_angle(angles))
    measured = np.asarray(~np.isnan(values).all(axis=2))
    copies = np.zeros(measured.shape, dtype=np.bool_) if mirrored is None else np.asarray(mirrored, dtype=np.bool_)
    measured &= ~copies
    number = np.full(measured.shape, -1, dtype=np.intp)
    count = 0
    for row, column in np.argwhere(measured):
        shared = min(abs(at[column]), 180.0 - abs(at[column])) < SAME_ANGLE
        same = [
            number[other, column]
            for other in range(row)
            if shared and measured[other, column] and np.array_equal(values[other, column], values[row, column], True)
        ]
        number[row, column] = same[0] if same else count
        count += not same
    for row, column in np.argwhere(copies):
        opposite = np.flatnonzero(measured[row] & (np.abs(wrap_angle(at + at[column])) < SAME_ANGLE))
        number[row, column] = number[row, opposite[0]]
    return number


def by_direction(values: ArrayLike, place: ArrayLike) -> Floats:
    """Return the values of distinct directions from values on the orbits.

    Parameters
    ----------
    values : array_like, shape (plane, angle, ...)
    place : array_like of int, shape (plane, angle)
        Number of each direction, see :func:`distinct_directions`.

    Returns
    -------
    numpy.ndarray, shape (directions, ...)
        By number of the direction.
    """
    array, numbers = np.asarray(values, dtype=np.float64), np.asarray(place, dtype=np.intp)
    _, first = np.unique(numbers[numbers >= 0], return_index=True)
    return np.asarray(array[numbers >= 0][first])
