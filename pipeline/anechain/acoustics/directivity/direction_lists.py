"""Directions that go into each curve of the CTA-2034-A curve set.

The lists and the in-room shares are recalled from ANSI/CTA-2034-A and from Toole, *Sound Reproduction* (2008), chapter
18, after Devantier 2002; they were not checked against the standard. Where the standard can be read in two ways, both
readings are options.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

__all__ = [
    "HORIZONTAL_REFLECTION_GROUPS",
    "IN_ROOM_SHARES",
    "LISTENING_WINDOW",
    "ON_AXIS",
    "POLES",
    "REAR_WALL_ALL",
    "REFLECTION_GROUPS",
    "SOURCE",
    "VERTICAL_REFLECTION_GROUPS",
    "Direction",
    "RearWall",
    "Total",
    "reflection_directions",
]

SOURCE = "ANSI/CTA-2034-A; Toole, Sound Reproduction (2008), ch. 18, after Devantier 2002"

Direction = tuple[str, float]
"""Plane, and angle in degrees."""

POLES = (0.0, 180.0)
"""Angles in degrees of the two directions that both orbits share."""

Total = Literal["reflection_groups", "curves"]
"""Total early reflections as the mean of the reflection groups, or of all their directions."""

RearWall = Literal["three", "all"]
"""Rear wall reflection from three directions, or from all at steps of 10 degrees."""


def _on(plane: str, *angles: float) -> tuple[Direction, ...]:
    return tuple((plane, float(angle)) for angle in angles)


ON_AXIS = _on("horizontal", 0)

LISTENING_WINDOW = (*_on("horizontal", -30, -20, -10, 0, 10, 20, 30), *_on("vertical", -10, 10))
"""Nine directions: on axis, 10 degrees up and down, and 10, 20, 30 degrees to both sides. Recalled."""

REFLECTION_GROUPS: Mapping[str, tuple[Direction, ...]] = MappingProxyType(
    {
        "floor_bounce": _on("vertical", -20, -30, -40),
        "ceiling_bounce": _on("vertical", 40, 50, 60),
        "front_wall_bounce": _on("horizontal", 0, 10, 20, 30, -10, -20, -30),
        "side_wall_bounce": _on("horizontal", 40, 50, 60, 70, 80, -40, -50, -60, -70, -80),
        "rear_wall_bounce": _on("horizontal", 90, 180, -90),
    }
)
"""Directions of the five groups of early reflections, 26 in all. Recalled."""

REAR_WALL_ALL = _on("horizontal", *range(90, 181, 10), *range(-170, -89, 10))
"""Second reading of the rear wall: 19 directions, every 10 degrees from 90 through 180 to -90 degrees. Recalled."""

HORIZONTAL_REFLECTION_GROUPS = ("front_wall_bounce", "side_wall_bounce", "rear_wall_bounce")
VERTICAL_REFLECTION_GROUPS = ("floor_bounce", "ceiling_bounce")

IN_ROOM_SHARES: Mapping[str, float] = MappingProxyType(
    {"listening_window": 0.12, "early_reflections": 0.44, "sound_power": 0.44}
)
"""Shares of the squared pressure of three curves in the estimated in-room response. Recalled."""


def reflection_directions(name: str, rear_wall: RearWall) -> tuple[Direction, ...]:
    """Return the directions of one group of early reflections, with the chosen reading of the rear wall."""
    return REAR_WALL_ALL if name == "rear_wall_bounce" and rear_wall == "all" else REFLECTION_GROUPS[name]
