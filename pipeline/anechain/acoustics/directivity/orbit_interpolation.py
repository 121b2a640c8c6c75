"""Levels between the measured angles of an orbit."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.acoustics.directivity.directions import wrap_angle
from anechain.acoustics.directivity.orbits import (
    MAX_GAP,
    SAME_ANGLE,
    Booleans,
    can_interpolate,
    orbit_neighbours,
    sorted_orbit,
)
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["FilledOrbits", "OrbitInterpolation", "fill_orbits", "interpolate_orbit"]


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
    angles: ArrayLike, level: ArrayLike, targets: ArrayLike, max_gap: float = MAX_GAP
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
        If a target is in a wider gap (see :func:`anechain.acoustics.directivity.orbits.can_interpolate`; the message
        has all of them), the shapes disagree, or a direction occurs twice.

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
    ascending, order = sorted_orbit(degrees[measured_rows])
    measured_level = array[measured_rows][order]
    wanted = np.atleast_1d(wrap_angle(targets))
    if ascending.size == 0:
        raise ValueError("no direction of this orbit is measured")
    near = orbit_neighbours(ascending, wanted)
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
    reasons : list of str
        By plane: why directions at the regular step were not interpolated; empty if all that were missing were.
    """

    level: Floats
    angles: Floats
    interpolated: list[Floats]
    reasons: list[str]


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
    regular = np.arange(-180.0 + step, 181.0, step)
    interpolated, reasons = [], []
    for row, orbit in enumerate(values):
        measured = at[~np.isnan(orbit).all(axis=-1)]
        possible = wanted[can_interpolate(measured, wanted)] if measured.size else wanted[:0]
        interpolated.append(possible[:0])
        if possible.size:
            result = interpolate_orbit(at, orbit, possible)
            filled[row, np.isin(wanted, possible)] = result.level
            interpolated[row] = possible[result.interpolated]
        reasons.append(_not_interpolated(measured, regular))
    return FilledOrbits(filled, wanted, interpolated, reasons)


def _not_interpolated(measured: Floats, regular: Floats) -> str:
    """Return why directions at the regular step are not interpolated; empty if all that are missing are."""
    if measured.size < 2:
        return "no neighbours: fewer than two directions are measured"
    ascending, _ = sorted_orbit(measured)
    near = orbit_neighbours(ascending, regular)
    if near.measured.all():
        return f"nothing is missing: all directions in steps of {regular[1] - regular[0]:g}° are measured"
    wide = np.flatnonzero(~near.measured & (near.gap > MAX_GAP + SAME_ANGLE))
    gaps = dict.fromkeys((float(ascending[near.below[row]]), float(ascending[near.above[row]])) for row in wide)
    listed = ", ".join(f"from {low:g}° to {high:g}°" for low, high in gaps)
    return f"the gap is wider than {MAX_GAP:g}°: {listed}" if gaps else ""
