"""The CTA-2034-A curve set of two orbits: which directions go into which curve, and how.

Every average here is one of squared pressure, never of decibels. The lists of directions and the in-room weights are
recalled from ANSI/CTA-2034-A and from Toole, *Sound Reproduction* (2008), chapter 18, after Devantier 2002; they were
not read in the standard. Where it can be read two ways, both readings are options.

The sound power of two orbits is an estimate. The mean over the whole sphere is another quantity with another name.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.acoustics.directivity.directions import PLANES, wrap_angle
from anechain.acoustics.directivity.orbits import orbit_step, reachable
from anechain.acoustics.directivity.weights import two_orbit_weights
from anechain.arrays import Floats
from anechain.methods import method, versions

__all__ = [
    "BOUNCES",
    "IN_ROOM_SHARES",
    "LISTENING_WINDOW",
    "REAR_WALL_ALL",
    "TITLES",
    "CurveSet",
    "curve_set",
]

Direction = tuple[str, float]
POLES = (0.0, 180.0)
"""Angles, in degrees, of the two directions that both orbits share."""

Total = Literal["bounces", "curves"]
RearWall = Literal["three", "all"]


def _on(plane: str, *angles: float) -> tuple[Direction, ...]:
    return tuple((plane, float(angle)) for angle in angles)


ON_AXIS = _on("horizontal", 0)

LISTENING_WINDOW = (*_on("horizontal", -30, -20, -10, 0, 10, 20, 30), *_on("vertical", -10, 10))
"""Nine directions: on axis, 10 degrees up and down, and 10, 20, 30 degrees to both sides. Recalled."""

BOUNCES: Mapping[str, tuple[Direction, ...]] = MappingProxyType(
    {
        "floor_bounce": _on("vertical", -20, -30, -40),
        "ceiling_bounce": _on("vertical", 40, 50, 60),
        "front_wall_bounce": _on("horizontal", 0, 10, 20, 30, -10, -20, -30),
        "side_wall_bounce": _on("horizontal", 40, 50, 60, 70, 80, -40, -50, -60, -70, -80),
        "rear_wall_bounce": _on("horizontal", 90, 180, -90),
    }
)
"""Directions of the five early reflections, 26 in all. Recalled."""

REAR_WALL_ALL = _on("horizontal", *range(90, 181, 10), *range(-170, -89, 10))
"""The other reading of the rear wall: every 10 degrees from 90 through 180 to -90 degrees, 19 directions. Recalled."""

HORIZONTAL_BOUNCES = ("front_wall_bounce", "side_wall_bounce", "rear_wall_bounce")
VERTICAL_BOUNCES = ("floor_bounce", "ceiling_bounce")

IN_ROOM_SHARES: Mapping[str, float] = MappingProxyType(
    {"listening_window": 0.12, "early_reflections": 0.44, "sound_power": 0.44}
)
"""Shares of squared pressure in the estimated in-room response. Recalled."""

TITLES: Mapping[str, str] = MappingProxyType(
    {
        "on_axis": "On axis",
        "listening_window": "Listening window",
        "floor_bounce": "Floor reflection",
        "ceiling_bounce": "Ceiling reflection",
        "front_wall_bounce": "Front wall reflection",
        "side_wall_bounce": "Side wall reflections",
        "rear_wall_bounce": "Rear wall reflection",
        "early_reflections": "Early reflections",
        "early_reflections_horizontal": "Early reflections, horizontal orbit",
        "early_reflections_vertical": "Early reflections, vertical orbit",
        "sound_power": "Sound power (two orbits)",
        "sound_power_horizontal": "Sound power, horizontal orbit alone",
        "sound_power_vertical": "Sound power, vertical orbit alone",
        "in_room": "Estimated in-room response",
        "sound_power_index": "Sound power directivity index (two orbits)",
        "sound_power_index_horizontal": "Sound power directivity index, horizontal orbit alone",
        "sound_power_index_vertical": "Sound power directivity index, vertical orbit alone",
        "early_reflections_index": "Early reflections directivity index",
        "early_reflections_index_horizontal": "Early reflections directivity index, horizontal orbit",
        "early_reflections_index_vertical": "Early reflections directivity index, vertical orbit",
        "sphere_power": "True sphere power",
        "sphere_index": "True directivity index (full sphere, re on-axis)",
        "two_orbit_error": "Two-orbit sound power minus true sphere power",
    }
)
"""What each curve is called in figures and tables, by its identifier."""

NAMED_AT_MOST = 4
"""Missing directions that a gap's reason names before it only counts them."""


@dataclass(frozen=True)
class CurveSet:
    """All curves that the measured directions allow, and why the others are missing.

    Attributes
    ----------
    levels : dict of str to numpy.ndarray
        Levels in dB by frequency, in the unit and reference of the input.
    indices : dict of str to numpy.ndarray
        Directivity indices in dB by frequency.
    gaps : dict of str to str
        For each curve that could not be derived, what is needed for it.
    method_of : dict of str to str
        "id@version" of the method behind each curve, those with a gap included.
    members : dict of str to tuple of (plane, angle)
        The directions that went into each derived curve, each once; a pole carries the plane it was taken from.
    options : dict of str to str
        The reading of the standard that was chosen.
    """

    levels: dict[str, Floats]
    indices: dict[str, Floats]
    gaps: dict[str, str]
    method_of: dict[str, str]
    members: dict[str, tuple[Direction, ...]]
    options: dict[str, str]


@dataclass(frozen=True)
class Orbits:
    """Squared pressure of the measured directions, to be looked up by direction.

    Attributes
    ----------
    power : numpy.ndarray, shape (plane, angle, frequency)
        Squared pressure.
    place : dict of (plane, angle) to (int, int)
        Where each measured direction is found.
    """

    power: Floats
    place: Mapping[Direction, tuple[int, int]]

    def find(self, direction: Direction) -> Direction | None:
        """The direction as measured: a pole on the horizontal orbit if it is there, else on the vertical one."""
        plane, angle = direction
        planes = PLANES if angle in POLES else (plane,)
        return next(((p, angle) for p in planes if (p, angle) in self.place), None)

    def angles(self, plane: str) -> list[float]:
        """Angles measured on an orbit; empty if there is no more of it than the poles."""
        found = [angle for p, angle in self.place if p == plane]
        return found if any(angle not in POLES for angle in found) else []


class Derived(NamedTuple):
    """A curve, or what it lacks.

    Attributes
    ----------
    power : numpy.ndarray or None
        Squared pressure by frequency.
    members : tuple of (plane, angle)
        Directions needed, as measured where they are.
    missing : tuple of (plane, angle)
        Those of them that were not measured; the curve is a gap if there are any.
    """

    power: Floats | None
    members: tuple[Direction, ...]
    missing: tuple[Direction, ...]


def _mean(orbits: Orbits, directions: Iterable[Direction], weights: Floats | None = None) -> Derived:
    """Mean squared pressure over directions, weighted by shares that need not sum to 1."""
    wanted = tuple(directions)
    found = [orbits.find(direction) for direction in wanted]
    members = tuple(f or w for f, w in zip(found, wanted, strict=True))
    missing = tuple(w for f, w in zip(found, wanted, strict=True) if f is None)
    if missing:
        return Derived(None, members, missing)
    rows = np.array([orbits.place[member] for member in members])
    power = orbits.power[rows[:, 0], rows[:, 1]]
    if weights is None:
        return Derived(power.mean(axis=0), members, ())
    # Not a matrix product: that may sum in another order on another processor.
    return Derived((power * (weights / weights.sum())[:, np.newaxis]).sum(axis=0), members, ())


def _needs(curves: Iterable[Derived]) -> tuple[tuple[Direction, ...], tuple[Direction, ...]]:
    """Directions that several curves need together, and those of them that are missing, each once."""
    parts = tuple(curves)
    members = dict.fromkeys(member for part in parts for member in part.members)
    missing = dict.fromkeys(direction for part in parts for direction in part.missing)
    return tuple(members), tuple(missing)


def _mix(shares: Iterable[float], curves: Iterable[Derived]) -> Derived:
    """Sum of the squared pressures of other curves, each times its share."""
    parts = tuple(curves)
    members, missing = _needs(parts)
    powers = [part.power for part in parts if part.power is not None]
    if missing:
        return Derived(None, members, missing)
    scaled = [share * power for share, power in zip(shares, powers, strict=True)]
    return Derived(np.sum(scaled, axis=0), members, ())


_TOOLE = "Toole, Sound Reproduction (2008), ch. 18, after Devantier 2002"


@method(
    "on-axis",
    version=1,
    title="Level on the reference axis",
    formula="The level at 0 degrees",
    source="ANSI/CTA-2034-A",
    source_status="recalled",
    limitations="One direction; interference peculiar to it is in the curve.",
)
def on_axis(orbits: Orbits) -> Derived:
    """The curve at 0 degrees, of whichever orbit has it."""
    return _mean(orbits, ON_AXIS)


@method(
    "listening-window",
    version=1,
    title="Mean squared pressure over the listening window",
    formula="10 lg of the mean of the squared pressures of nine directions",
    source=f"ANSI/CTA-2034-A; {_TOOLE}",
    source_status="recalled",
    limitations="Nine directions of equal weight, whatever the room.",
)
def listening_window(orbits: Orbits) -> Derived:
    """Mean squared pressure of the nine directions of :data:`LISTENING_WINDOW`."""
    return _mean(orbits, LISTENING_WINDOW)


def _bounce_directions(name: str, rear_wall: RearWall) -> tuple[Direction, ...]:
    return REAR_WALL_ALL if name == "rear_wall_bounce" and rear_wall == "all" else BOUNCES[name]


@method(
    "wall-reflection",
    version=1,
    title="Mean squared pressure towards one wall, the floor or the ceiling",
    formula="10 lg of the mean of the squared pressures of the directions towards one surface",
    source=f"ANSI/CTA-2034-A; {_TOOLE}",
    source_status="recalled",
    limitations="Angles of typical rooms; the rear wall can be read as three directions or as nineteen.",
)
def wall_reflection(orbits: Orbits, name: str, rear_wall: RearWall = "three") -> Derived:
    """Mean squared pressure of the directions of one early reflection, see :data:`BOUNCES`."""
    return _mean(orbits, _bounce_directions(name, rear_wall))


def _total(orbits: Orbits, names: tuple[str, ...], total: Total, rear_wall: RearWall) -> Derived:
    if total == "curves":
        return _mean(orbits, [d for name in names for d in _bounce_directions(name, rear_wall)])
    return _mix([1.0 / len(names)] * len(names), [wall_reflection(orbits, name, rear_wall) for name in names])


@method(
    "early-reflections",
    version=1,
    title="Mean squared pressure of all early reflections",
    formula="10 lg of the mean of the squared pressures of the five reflections, or of all their directions",
    source=f"ANSI/CTA-2034-A; {_TOOLE}",
    source_status="recalled",
    limitations="Can be read as the mean of five reflections or of all their curves: 0.17 dB apart for a cardioid.",
)
def early_reflections(orbits: Orbits, total: Total = "bounces", rear_wall: RearWall = "three") -> Derived:
    """Mean of the five reflections, each of equal weight ("bounces"), or of all their directions ("curves")."""
    return _total(orbits, tuple(BOUNCES), total, rear_wall)


@method(
    "early-reflections-one-orbit",
    version=1,
    title="Mean squared pressure of the early reflections in one plane",
    formula="10 lg of the mean of the squared pressures of those reflections that lie in one plane",
    source="the part of the early reflections that lies in one plane",
    source_status="common practice, no source",
    limitations="Not part of the curve set as recalled.",
)
def early_reflections_one_orbit(
    orbits: Orbits, plane: str, total: Total = "bounces", rear_wall: RearWall = "three"
) -> Derived:
    """Mean of the front, side and rear wall (horizontal) or of the floor and the ceiling (vertical)."""
    return _total(orbits, HORIZONTAL_BOUNCES if plane == "horizontal" else VERTICAL_BOUNCES, total, rear_wall)


def _power_directions(*planes: str) -> tuple[tuple[Direction, ...], Floats]:
    """Directions and weights of one orbit or of both at 10 degree steps, with each pole once."""
    angles, weight, pole = two_orbit_weights(10.0)
    if len(planes) == 1:
        weight = np.where(pole, weight / 2, weight)  # the other half is the other orbit's
    chosen = [(plane, ~(pole & (number > 0))) for number, plane in enumerate(planes)]
    directions = [(plane, float(angle)) for plane, kept in chosen for angle in angles[kept]]
    return tuple(directions), np.concatenate([weight[kept] for _, kept in chosen])


@method(
    "sound-power-two-orbits",
    version=1,
    title="Sound power estimated from two orbits, as a mean squared pressure",
    formula="10 lg of the sum of weight times squared pressure over the 70 directions of two orbits, over the sum of "
    "the weights",
    source=f"ANSI/CTA-2034-A; {_TOOLE}",
    source_status="recalled",
    limitations="An estimate from 70 directions, not the mean over the sphere: 0.09 dB high for a cardioid, 0.36 dB "
    "for a dipole along the axis. Not to be compared with a full-sphere figure unlabelled.",
)
def sound_power(orbits: Orbits) -> Derived:
    """Mean squared pressure of 70 directions, weighted by :func:`two_orbit_weights` over their sum."""
    return _mean(orbits, *_power_directions(*PLANES))


@method(
    "sound-power-one-orbit",
    version=1,
    title="Weighted mean squared pressure of one orbit",
    formula="10 lg of the sum of weight times squared pressure over the 36 directions of one orbit, over the sum of "
    "the weights",
    source="the weights of the two-orbit sound power on the 36 directions of one orbit, a pole shared by halves",
    source_status="common practice, no source",
    limitations="Says what the power would be if the other orbit were like this one.",
)
def sound_power_one_orbit(orbits: Orbits, plane: str) -> Derived:
    """Mean squared pressure of the 36 directions of one orbit with the weights of the two-orbit sound power.

    A pole belongs to both orbits and counts by half in each, so that the two-orbit sound power is the mean of the two
    one-orbit ones, in squared pressure.
    """
    return _mean(orbits, *_power_directions(plane))


@method(
    "in-room-estimate",
    version=1,
    title="Estimated in-room response",
    formula="10 lg of 0.12 times the squared pressure of the listening window, plus 0.44 times that of the early "
    "reflections, plus 0.44 times that of the sound power",
    source=f"ANSI/CTA-2034-A; {_TOOLE}",
    source_status="recalled",
    limitations="Typical small rooms above their modal range; no particular room.",
)
def in_room(window: Derived, reflections: Derived, power: Derived) -> Derived:
    """Squared pressures in the shares of :data:`IN_ROOM_SHARES`."""
    return _mix(IN_ROOM_SHARES.values(), (window, reflections, power))


def _difference(reference: Floats, level: Floats) -> Floats:
    with np.errstate(invalid="ignore"):
        return reference - level


@method(
    "directivity-index",
    version=1,
    title="Directivity index: listening window less sound power or early reflections",
    formula="Level of the listening window less level of the other curve, in dB, at each frequency",
    source=f"ANSI/CTA-2034-A; {_TOOLE}",
    source_status="recalled",
    limitations="Refers to the listening window and to two orbits: a cardioid has 4.46 dB here and a true index of "
    "4.77 dB.",
)
def directivity_index(window_level: Floats, level: Floats) -> Floats:
    """Listening window minus a curve of both orbits, in dB."""
    return _difference(window_level, level)


@method(
    "directivity-index-one-orbit",
    version=1,
    title="Directivity index of one orbit: listening window less that orbit's curve",
    formula="Level of the listening window less level of the one-orbit curve, in dB, at each frequency",
    source="the directivity index with a one-orbit curve in place of the curve of both",
    source_status="common practice, no source",
    limitations="Both planes refer to the same listening window, which has directions of both.",
)
def directivity_index_one_orbit(window_level: Floats, level: Floats) -> Floats:
    """Listening window minus a curve of one orbit, in dB."""
    return _difference(window_level, level)


def _label(direction: Direction) -> str:
    plane, angle = direction
    return f"{angle:g}°" if angle in POLES else f"{plane} {angle:g}°"


def _within_reach(orbits: Orbits, direction: Direction) -> bool:
    plane, angle = direction
    planes = PLANES if angle in POLES else (plane,)
    return any(reachable(orbits.angles(p), angle).all() for p in planes)


def _reason(orbits: Orbits, missing: tuple[Direction, ...]) -> str:
    """What a curve needs, in words; an orbit that is missing altogether is named as a whole."""
    absent = [p for p in PLANES if not orbits.angles(p) and any(q == p and a not in POLES for q, a in missing)]
    # A whole orbit would bring the poles with it.
    single = [d for d in missing if d[0] not in absent and not (absent and d[1] in POLES)]
    needs = [f"the {plane} orbit" for plane in absent] + [_label(d) for d in single[:NAMED_AT_MOST]]
    more = f" and {len(single) - NAMED_AT_MOST} more" if len(single) > NAMED_AT_MOST else ""
    reason = f"needs {', '.join(needs)}{more}"
    if not all(_within_reach(orbits, direction) for direction in missing):
        return reason
    steps = {orbit_step(orbits.angles(plane))[0] for plane in PLANES if orbits.angles(plane)}
    step = steps.pop() if len(steps) == 1 else None
    spacing = f"the directions are {step:g}° apart; " if step is not None else ""
    return f"{reason}; {spacing}derivation.interpolate_angles lets them be interpolated, and records it"


def _look_up(level: ArrayLike, planes: Iterable[str], angles: ArrayLike) -> Orbits:
    array = np.asarray(level, dtype=np.float64)
    names = [str(plane) for plane in planes]
    degrees = np.atleast_1d(np.asarray(angles, dtype=np.float64))
    if array.ndim != 3 or array.shape[:2] != (len(names), degrees.size):
        raise ValueError(f"{len(names)} planes and {degrees.size} angles for levels of shape {array.shape}")
    if unknown := sorted(set(names) - set(PLANES)):
        raise ValueError(f"planes are {PLANES}, each once; not {unknown}")
    # Angles match to a hundredth of a degree; adding zero turns -0 into 0.
    wrapped = np.round(wrap_angle(np.round(degrees, 2)), 2) + 0.0
    if len(set(names)) < len(names) or np.unique(wrapped).size < wrapped.size:
        raise ValueError("a plane or an angle is given twice")
    measured = ~np.isnan(array).all(axis=2)
    place = {(names[row], float(wrapped[column])): (row, column) for row, column in np.argwhere(measured).tolist()}
    return Orbits(power_of_level(array), place)


_METHODS = {
    "on_axis": "on-axis",
    "listening_window": "listening-window",
    **dict.fromkeys(BOUNCES, "wall-reflection"),
    "early_reflections": "early-reflections",
    "early_reflections_horizontal": "early-reflections-one-orbit",
    "early_reflections_vertical": "early-reflections-one-orbit",
    "sound_power": "sound-power-two-orbits",
    "sound_power_horizontal": "sound-power-one-orbit",
    "sound_power_vertical": "sound-power-one-orbit",
    "in_room": "in-room-estimate",
    "sound_power_index": "directivity-index",
    "early_reflections_index": "directivity-index",
    "sound_power_index_horizontal": "directivity-index-one-orbit",
    "sound_power_index_vertical": "directivity-index-one-orbit",
    "early_reflections_index_horizontal": "directivity-index-one-orbit",
    "early_reflections_index_vertical": "directivity-index-one-orbit",
}


def _method_labels() -> dict[str, str]:
    version = versions(_METHODS.values())
    return {curve: f"{id}@{version[id]}" for curve, id in _METHODS.items()}


@method(
    "curve-set",
    version=1,
    title="The curve set of two orbits, and what is missing of it",
    formula="All averages of squared pressure that the measured directions allow, each 10 lg of its weighted mean",
    source=f"ANSI/CTA-2034-A; {_TOOLE}",
    source_status="recalled",
    limitations="Directions at 10 degree steps only, so that sets measured with different steps stay comparable.",
)
def curve_set(
    level: ArrayLike,
    planes: Iterable[str],
    angles: ArrayLike,
    *,
    early_reflections_total: Total = "bounces",
    rear_wall: RearWall = "three",
) -> CurveSet:
    """Derive the curve set of two orbits.

    Parameters
    ----------
    level : array_like, shape (plane, angle, frequency)
        dB. A direction that is NaN at all frequencies counts as not measured.
    planes : iterable of str
        "horizontal", "vertical" or both, in the order of the first axis.
    angles : array_like
        Degrees on the orbits. Directions at 10 degree steps are used and any others left aside, so that sets measured
        with different steps stay comparable.
    early_reflections_total : {"bounces", "curves"}
        Total early reflections as the mean of the five reflections or of all their directions.
    rear_wall : {"three", "all"}
        Rear wall reflection by 90, 180 and -90 degrees, or by every 10 degrees between.

    Returns
    -------
    CurveSet
        NaN at a frequency where any direction that goes into a curve is NaN. A curve for which a direction was not
        measured is not in `levels` or `indices`; `gaps` says what it needs.

    Raises
    ------
    ValueError
        If the shapes disagree, a plane or an angle is given twice, or an option has no such value.

    Notes
    -----
    0 and 180 degrees are the same directions on both orbits and count once, taken from the horizontal orbit if it has
    them. All indices, those of one orbit too, refer to the listening window, so that the index of one plane differs
    from that of the other only by what the planes do.
    """
    if early_reflections_total not in ("bounces", "curves"):
        raise ValueError(f'early_reflections_total is "bounces" or "curves", not {early_reflections_total!r}')
    if rear_wall not in ("three", "all"):
        raise ValueError(f'rear_wall is "three" or "all", not {rear_wall!r}')
    orbits = _look_up(level, planes, angles)
    curves = {"on_axis": on_axis(orbits), "listening_window": listening_window(orbits)}
    curves |= {name: wall_reflection(orbits, name, rear_wall) for name in BOUNCES}
    curves["early_reflections"] = early_reflections(orbits, early_reflections_total, rear_wall)
    for plane in PLANES:
        curves[f"early_reflections_{plane}"] = early_reflections_one_orbit(
            orbits, plane, early_reflections_total, rear_wall
        )
    curves["sound_power"] = sound_power(orbits)
    for plane in PLANES:
        curves[f"sound_power_{plane}"] = sound_power_one_orbit(orbits, plane)
    curves["in_room"] = in_room(*(curves[name] for name in IN_ROOM_SHARES))

    levels = {name: level_of_power(curve.power) for name, curve in curves.items() if curve.power is not None}
    needs = {name: (curve.members, curve.missing) for name, curve in curves.items()}
    indices = {}
    for kind in ("sound_power", "early_reflections"):
        for suffix, index in (
            ("", directivity_index),
            ("_horizontal", directivity_index_one_orbit),
            ("_vertical", directivity_index_one_orbit),
        ):
            name, of = f"{kind}_index{suffix}", f"{kind}{suffix}"
            needs[name] = _needs([curves["listening_window"], curves[of]])
            if not needs[name][1]:
                indices[name] = index(levels["listening_window"], levels[of])
    return CurveSet(
        levels=levels,
        indices=indices,
        gaps={name: _reason(orbits, missing) for name, (_, missing) in needs.items() if missing},
        method_of=_method_labels(),
        members={name: members for name, (members, missing) in needs.items() if not missing},
        options={"early_reflections_total": early_reflections_total, "rear_wall": rear_wall},
    )
