"""The angles of one orbit: how regular they are, and values between them."""

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
"""Degrees between neighbours across which values are interpolated unless told otherwise."""


class OrbitInterpolation(NamedTuple):
    """Levels at the asked angles.

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
    """Wrapped angles in ascending order, and the order; refuses one direction given twice."""
    wrapped = np.atleast_1d(wrap_angle(angles))
    order = np.argsort(wrapped)
    ascending = wrapped[order]
    if ascending.size > 1:
        gaps = np.append(np.diff(ascending), ascending[0] + 360.0 - ascending[-1])
        twice = gaps < SAME_ANGLE
        if twice.any():
            raise ValueError(f"one direction is given twice on an orbit: {ascending[twice][0]:g} degrees")
    return ascending, order


def orbit_step(angles: ArrayLike) -> tuple[float | None, str]:
    """Regular step of a whole orbit.

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


class _Places(NamedTuple):
    """Where targets lie among the measured angles; arrays with one entry per target."""

    below: NDArray[np.intp]
    above: NDArray[np.intp]
    distance: Floats
    gap: Floats
    measured: Booleans

    @property
    def nearest(self) -> NDArray[np.intp]:
        return np.where(self.distance * 2 <= self.gap, self.below, self.above)


def _places(ascending: Floats, targets: Floats) -> _Places:
    """Neighbours of each target on a closed orbit, the gap between them, the distance from the lower one."""
    below = (np.searchsorted(ascending, targets, side="right") - 1) % ascending.size
    above = (below + 1) % ascending.size
    distance = np.mod(targets - ascending[below], 360.0)
    gap = np.mod(ascending[above] - ascending[below], 360.0)
    gap[gap == 0] = 360.0  # a single direction is its own neighbour all the way round
    measured = (distance < SAME_ANGLE) | (gap - distance < SAME_ANGLE)
    return _Places(below, above, distance, gap, measured)


def neighbours(angles: ArrayLike, targets: ArrayLike) -> tuple[NDArray[np.intp], NDArray[np.intp], Floats]:
    """Measured angles on either side of each target on a closed orbit, and how far it lies between them.

    Parameters
    ----------
    angles, targets : array_like
        Degrees on one orbit, in any order; at least one angle.

    Returns
    -------
    below, above : numpy.ndarray of int, one per target
        Which of the angles.
    share : numpy.ndarray, one per target
        0 at the lower neighbour, 1 at the upper one.
    """
    ascending, order = _sorted_orbit(angles)
    places = _places(ascending, np.atleast_1d(wrap_angle(targets)))
    return order[places.below], order[places.above], places.distance / places.gap


def reachable(angles: ArrayLike, targets: ArrayLike, max_gap: float = WIDEST_GAP) -> Booleans:
    """Whether each target is measured or lies between neighbours no further apart than `max_gap` degrees.

    Parameters
    ----------
    angles, targets : array_like
        Degrees on one orbit, in any order.
    max_gap : float
        Degrees.

    Returns
    -------
    numpy.ndarray of bool, one per target
    """
    ascending, _ = _sorted_orbit(angles)
    wanted = np.atleast_1d(wrap_angle(targets))
    if ascending.size == 0:
        return np.zeros(wanted.size, dtype=np.bool_)
    places = _places(ascending, wanted)
    return places.measured | (places.gap <= max_gap + SAME_ANGLE)


def _node_slopes(angle: Floats, power: Floats) -> Floats:
    """Slopes at the nodes of a closed orbit: the weighted harmonic mean of the two secants, 0 at an extreme."""
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
    formula="Squared pressure at an angle, on a cubic between the neighbours whose slopes are the weighted harmonic "
    "means of the secants",
    source="Fritsch and Butland 1984, SIAM J. Sci. Stat. Comput. 5, 300-304 (monotone cubic), of squared pressure",
    source_status="common practice, no source",
    limitations="A lobe or null that lies between two measured angles is lost. From 15 degree steps a null of a piston "
    "of ka = 5 at 50 degrees comes out near -23 dB.",
)
def interpolate_orbit(
    angles: ArrayLike, level: ArrayLike, targets: ArrayLike, max_gap: float = WIDEST_GAP
) -> OrbitInterpolation:
    """Levels at other angles of an orbit.

    Squared pressure is interpolated over angle, all the way round, by a monotone cubic (Fritsch and Butland).

    Parameters
    ----------
    angles : array_like, shape (angles,)
        Degrees, in any order, each direction once.
    level : array_like, shape (angles, frequencies)
        dB. A direction that is NaN at all frequencies counts as not measured.
    targets : array_like, shape (targets,)
        Degrees.
    max_gap : float
        Widest gap between neighbours, in degrees, that is interpolated across.

    Returns
    -------
    OrbitInterpolation
        A target within a hundredth of a degree of a measured angle is that measurement, untouched. NaN at a
        frequency where one of the two measured angles on either side is NaN.

    Raises
    ------
    ValueError
        Naming every target that lies in a wider gap (:func:`reachable` tells beforehand which do), or if the shapes
        disagree or a direction is given twice.

    Notes
    -----
    Why squared pressure: it is what the averages are made of, it stays finite where a null makes the level minus
    infinity, and between two angles the cubic never leaves the range of the two, so nothing is invented.
    Levels of a baffled piston (2 J1(x)/x, x = ka sin) taken at 15 degree steps and interpolated to 10 degree steps
    differ from the exact ones, at most over the front 180 degrees and in the mean over 0 to 30 degrees, by

    ====  ======================  =====================  ====================
    ka    linear in dB            linear in p squared    this method
    ====  ======================  =====================  ====================
    1     0.02 dB, -0.008 dB      0.02 dB, -0.008 dB     0.01 dB, -0.000 dB
    2     0.08 dB, -0.034 dB      0.08 dB, -0.029 dB     0.03 dB, -0.002 dB
    3     0.25 dB, -0.085 dB      0.35 dB, -0.057 dB     0.10 dB, -0.004 dB
    ====  ======================  =====================  ====================

    Splines that are not monotone do better still where the directivity is smooth, but overshoot to negative squared
    pressure beside a null.
    """
    array = np.asarray(level, dtype=np.float64)
    given = np.atleast_1d(np.asarray(angles, dtype=np.float64))
    if array.ndim != 2 or array.shape[0] != given.size:
        raise ValueError(f"{given.size} angles for levels of shape {array.shape}")
    measured_rows = ~np.isnan(array).all(axis=1)
    ascending, order = _sorted_orbit(given[measured_rows])
    measured_level = array[measured_rows][order]
    wanted = np.atleast_1d(wrap_angle(targets))
    if ascending.size == 0:
        raise ValueError("no direction of this orbit is measured")
    places = _places(ascending, wanted)
    too_wide = [
        f"{wanted[row]:g}° between {ascending[places.below[row]]:g}° and {ascending[places.above[row]]:g}°"
        for row in np.flatnonzero(~places.measured & (places.gap > max_gap + SAME_ANGLE))
    ]
    if too_wide:
        raise ValueError(f"neighbours are more than {max_gap:g}° apart for {', '.join(too_wide)}")

    result = measured_level[places.nearest]
    between = ~places.measured
    if between.any():
        power = power_of_level(measured_level)
        slope = _node_slopes(ascending, power)
        low, high = places.below[between], places.above[between]
        width = places.gap[between, np.newaxis]
        t = places.distance[between, np.newaxis] / width
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
        dB; NaN where there is neither a measurement nor a pair of neighbours near enough.
    angles : numpy.ndarray, shape (angle,)
        Degrees: the measured ones, and those at the regular step.
    made : list of numpy.ndarray
        For each plane the angles that were interpolated.
    """

    level: Floats
    angles: Floats
    made: list[Floats]


def fill_orbits(level: ArrayLike, angles: ArrayLike, step: float = 10.0) -> FilledOrbits:
    """Fill the directions at a regular step that can be interpolated, see :func:`interpolate_orbit`.

    Parameters
    ----------
    level : array_like, shape (plane, angle, n)
        dB; a direction that is NaN at all frequencies was not measured.
    angles : array_like, shape (angle,)
        Degrees.
    step : float
        Degrees.

    Returns
    -------
    FilledOrbits
    """
    values, at = np.asarray(level, dtype=np.float64), np.asarray(angles, dtype=np.float64)
    wanted = np.union1d(at, np.arange(-180.0 + step, 181.0, step))
    filled = np.full((values.shape[0], wanted.size, values.shape[-1]), np.nan)
    made = []
    for row, orbit in enumerate(values):
        measured = at[~np.isnan(orbit).all(axis=-1)]
        within = wanted[reachable(measured, wanted)] if measured.size else wanted[:0]
        made.append(within[:0])
        if within.size:
            result = interpolate_orbit(at, orbit, within)
            filled[row, np.isin(wanted, within)] = result.level
            made[row] = within[result.interpolated]
    return FilledOrbits(filled, wanted, made)


def distinct_directions(level: ArrayLike, angles: ArrayLike) -> NDArray[np.intp]:
    """Number the measured directions of the orbits, one that was measured once and is on both orbits once.

    Parameters
    ----------
    level : array_like, shape (plane, angle, n)
        dB; a direction that is NaN at all frequencies was not measured.
    angles : array_like, shape (angle,)
        Degrees.

    Returns
    -------
    numpy.ndarray of int, shape (plane, angle)
        From 0 up; -1 where a direction was not measured. At 0 and 180 degrees the orbits meet: equal levels there are
        one measurement, different ones are two.
    """
    values, at = np.asarray(level, dtype=np.float64), np.atleast_1d(wrap_angle(angles))
    held = np.asarray(~np.isnan(values).all(axis=2))
    place = np.full(held.shape, -1, dtype=np.intp)
    count = 0
    for row, column in np.argwhere(held):
        meets = min(abs(at[column]), 180.0 - abs(at[column])) < SAME_ANGLE
        same = [
            place[other, column]
            for other in range(row)
            if meets and held[other, column] and np.array_equal(values[other, column], values[row, column], True)
        ]
        place[row, column] = same[0] if same else count
        count += not same
    return place


def by_direction(values: ArrayLike, place: ArrayLike) -> Floats:
    """Values of the distinct directions, shape (directions, ...), from those on the orbits, (plane, angle, ...)."""
    array, places = np.asarray(values, dtype=np.float64), np.asarray(place, dtype=np.intp)
    _, first = np.unique(places[places >= 0], return_index=True)
    return np.asarray(array[places >= 0][first])
