"""Titles of the curves in figures and tables."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

__all__ = ["INDICES_BY_PLANE", "TITLES"]

INDICES_BY_PLANE = "directivity indices by plane,"
"""Start of the notes of the curve set on the directivity indices of a single plane."""

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
        "sound_power_index_horizontal": "Sound power directivity index, horizontal orbit",
        "sound_power_index_vertical": "Sound power directivity index, vertical orbit",
        "early_reflections_index": "Early reflections directivity index",
        "early_reflections_index_horizontal": "Early reflections directivity index, horizontal orbit",
        "early_reflections_index_vertical": "Early reflections directivity index, vertical orbit",
        "sphere_power": "True sphere power",
        "sphere_index": "True directivity index (full sphere, re on-axis)",
        "two_orbit_error": "Two-orbit sound power minus true sphere power",
    }
)
"""Title of each curve by its name."""
