"""Uncertainty of a curve set: uncertainties of single directions carried through the averages of the curve set."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import power_of_level
from anechain.acoustics.directivity.curves import curve_set
from anechain.acoustics.directivity.direction_lists import RearWall, Total
from anechain.acoustics.directivity.orbits import by_direction, neighbours
from anechain.acoustics.uncertainty.linear_propagation import (
    CurveUncertainty,
    linear_combination_uncertainty,
    mean_shares,
)
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "CurveSetUncertainty",
    "curve_set_uncertainty",
    "curve_shares",
    "direction_weights",
    "measured_shares",
    "sphere_uncorrelated",
]


_SUBTRACTED = {
    f"{kind}_index{suffix}": f"{kind}{suffix}"
    for kind in ("sound_power", "early_reflections")
    for suffix in ("", "_horizontal", "_vertical")
}
"""Curve that each directivity index subtracts from the listening window."""


@dataclass(frozen=True)
class CurveSetUncertainty:
    """Standard uncertainties of a curve set in dB, with correlated and uncorrelated parts separate.

    Attributes
    ----------
    levels : dict of str to CurveUncertainty
        By curve; arrays of shape (n,).
    indices : dict of str to CurveUncertainty
        By directivity index.
    """

    levels: dict[str, CurveUncertainty]
    indices: dict[str, CurveUncertainty]


def direction_weights(
    planes: Sequence[str],
    angles: ArrayLike,
    measured: ArrayLike,
    *,
    early_reflections_total: Total = "reflection_groups",
    rear_wall: RearWall = "three",
) -> dict[str, Floats]:
    """Return the weight of each direction in each curve of the curve set.

    The weight of a direction is its share of the mean squared pressure when all directions have the same level.

    Parameters
    ----------
    planes : sequence of str
        Planes of the first axis.
    angles : array_like, shape (m,)
        Angles in degrees.
    measured : array_like of bool, shape (plane, angle)
        True where the direction was measured.
    early_reflections_total, rear_wall
        See :func:`anechain.acoustics.directivity.curves.curve_set`.

    Returns
    -------
    dict of str to numpy.ndarray, shape (plane, angle)
        By curve; the sum over directions is 1.
    """
    # Every curve is a weighted sum of squared pressures. So the curve set of levels in which only one direction
    # radiates at each "frequency" is the table of the weights, for every version of the methods.
    is_measured = np.asarray(measured, dtype=np.bool_)
    count = int(is_measured.sum())
    level = np.full((*is_measured.shape, count), np.nan)
    level[is_measured] = np.where(np.eye(count, dtype=np.bool_), 0.0, -np.inf)
    curves = curve_set(
        level, planes, angles, early_reflections_total=early_reflections_total, rear_wall=rear_wall
    ).levels
    weights = {}
    for name, curve in curves.items():
        weights[name] = np.zeros(is_measured.shape)
        weights[name][is_measured] = power_of_level(curve)
    return weights


def curve_shares(
    level: ArrayLike,
    planes: Sequence[str],
    angles: ArrayLike,
    *,
    early_reflections_total: Total = "reflection_groups",
    rear_wall: RearWall = "three",
) -> dict[str, Floats]:
    """Return the sensitivity of each curve and directivity index to the level of each direction.

    Parameters
    ----------
    level : array_like, shape (plane, angle, n)
        dB; a direction that is NaN at all frequencies was not measured.
    planes, angles, early_reflections_total, rear_wall
        As in :func:`direction_weights`.

    Returns
    -------
    dict of str to numpy.ndarray, shape (plane, angle, n)
        dB per dB. For a curve: shares of its directions in the sum of squared pressures; their sum is 1. For an index:
        shares in the listening window minus shares in the subtracted curve; their sum is 0. NaN at a frequency at
        which a direction of the curve has no level.
    """
    values = np.asarray(level, dtype=np.float64)
    measured = ~np.isnan(values).all(axis=2)
    weights = direction_weights(
        planes, angles, measured, early_reflections_total=early_reflections_total, rear_wall=rear_wall
    )
    shares = {}
    for name, weight in weights.items():
        shares[name] = np.zeros(values.shape)
        shares[name][weight > 0] = mean_shares(values[weight > 0], weight[weight > 0])
    for name, subtracted in _SUBTRACTED.items():
        if subtracted in weights and "listening_window" in weights:
            shares[name] = shares["listening_window"] - shares[subtracted]
    return shares


def measured_shares(share: ArrayLike, angles: ArrayLike, measured_angles: ArrayLike, place: ArrayLike) -> Floats:
    """Move the shares of interpolated directions to the measured directions that they were interpolated from.

    Parameters
    ----------
    share : array_like, shape (plane, angle, n)
        Sensitivity to the level at each angle of the curve set, dB per dB; see :func:`curve_shares`.
    angles : array_like, shape (angle,)
        Angles of the curve set in degrees.
    measured_angles : array_like, shape (m,)
        Measured angles in degrees.
    place : array_like of int, shape (plane, m)
        Number of each measured direction, from :func:`anechain.acoustics.directivity.orbits.distinct_directions`.

    Returns
    -------
    numpy.ndarray, shape (directions, n)
        Sensitivity to the level of each measured direction, dB per dB. To first order: an interpolated level is
        taken to be on a straight line between its neighbours.
    """
    shares, numbers = np.asarray(share, dtype=np.float64), np.asarray(place, dtype=np.intp)
    measured_at, wanted = np.asarray(measured_angles, dtype=np.float64), np.asarray(angles, dtype=np.float64)
    result = np.zeros((numbers.max(initial=-1) + 1, shares.shape[2]))
    for orbit, orbit_numbers in zip(shares, numbers, strict=True):
        used, measured = np.flatnonzero((orbit != 0).any(axis=1)), orbit_numbers >= 0
        if not used.size:
            continue
        below, above, t = neighbours(measured_at[measured], wanted[used])
        low, high = orbit_numbers[measured][below], orbit_numbers[measured][above]
        for column, lower, upper, upper_weight in zip(used, low, high, t, strict=True):
            result[lower] += (1 - upper_weight) * orbit[column]
            result[upper] += upper_weight * orbit[column]
    return result


def sphere_uncorrelated(
    azimuth_deg: ArrayLike,
    elevation_deg: ArrayLike,
    angles: ArrayLike,
    horizontal: ArrayLike,
    vertical: ArrayLike,
) -> Floats:
    """Return the uncorrelated uncertainty of directions on the sphere from that of the two orbits.

    Parameters
    ----------
    azimuth_deg, elevation_deg : array_like, shape (directions,)
        Directions on the sphere in degrees.
    angles : array_like, shape (m,)
        Angles on the orbits in degrees.
    horizontal, vertical : array_like, shape (m, n)
        Standard uncertainty in dB of the directions of each orbit; NaN where a direction was not measured.

    Returns
    -------
    numpy.ndarray, shape (directions, n)
        dB. Between the orbits, squares are averaged with the squared cosine and sine of the angle around the axis as
        weights. If only one orbit was measured, it is used all around the axis.
    """
    azimuth, elevation = np.deg2rad(azimuth_deg), np.deg2rad(elevation_deg)
    x, y, z = np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)
    off_axis = np.rad2deg(np.arccos(np.clip(x, -1.0, 1.0)))
    around = np.arctan2(z, y)
    orbit_angles = np.asarray(angles, dtype=np.float64)
    orbits = [np.asarray(orbit, dtype=np.float64) for orbit in (horizontal, vertical)]
    measured = [~np.isnan(orbit).all(axis=1) for orbit in orbits]
    if not measured[0].any() and not measured[1].any():
        return np.full((off_axis.size, orbits[0].shape[1]), np.nan)
    if not measured[0].any() or not measured[1].any():
        only = int(measured[1].any())
        orbits, measured = [orbits[only]] * 2, [measured[only]] * 2
    squared = np.zeros((off_axis.size, orbits[0].shape[1]))
    sides = np.where(y < 0, -1.0, 1.0), np.where(z < 0, -1.0, 1.0)
    orbit_weights = np.cos(around) ** 2, np.sin(around) ** 2
    for orbit, known, side, weight in zip(orbits, measured, sides, orbit_weights, strict=True):
        below, above, t = neighbours(orbit_angles[known], side * off_axis)
        t = t[:, np.newaxis]
        squared += weight[:, np.newaxis] * ((1 - t) * orbit[known][below] + t * orbit[known][above]) ** 2
    return np.asarray(np.sqrt(squared))


@method(
    "curve-set-uncertainty",
    version=1,
    title="Uncertainty of the curve set from the uncertainties of its directions",
    formula="For each curve: the sensitivity to a direction is its share of the sum of squared pressures; correlated "
    "parts add as a signed sum, uncorrelated parts as a root of the sum of squares",
    source="GUM, JCGM 100:2008, 5.1.2 and 5.2.2, for every weighted mean of squared pressures of the curve set",
    limitations="First order. Correlated errors are the same in all directions; uncorrelated errors are independent "
    "from direction to direction. The choice of directions and weights of a curve is not included. Uncertainties are "
    "those of the levels as measured: smoothing would reduce errors that vary over frequency, which is not included.",
)
def curve_set_uncertainty(
    level: ArrayLike,
    planes: Sequence[str],
    angles: ArrayLike,
    correlated_db: ArrayLike,
    uncorrelated_db: ArrayLike,
    *,
    early_reflections_total: Total = "reflection_groups",
    rear_wall: RearWall = "three",
    measured_angles: ArrayLike | None = None,
    place: ArrayLike | None = None,
) -> CurveSetUncertainty:
    """Return the standard uncertainty of every curve and directivity index.

    Parameters
    ----------
    level : array_like, shape (plane, angle, n)
        dB; a direction that is NaN at all frequencies was not measured.
    planes : sequence of str
        Planes of the first axis.
    angles : array_like, shape (m,)
        Degrees.
    correlated_db : array_like, broadcast to (n,)
        Standard uncertainty in dB of the error that all directions share.
    uncorrelated_db : array_like, broadcast to (plane, angle, n)
        Standard uncertainty in dB of the error that each direction has by itself.
    early_reflections_total, rear_wall
        See :func:`anechain.acoustics.directivity.curves.curve_set`.
    measured_angles : array_like, shape (k,), optional
        Measured angles in degrees, if some of `angles` were interpolated. `uncorrelated_db` then has the shape
        (plane, k, n) and belongs to these angles.
    place : array_like of int, shape (plane, k), optional
        Required with `measured_angles`: number of each measured direction, from
        :func:`anechain.acoustics.directivity.orbits.distinct_directions`.

    Returns
    -------
    CurveSetUncertainty
        For all curves that can be derived from the measured directions.
    """
    shares = curve_shares(level, planes, angles, early_reflections_total=early_reflections_total, rear_wall=rear_wall)
    uncorrelated = np.asarray(uncorrelated_db, dtype=np.float64)
    if measured_angles is not None and place is not None:
        shares = {name: measured_shares(share, angles, measured_angles, place) for name, share in shares.items()}
        uncorrelated = by_direction(np.broadcast_to(uncorrelated, (*np.shape(place), np.shape(level)[2])), place)
    uncertainties = {}
    for name, share in shares.items():
        # A direction without a share has no effect, even where its uncertainty is NaN.
        used = (share != 0).any(axis=-1)
        uncertainties[name] = linear_combination_uncertainty(
            share[used], correlated_db, np.broadcast_to(uncorrelated, share.shape)[used]
        )
    return CurveSetUncertainty(
        {name: curve for name, curve in uncertainties.items() if name not in _SUBTRACTED},
        {name: index for name, index in uncertainties.items() if name in _SUBTRACTED},
    )
