"""How sure a curve set is: uncertainties of single directions carried through the averages of the curve set."""

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
    "folded",
    "sphere_own",
]


_SUBTRACTED = {
    f"{kind}_index{suffix}": f"{kind}{suffix}"
    for kind in ("sound_power", "early_reflections")
    for suffix in ("", "_horizontal", "_vertical")
}
"""Which curve each directivity index subtracts from the listening window."""


@dataclass(frozen=True)
class CurveSetUncertainty:
    """Standard uncertainties of a curve set in dB, correlated and uncorrelated parts apart.

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
    early_reflections_total: Total = "bounces",
    rear_wall: RearWall = "three",
) -> dict[str, Floats]:
    """Weight of each direction in each curve of the curve set: its share when all directions are equally loud.

    Parameters
    ----------
    planes : sequence of str
        Planes of the first axis.
    angles : array_like, shape (m,)
        Degrees.
    measured : array_like of bool, shape (plane, angle)
        Directions that there are.
    early_reflections_total, rear_wall
        As :func:`anechain.acoustics.directivity.curves.curve_set` takes them.

    Returns
    -------
    dict of str to numpy.ndarray, shape (plane, angle)
        By curve; each sums to one.
    """
    # Every curve is a weighted sum of squared pressures, so the curve set of directions that sound one at a time is
    # the table of the weights, whichever version of a method makes the curve.
    held = np.asarray(measured, dtype=np.bool_)
    count = int(held.sum())
    level = np.full((*held.shape, count), np.nan)
    level[held] = np.where(np.eye(count, dtype=np.bool_), 0.0, -np.inf)
    curves = curve_set(
        level, planes, angles, early_reflections_total=early_reflections_total, rear_wall=rear_wall
    ).levels
    weights = {}
    for name, curve in curves.items():
        weights[name] = np.zeros(held.shape)
        weights[name][held] = power_of_level(curve)
    return weights


def curve_shares(
    level: ArrayLike,
    planes: Sequence[str],
    angles: ArrayLike,
    *,
    early_reflections_total: Total = "bounces",
    rear_wall: RearWall = "three",
) -> dict[str, Floats]:
    """By how much each curve and directivity index changes with the level of each direction.

    Parameters
    ----------
    level : array_like, shape (plane, angle, n)
        dB; a direction that is NaN at all frequencies was not measured.
    planes, angles, early_reflections_total, rear_wall
        As in :func:`direction_weights`.

    Returns
    -------
    dict of str to numpy.ndarray, shape (plane, angle, n)
        dB per dB: for a curve its directions' shares of the sum of squared pressures, which add to one; for an index
        those of the listening window less those of the subtracted curve, which add to zero. NaN at a frequency at
        which a direction of the curve has no level.
    """
    values = np.asarray(level, dtype=np.float64)
    held = ~np.isnan(values).all(axis=2)
    weights = direction_weights(
        planes, angles, held, early_reflections_total=early_reflections_total, rear_wall=rear_wall
    )
    shares = {}
    for name, weight in weights.items():
        shares[name] = np.zeros(values.shape)
        shares[name][weight > 0] = mean_shares(values[weight > 0], weight[weight > 0])
    for name, subtracted in _SUBTRACTED.items():
        if subtracted in weights and "listening_window" in weights:
            shares[name] = shares["listening_window"] - shares[subtracted]
    return shares


def folded(share: ArrayLike, angles: ArrayLike, measured_angles: ArrayLike, place: ArrayLike) -> Floats:
    """Shares of interpolated directions given to the measured ones that they were read between.

    Parameters
    ----------
    share : array_like, shape (plane, angle, n)
        At the angles of the curve set.
    angles : array_like, shape (angle,)
        Degrees.
    measured_angles : array_like, shape (m,)
        Degrees.
    place : array_like of int, shape (plane, m)
        As :func:`anechain.acoustics.directivity.orbits.distinct_directions` gives it.

    Returns
    -------
    numpy.ndarray, shape (directions, n)
        First order: an interpolated level is read on a straight line between its neighbours.
    """
    of, places = np.asarray(share, dtype=np.float64), np.asarray(place, dtype=np.intp)
    at, wanted = np.asarray(measured_angles, dtype=np.float64), np.asarray(angles, dtype=np.float64)
    result = np.zeros((places.max(initial=-1) + 1, of.shape[2]))
    for orbit, numbered in zip(of, places, strict=True):
        used, known = np.flatnonzero((orbit != 0).any(axis=1)), numbered >= 0
        if not used.size:
            continue
        below, above, t = neighbours(at[known], wanted[used])
        for column, low, high, part in zip(used, numbered[known][below], numbered[known][above], t, strict=True):
            result[low] += (1 - part) * orbit[column]
            result[high] += part * orbit[column]
    return result


def sphere_own(
    azimuth_deg: ArrayLike,
    elevation_deg: ArrayLike,
    angles: ArrayLike,
    horizontal: ArrayLike,
    vertical: ArrayLike,
) -> Floats:
    """Uncertainty that is each direction's own, all around the sphere, as the two orbits have it.

    Parameters
    ----------
    azimuth_deg, elevation_deg : array_like, shape (directions,)
        Degrees.
    angles : array_like, shape (m,)
        Degrees on the orbits.
    horizontal, vertical : array_like, shape (m, n)
        Standard uncertainty in dB on each orbit; NaN where a direction was not measured.

    Returns
    -------
    numpy.ndarray, shape (directions, n)
        dB; between the orbits by the square of the cosine and the sine of the angle about the axis.
    """
    azimuth, elevation = np.deg2rad(azimuth_deg), np.deg2rad(elevation_deg)
    x, y, z = np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)
    off_axis = np.rad2deg(np.arccos(np.clip(x, -1.0, 1.0)))
    about = np.arctan2(z, y)
    at = np.asarray(angles, dtype=np.float64)
    orbits = [np.asarray(orbit, dtype=np.float64) for orbit in (horizontal, vertical)]
    known = [~np.isnan(orbit).all(axis=1) for orbit in orbits]
    if not known[0].any() and not known[1].any():
        return np.full((off_axis.size, orbits[0].shape[1]), np.nan)
    if not known[0].any() or not known[1].any():
        # One orbit alone stands for all around.
        one = int(known[1].any())
        orbits, known = [orbits[one]] * 2, [known[one]] * 2
    squared = np.zeros((off_axis.size, orbits[0].shape[1]))
    sides = np.where(y < 0, -1.0, 1.0), np.where(z < 0, -1.0, 1.0)
    for values, held, side, part in zip(orbits, known, sides, (np.cos(about) ** 2, np.sin(about) ** 2), strict=True):
        below, above, t = neighbours(at[held], side * off_axis)
        t = t[:, np.newaxis]
        squared += part[:, np.newaxis] * ((1 - t) * values[held][below] + t * values[held][above]) ** 2
    return np.asarray(np.sqrt(squared))


@method(
    "curve-set-uncertainty",
    version=1,
    title="Uncertainty of the curve set from those of its directions",
    formula="For each curve: sensitivities are the directions' shares of the sum of squared pressures; what is common "
    "adds by signed sum, what is each direction's own by squares",
    source="GUM, JCGM 100:2008, 5.1.2 and 5.2.2, on every weighted mean of squared pressures of the curve set",
    limitations="First order. Correlated parts are the same in all directions; uncorrelated parts are each "
    "direction's own. "
    "The reading of a curve (its directions and weights) is not in it. Uncertainties are those of the levels as "
    "measured: that smoothing averages what differs over frequency is not counted.",
)
def curve_set_uncertainty(
    level: ArrayLike,
    planes: Sequence[str],
    angles: ArrayLike,
    correlated_db: ArrayLike,
    uncorrelated_db: ArrayLike,
    *,
    early_reflections_total: Total = "bounces",
    rear_wall: RearWall = "three",
    measured_angles: ArrayLike | None = None,
    place: ArrayLike | None = None,
) -> CurveSetUncertainty:
    """Standard uncertainty of every curve and directivity index.

    Parameters
    ----------
    level : array_like, shape (plane, angle, n)
        dB; a direction that is NaN at all frequencies was not measured.
    planes : sequence of str
        Planes of the first axis.
    angles : array_like, shape (m,)
        Degrees.
    correlated_db : array_like, broadcast to (n,)
        Standard uncertainty that all directions share.
    uncorrelated_db : array_like, broadcast to (plane, angle, n)
        Standard uncertainty that is each direction's own.
    early_reflections_total, rear_wall
        As :func:`anechain.acoustics.directivity.curves.curve_set` takes them.
    measured_angles : array_like, shape (k,), optional
        Degrees, if some of the angles were interpolated: `uncorrelated_db` then is of these, (plane, k, n).
    place : array_like of int, shape (plane, k), optional
        Needed with them: which direction each is, as
        :func:`anechain.acoustics.directivity.orbits.distinct_directions` gives it.

    Returns
    -------
    CurveSetUncertainty
        For the curves that the directions allow.
    """
    shares = curve_shares(level, planes, angles, early_reflections_total=early_reflections_total, rear_wall=rear_wall)
    own = np.asarray(uncorrelated_db, dtype=np.float64)
    if measured_angles is not None and place is not None:
        shares = {name: folded(share, angles, measured_angles, place) for name, share in shares.items()}
        own = by_direction(np.broadcast_to(own, (*np.shape(place), np.shape(level)[2])), place)
    found = {}
    for name, share in shares.items():
        # A direction of no share has no say, even where its uncertainty is not known.
        rows = (share != 0).any(axis=-1)
        found[name] = linear_combination_uncertainty(
            share[rows], correlated_db, np.broadcast_to(own, share.shape)[rows]
        )
    return CurveSetUncertainty(
        {name: one for name, one in found.items() if name not in _SUBTRACTED},
        {name: one for name, one in found.items() if name in _SUBTRACTED},
    )
