"""Orbits: the step of their angles, interpolation between angles, and directions that both orbits share."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.acoustics.directivity.directions import wrap_angle
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "FilledOrbits",
    "OrbitInterpolation",
    "by_direction",
    "distinct_directions",
    "fill_orbits",
    "interpolate_orbit",
    "neighbours",
    "orbit_step",
    "reachable",
]

Booleans = NDArray[np.bool_]

SAME_ANGLE = 0.01
"""Degrees within which two directions on an orbit are the same."""

WIDEST_GAP = 15.0
"""Default of the largest distance in degrees of neighbours between which values are interpolated."""


class OrbitInterpolation(NamedTuple):
    """Levels at the requested angles.

    Attributes
    ----------
    level : numpy.ndarray, shape (targets, frequencies)
        dB.
    interpolated : numpy.ndarray of bool, shape (targets,)
        True where the level was interpolated, False where it was measured.
    """

    level: Floats
    interpolated: Booleans


def _sorted_orbit(angles: ArrayLike) -> tuple[Floats, NDArray[np.intp]]:
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
    ascending, _ = _sorted_orbit(angles)
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


class _Neighbours(NamedTuple):
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


def _neighbours_of(ascending: Floats, targets: Floats) -> _Neighbours:
    """Return the neighbours of each target on a closed orbit."""
    below = (np.searchsorted(ascending, targets, side="right") - 1) % ascending.size
    above = (below + 1) % ascending.size
    distance = np.mod(targets - ascending[below], 360.0)
    gap = np.mod(ascending[above] - ascending[below], 360.0)
    gap[gap == 0] = 360.0  # a single direction is its own neighbour
    measured = (distance < SAME_ANGLE) | (gap - distance < SAME_ANGLE)
    return _Neighbours(below, above, distance, gap, measured)


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
    ascending, order = _sorted_orbit(angles)
    near = _neighbours_of(ascending, np.atleast_1d(wrap_angle(targets)))
    return order[near.below], order[near.above], near.distance / near.gap


def reachable(angles: ArrayLike, targets: ArrayLike, max_gap: float = WIDEST_GAP) -> Booleans:
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
    ascending, _ = _sorted_orbit(angles)
    wanted = np.atleast_1d(wrap_angle(targets))
    if ascending.size == 0:
        return np.zeros(wanted.size, dtype=np.bool_)
    near = _neighbours_of(ascending, wanted)
    return near.measured | (near.gap <= max_gap + SAME_ANGLE)


def _node_slopes(angle: Floats, power: Floats) -> Floats:
    """Return the slopes at the nodes of a closed orbit: weighted harmonic mean of the two secants, 0 at an extreme."""
    gap = np.diff(angle, append=angle[0] + 360.0)[:, np.newaxis]
    secant = (np.roll(power, -1, axis=0) - power) / gap
    gap_below, secant_below = np.roll(gap, 1, axis=0), np.roll(secant, 1, axis=0)
    w_below, w_above = 2 * gap + gap_below, gap + 2 * gap_below
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (w_below + w_above) / (w_below / secant_below + w_above / secant)
    extreme = np.sign(secant) * np.sign(secant_below) <= 0
    return np.asarray(np.where(extreme, 0.0, slope))


@method(
    "orbit-interpolation",
    version=1,
    title="Level between the measured angles of an orbit",
    formula="Squared pressure on a cubic between the neighbours, with the weighted harmonic means of the secants as "
    "slopes",
    source="Fritsch and Butland 1984, SIAM J. Sci. Stat. Comput. 5, 300-304 (monotone cubic), of squared pressure",
    source_status="common practice, no source",
    limitations="A lobe or null between two measured angles is not included. From 15 degree steps a null of a piston "
    "of ka = 5 at 50 degrees becomes about -23 dB.",
)
def interpolate_orbit(
    angles: ArrayLike, level: ArrayLike, targets: ArrayLike, max_gap: float = WIDEST_GAP
) -> OrbitInterpolation:
    """Return levels at other angles of an orbit.

    Squared pressure is interpolated over angle, all the way round, by a monotone cubic (Fritsch and Butland).

    Parameters
    ----------
    angles : array_like, shape (angles,)
        Degrees, in any order, each direction once.
    level : array_like, shape (angles, frequencies)
        dB. A direction that is NaN at all frequencies was not measured.
    targets : array_like, shape (targets,)
        Degrees.
    max_gap : float
        Largest distance in degrees of neighbours between which levels are interpolated.

    Returns
    -------
    OrbitInterpolation
        A target within a hundredth of a degree of a measured angle has exactly the measured level. NaN at a frequency
        where one of the two neighbours is NaN.

    Raises
    ------
    ValueError
        If a target is in a wider gap (see :func:`reachable`; the message has all of them), the shapes disagree, or a
        direction occurs twice.

    Notes
    -----
    Squared pressure is used because the curves are averages of it, and because it is finite in a null, where the level
    is minus infinity. Between two angles the cubic stays in the range of the two values. Levels of a baffled piston
    (2 J1(x)/x, x = ka sin) at steps of 15 degrees, interpolated to steps of 10 degrees, differ from the exact levels by
    (maximum over the front 180 degrees, mean over 0 to 30 degrees)

    ====  ======================  =====================  ====================
    ka    linear in dB            linear in p squared    this method
    ====  ======================  =====================  ====================
    1     0.02 dB, -0.008 dB      0.02 dB, -0.008 dB     0.01 dB, -0.000 dB
    2     0.08 dB, -0.034 dB      0.08 dB, -0.029 dB     0.03 dB, -0.002 dB
    3     0.25 dB, -0.085 dB      0.35 dB, -0.057 dB     0.10 dB, -0.004 dB
    ====  ======================  =====================  ====================

    Splines that are not monotone are more accurate where the directivity is smooth, but overshoot to negative squared
    pressure next to a null.
    """
    array = np.asarray(level, dtype=np.float64)
    degrees = np.atleast_1d(np.asarray(angles, dtype=np.float64))
    if array.ndim != 2 or array.shape[0] != degrees.size:
        raise ValueError(f"{degrees.size} angles for levels of shape {array.shape}")
    measured_rows = ~np.isnan(array).all(axis=1)
    ascending, order = _sorted_orbit(degrees[measured_rows])
    measured_level = array[measured_rows][order]
    wanted = np.atleast_1d(wrap_angle(targets))
    if ascending.size == 0:
        raise ValueError("no direction of this orbit is measured")
    near = _neighbours_of(ascending, wanted)
    too_wide = [
        f"{wanted[row]:g}° between {ascending[near.below[row]]:g}° and {ascending[near.above[row]]:g}°"
        for row in np.flatnonzero(~near.measured & (near.gap > max_gap + SAME_ANGLE))
    ]
    if too_wide:
        raise ValueError(f"neighbours are more than {max_gap:g}° apart for {', '.join(too_wide)}")

    result = measured_level[near.nearest]
    between = ~near.measured
    if between.any():
        power = power_of_level(measured_level)
        slope = _node_slopes(ascending, power)
        low, high = near.below[between], near.above[between]
        width = near.gap[between, np.newaxis]
        t = near.distance[between, np.newaxis] / width
        cubic = (
            (1 + 2 * t) * (1 - t) ** 2 * power[low]
            + t**2 * (3 - 2 * t) * power[high]
            + width * (t * (1 - t) ** 2 * slope[low] - t**2 * (1 - t) * slope[high])
        )
        result[between] = level_of_power(cubic)
    return OrbitInterpolation(result, between)


class FilledOrbits(NamedTuple):
    """Orbits with the directions between the measured ones.

    Attributes
    ----------
    level : numpy.ndarray, shape (plane, angle, n)
        dB; NaN where the direction was neither measured nor interpolated.
    angles : numpy.ndarray, shape (angle,)
        Degrees: the measured angles, and those at the regular step.
    interpolated : list of numpy.ndarray
        By plane: angles in degrees that were interpolated.
    """

    level: Floats
    angles: Floats
    interpolated: list[Floats]


def fill_orbits(level: ArrayLike, angles: ArrayLike, step: float = 10.0) -> FilledOrbits:
    """Interpolate the directions at a regular step where possible, see :func:`interpolate_orbit`.

    Parameters
    ----------
    level : array_like, shape (plane, angle, n)
        dB; a direction that is NaN at all frequencies was not measured.
    angles : array_like, shape (angle,)
        Degrees.
    step : float
        Step in degrees.

    Returns
    -------
    FilledOrbits
    """
    values, at = np.asarray(level, dtype=np.float64), np.asarray(angles, dtype=np.float64)
    wanted = np.union1d(at, np.arange(-180.0 + step, 181.0, step))
    filled = np.full((values.shape[0], wanted.size, values.shape[-1]), np.nan)
    interpolated = []
    for row, orbit in enumerate(values):
        measured = at[~np.isnan(orbit).all(axis=-1)]
        possible = wanted[reachable(measured, wanted)] if measured.size else wanted[:0]
        interpolated.append(possible[:0])
        if possible.size:
            result = interpolate_orbit(at, orbit, possible)
            filled[row, np.isin(wanted, possible)] = result.level
            interpolated[row] = possible[result.interpolated]
    return FilledOrbits(filled, wanted, interpolated)


def distinct_directions(level: ArrayLike, angles: ArrayLike) -> NDArray[np.intp]:
    """Number the measured directions of the orbits; a measurement that is on both orbits has one number.

    Parameters
    ----------
    level : array_like, shape (plane, angle, n)
        dB; a direction that is NaN at all frequencies was not measured.
    angles : array_like, shape (angle,)
        Degrees.

    Returns
    -------
    numpy.ndarray of int, shape (plane, angle)
        Numbers from 0; -1 where a direction was not measured. At 0 and 180 degrees, where the orbits meet, equal levels
        are one measurement and different levels are two.
    """
    values, at = np.asarray(level, dtype=np.float64), np.atleast_1d(wrap_angle(angles))
    measured = np.asarray(~np.isnan(values).all(axis=2))
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
