"""The CTA-2034-A curve set of two orbits: curves that the measured directions allow, and reasons for missing curves."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import level_of_power
from anechain.acoustics.directivity.curve_averages import (
    directivity_index,
    directivity_index_one_orbit,
    early_reflections,
    early_reflections_one_orbit,
    in_room,
    listening_window,
    members_and_missing,
    on_axis,
    sound_power,
    sound_power_one_orbit,
    wall_reflection,
)
from anechain.acoustics.directivity.direction_lists import (
    IN_ROOM_SHARES,
    POLES,
    REFLECTION_GROUPS,
    SOURCE,
    Direction,
    RearWall,
    Total,
)
from anechain.acoustics.directivity.directions import PLANES
from anechain.acoustics.directivity.measured_orbits import MeasuredOrbits, measured_orbits
from anechain.acoustics.directivity.orbits import can_interpolate, orbit_step
from anechain.arrays import Floats
from anechain.methods import method, versions

__all__ = ["CurveSet", "curve_set"]

MAX_NAMED_DIRECTIONS = 4
"""Largest number of missing directions that the reason of a gap names; it counts the others."""


@dataclass(frozen=True)
class CurveSet:
    """All curves that the measured directions allow, and what is missing for the others.

    Attributes
    ----------
    levels : dict of str to numpy.ndarray
        Levels in dB by frequency, in the unit and reference of the input.
    indices : dict of str to numpy.ndarray
        Directivity indices in dB by frequency.
    gaps : dict of str to str
        By curve that could not be derived: what it needs.
    method_of : dict of str to str
        By curve, including those with a gap: "id@version" of its method.
    members : dict of str to tuple of (plane, angle)
        By derived curve: its directions, each once; a pole has the plane on which it was measured.
    options : dict of str to str
        Chosen readings of the standard.
    """

    levels: dict[str, Floats]
    indices: dict[str, Floats]
    gaps: dict[str, str]
    method_of: dict[str, str]
    members: dict[str, tuple[Direction, ...]]
    options: dict[str, str]


def _label(direction: Direction) -> str:
    plane, angle = direction
    return f"{angle:g}°" if angle in POLES else f"{plane} {angle:g}°"


def _can_be_interpolated(orbits: MeasuredOrbits, direction: Direction) -> bool:
    plane, angle = direction
    planes = PLANES if angle in POLES else (plane,)
    return any(can_interpolate(orbits.angles(p), angle).all() for p in planes)


def _reason(orbits: MeasuredOrbits, missing: tuple[Direction, ...]) -> str:
    """Return what a curve needs, in words. An orbit of which nothing was measured is named as a whole."""
    absent = [p for p in PLANES if not orbits.angles(p) and any(q == p and a not in POLES for q, a in missing)]
    # A whole orbit includes the poles.
    single = [d for d in missing if d[0] not in absent and not (absent and d[1] in POLES)]
    names = [f"the {plane} orbit" for plane in absent] + [_label(d) for d in single[:MAX_NAMED_DIRECTIONS]]
    more = f" and {len(single) - MAX_NAMED_DIRECTIONS} more" if len(single) > MAX_NAMED_DIRECTIONS else ""
    reason = f"needs {', '.join(names)}{more}"
    if not all(_can_be_interpolated(orbits, direction) for direction in missing):
        return reason
    steps = {orbit_step(orbits.angles(plane))[0] for plane in PLANES if orbits.angles(plane)}
    step = steps.pop() if len(steps) == 1 else None
    spacing = f"the directions are {step:g}° apart; " if step is not None else ""
    return f"{reason}; {spacing}the option derivation.interpolate_angles interpolates them and records it"


_METHODS = {
    "on_axis": "on-axis",
    "listening_window": "listening-window",
    **dict.fromkeys(REFLECTION_GROUPS, "wall-reflection"),
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
    title="The curve set of two orbits, and what is missing",
    formula="All averages of squared pressure that the measured directions allow, each 10 lg of its weighted mean",
    source=SOURCE,
    source_status="recalled",
    limitations="Only directions at steps of 10 degrees are used, so that sets measured with different steps are "
    "comparable.",
)
def curve_set(
    level: ArrayLike,
    planes: Iterable[str],
    angles: ArrayLike,
    *,
    early_reflections_total: Total = "reflection_groups",
    rear_wall: RearWall = "three",
) -> CurveSet:
    """Derive the curve set of two orbits.

    Parameters
    ----------
    level : array_like, shape (plane, angle, frequency)
        dB. A direction that is NaN at all frequencies was not measured.
    planes : iterable of str
        "horizontal", "vertical" or both, in the order of the first axis.
    angles : array_like
        Degrees on the orbits. Only directions at steps of 10 degrees are used, so that sets measured with different
        steps are comparable.
    early_reflections_total : {"reflection_groups", "curves"}
        Total early reflections as the mean of the five groups of reflections, or of all their directions.
    rear_wall : {"three", "all"}
        Rear wall reflection from 90, 180 and -90 degrees, or from every 10 degrees between.

    Returns
    -------
    CurveSet
        A curve is NaN at a frequency where one of its directions is NaN. A curve for which a direction was not
        measured is not in `levels` or `indices`; `gaps` has what it needs.

    Raises
    ------
    ValueError
        If the shapes disagree, a plane or an angle occurs twice, or an option has an unknown value.

    Notes
    -----
    0 and 180 degrees are the same directions on both orbits. They count once and are taken from the horizontal orbit if
    it has them. All indices, including those of one orbit, refer to the listening window. So the indices of the two
    planes differ only by the curves of the planes.
    """
    if early_reflections_total not in ("reflection_groups", "curves"):
        raise ValueError(
            f'early_reflections_total must be "reflection_groups" or "curves", not {early_reflections_total!r}'
        )
    if rear_wall not in ("three", "all"):
        raise ValueError(f'rear_wall must be "three" or "all", not {rear_wall!r}')
    orbits = measured_orbits(level, planes, angles)
    curves = {"on_axis": on_axis(orbits), "listening_window": listening_window(orbits)}
    curves |= {name: wall_reflection(orbits, name, rear_wall) for name in REFLECTION_GROUPS}
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
            name, subtracted = f"{kind}_index{suffix}", f"{kind}{suffix}"
            needs[name] = members_and_missing([curves["listening_window"], curves[subtracted]])
            if not needs[name][1]:
                indices[name] = index(levels["listening_window"], levels[subtracted])
    return CurveSet(
        levels=levels,
        indices=indices,
        gaps={name: _reason(orbits, missing) for name, (_, missing) in needs.items() if missing},
        method_of=_method_labels(),
        members={name: members for name, (members, missing) in needs.items() if not missing},
        options={"early_reflections_total": early_reflections_total, "rear_wall": rear_wall},
    )
