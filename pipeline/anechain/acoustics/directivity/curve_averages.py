"""The curves of the CTA-2034-A curve set as averages over directions of two orbits.

Every average is one of squared pressure, never of decibels. The sound power of two orbits is an estimate; the mean over
the whole sphere is another quantity with another name.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from anechain.acoustics.directivity.direction_lists import (
    HORIZONTAL_REFLECTION_GROUPS,
    IN_ROOM_SHARES,
    LISTENING_WINDOW,
    ON_AXIS,
    REFLECTION_GROUPS,
    SOURCE,
    VERTICAL_REFLECTION_GROUPS,
    Direction,
    RearWall,
    Total,
    reflection_directions,
)
from anechain.acoustics.directivity.directions import PLANES
from anechain.acoustics.directivity.measured_orbits import MeasuredOrbits
from anechain.acoustics.directivity.weights import two_orbit_weights
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "DerivedCurve",
    "directivity_index",
    "directivity_index_one_orbit",
    "early_reflections",
    "early_reflections_one_orbit",
    "in_room",
    "listening_window",
    "members_and_missing",
    "on_axis",
    "sound_power",
    "sound_power_one_orbit",
    "wall_reflection",
]


class DerivedCurve(NamedTuple):
    """A curve, or the directions that are missing for it.

    Attributes
    ----------
    power : numpy.ndarray or None
        Squared pressure by frequency.
    members : tuple of (plane, angle)
        Directions of the curve; a pole has the plane on which it was measured.
    missing : tuple of (plane, angle)
        Directions that were not measured. If there are any, the curve has no value.
    """

    power: Floats | None
    members: tuple[Direction, ...]
    missing: tuple[Direction, ...]


def _mean_power(orbits: MeasuredOrbits, directions: Iterable[Direction], weights: Floats | None = None) -> DerivedCurve:
    """Return the mean squared pressure over directions; the sum of the weights need not be 1."""
    wanted = tuple(directions)
    measured = [orbits.find(direction) for direction in wanted]
    members = tuple(there or direction for there, direction in zip(measured, wanted, strict=True))
    missing = tuple(direction for there, direction in zip(measured, wanted, strict=True) if there is None)
    if missing:
        return DerivedCurve(None, members, missing)
    rows = np.array([orbits.place[member] for member in members])
    power = orbits.power[rows[:, 0], rows[:, 1]]
    if weights is None:
        return DerivedCurve(power.mean(axis=0), members, ())
    # Not a matrix product: the order of its sums differs between processors.
    return DerivedCurve((power * (weights / weights.sum())[:, np.newaxis]).sum(axis=0), members, ())


def members_and_missing(curves: Iterable[DerivedCurve]) -> tuple[tuple[Direction, ...], tuple[Direction, ...]]:
    """Return the directions of several curves together, and those of them that are missing, each once."""
    parts = tuple(curves)
    members = dict.fromkeys(member for part in parts for member in part.members)
    missing = dict.fromkeys(direction for part in parts for direction in part.missing)
    return tuple(members), tuple(missing)


def _weighted_sum(shares: Iterable[float], curves: Iterable[DerivedCurve]) -> DerivedCurve:
    """Return the sum of the squared pressures of curves, each times its share."""
    parts = tuple(curves)
    members, missing = members_and_missing(parts)
    powers = [part.power for part in parts if part.power is not None]
    if missing:
        return DerivedCurve(None, members, missing)
    scaled = [share * power for share, power in zip(shares, powers, strict=True)]
    return DerivedCurve(np.sum(scaled, axis=0), members, ())


@method(
    "on-axis",
    version=1,
    title="Level on the reference axis",
    formula="The level at 0 degrees",
    source="ANSI/CTA-2034-A",
    source_status="recalled",
    limitations="One direction: interference in this direction alone affects the curve.",
)
def on_axis(orbits: MeasuredOrbits) -> DerivedCurve:
    """Return the squared pressure at 0 degrees, from the orbit on which it was measured."""
    return _mean_power(orbits, ON_AXIS)


@method(
    "listening-window",
    version=1,
    title="Mean squared pressure over the listening window",
    formula="10 lg of the mean of the squared pressures of nine directions",
    source=SOURCE,
    source_status="recalled",
    limitations="Nine directions of equal weight, for any room.",
)
def listening_window(orbits: MeasuredOrbits) -> DerivedCurve:
    """Return the mean squared pressure of the nine directions of :data:`LISTENING_WINDOW`."""
    return _mean_power(orbits, LISTENING_WINDOW)


@method(
    "wall-reflection",
    version=1,
    title="Mean squared pressure towards one wall, the floor or the ceiling",
    formula="10 lg of the mean of the squared pressures of the directions towards one surface",
    source=SOURCE,
    source_status="recalled",
    limitations="Angles of typical rooms; the rear wall can be read as three directions or as nineteen.",
)
def wall_reflection(orbits: MeasuredOrbits, name: str, rear_wall: RearWall = "three") -> DerivedCurve:
    """Return the mean squared pressure of one group of early reflections, see :data:`REFLECTION_GROUPS`."""
    return _mean_power(orbits, reflection_directions(name, rear_wall))


def _total(orbits: MeasuredOrbits, names: tuple[str, ...], total: Total, rear_wall: RearWall) -> DerivedCurve:
    if total == "curves":
        return _mean_power(orbits, [d for name in names for d in reflection_directions(name, rear_wall)])
    return _weighted_sum([1.0 / len(names)] * len(names), [wall_reflection(orbits, name, rear_wall) for name in names])


@method(
    "early-reflections",
    version=1,
    title="Mean squared pressure of all early reflections",
    formula="10 lg of the mean of the squared pressures of the five groups of reflections, or of all their directions",
    source=SOURCE,
    source_status="recalled",
    limitations="Two readings: the mean of the five groups or of all their curves; for a cardioid they differ by 0.17 "
    "dB.",
)
def early_reflections(
    orbits: MeasuredOrbits, total: Total = "reflection_groups", rear_wall: RearWall = "three"
) -> DerivedCurve:
    """Return the mean of the five groups of reflections with equal weights, or of all their directions ("curves")."""
    return _total(orbits, tuple(REFLECTION_GROUPS), total, rear_wall)


@method(
    "early-reflections-one-orbit",
    version=1,
    title="Mean squared pressure of the early reflections in one plane",
    formula="10 lg of the mean of the squared pressures of the groups of reflections in one plane",
    source="the part of the early reflections that is in one plane",
    source_status="common practice, no source",
    limitations="Not part of the curve set of the standard, as recalled.",
)
def early_reflections_one_orbit(
    orbits: MeasuredOrbits, plane: str, total: Total = "reflection_groups", rear_wall: RearWall = "three"
) -> DerivedCurve:
    """Return the mean of front, side and rear wall (horizontal), or of floor and ceiling (vertical)."""
    return _total(
        orbits, HORIZONTAL_REFLECTION_GROUPS if plane == "horizontal" else VERTICAL_REFLECTION_GROUPS, total, rear_wall
    )


def _power_directions(*planes: str) -> tuple[tuple[Direction, ...], Floats]:
    """Return directions and weights of one orbit or of both at steps of 10 degrees, with each pole once."""
    angles, weight, pole = two_orbit_weights(10.0)
    if len(planes) == 1:
        # The other half of a pole belongs to the other orbit.
        weight = np.where(pole, weight / 2, weight)
    used = [(plane, ~(pole & (number > 0))) for number, plane in enumerate(planes)]
    directions = [(plane, float(angle)) for plane, rows in used for angle in angles[rows]]
    return tuple(directions), np.concatenate([weight[rows] for _, rows in used])


@method(
    "sound-power-two-orbits",
    version=1,
    title="Sound power estimated from two orbits, as a mean squared pressure",
    formula="10 lg of the sum of weight times squared pressure over the 70 directions of two orbits, over the sum of "
    "the weights",
    source=SOURCE,
    source_status="recalled",
    limitations="An estimate from 70 directions, not the mean over the sphere: 0.09 dB high for a cardioid, 0.36 dB "
    "for a dipole along the axis, up to 0.65 dB for a piston on a rigid sphere, and 0.9 dB low to 1.4 dB high for "
    "two-way loudspeakers near the crossover. Not comparable with a value of the full sphere.",
)
def sound_power(orbits: MeasuredOrbits) -> DerivedCurve:
    """Return the mean squared pressure of 70 directions with the weights of :func:`two_orbit_weights`."""
    return _mean_power(orbits, *_power_directions(*PLANES))


@method(
    "sound-power-one-orbit",
    version=1,
    title="Weighted mean squared pressure of one orbit",
    formula="10 lg of the sum of weight times squared pressure over the 36 directions of one orbit, over the sum of "
    "the weights",
    source="the weights of the two-orbit sound power on the 36 directions of one orbit, with half the weight of a pole",
    source_status="common practice, no source",
    limitations="The two-orbit sound power of a loudspeaker whose other orbit is equal to this one.",
)
def sound_power_one_orbit(orbits: MeasuredOrbits, plane: str) -> DerivedCurve:
    """Return the mean squared pressure of the 36 directions of one orbit with the weights of the two-orbit sound power.

    A pole belongs to both orbits and has half its weight in each. So the two-orbit sound power is the mean of both
    one-orbit sound powers in squared pressure.
    """
    return _mean_power(orbits, *_power_directions(plane))


@method(
    "in-room-estimate",
    version=1,
    title="Estimated in-room response",
    formula="10 lg of 0.12 times the squared pressure of the listening window, plus 0.44 times that of the early "
    "reflections, plus 0.44 times that of the sound power",
    source=SOURCE,
    source_status="recalled",
    limitations="For typical small rooms above their modal range, not for a particular room.",
)
def in_room(window: DerivedCurve, reflections: DerivedCurve, power: DerivedCurve) -> DerivedCurve:
    """Return the sum of three squared pressures with the shares of :data:`IN_ROOM_SHARES`."""
    return _weighted_sum(IN_ROOM_SHARES.values(), (window, reflections, power))


def _difference(reference: Floats, level: Floats) -> Floats:
    with np.errstate(invalid="ignore"):
        return reference - level


@method(
    "directivity-index",
    version=1,
    title="Directivity index: listening window minus sound power or early reflections",
    formula="Level of the listening window minus level of the other curve, in dB, at each frequency",
    source=SOURCE,
    source_status="recalled",
    limitations="Refers to the listening window and to two orbits: a cardioid has 4.46 dB here and a true index of "
    "4.77 dB.",
)
def directivity_index(window_level: Floats, level: Floats) -> Floats:
    """Return the level of the listening window minus that of a curve of both orbits, dB."""
    return _difference(window_level, level)


@method(
    "directivity-index-one-orbit",
    version=1,
    title="Directivity index of one orbit: listening window minus the curve of the orbit",
    formula="Level of the listening window minus level of the one-orbit curve, in dB, at each frequency",
    source="the directivity index with a one-orbit curve instead of the curve of both orbits",
    source_status="common practice, no source",
    limitations="Both planes refer to the same listening window, which has directions of both: a flare in one plane "
    "raises the index of the other. So the indices of the planes differ exactly as their powers do; windows of "
    "their own would span ±30 degrees in one plane and ±10 in the other, and could not be compared.",
)
def directivity_index_one_orbit(window_level: Floats, level: Floats) -> Floats:
    """Return the level of the listening window minus that of a curve of one orbit, dB."""
    return _difference(window_level, level)
