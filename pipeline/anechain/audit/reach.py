"""Reach: which values a cause can affect.

A cause is ruled out for a value only where it is known that it cannot affect it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.audit.causes import Cause

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Scope", "reached_by_directions", "reaches"]

_WHOLE_SET = ("curve-set", "fractional-octave-smoothing", "orbit-interpolation")
"""Methods that affect all curves of a set, whatever the curve's own method is."""

_DESCRIPTIONS = {
    "title",
    "setup.reference_axis",
    "setup.environment",
    "setup.microphone",
    "setup.temperature",
    "setup.pressure",
    "setup.humidity",
    "setup.valid_band",
    "responses.files",
    "responses.importer",
}
"""Parameters of the import that describe the device, or repeat what the inputs of the receipt state."""
_USED_BY_NUMBERS = {"setup.valid_band", "setup.temperature", "setup.pressure", "setup.humidity"}
"""Of these, the parameters that numbers may depend on."""

_LEVEL_OFFSETS = {"setup.level_kind", "setup.distance", "setup.drive", "reference_distance", "reference_drive"}
"""Parameters of the import that shift all levels of a device equally, and so do not affect directivity indices."""


def _parts(name: str) -> tuple[str, ...]:
    """Return the curves that a curve or an index is computed from."""
    from anechain.acoustics.directivity.direction_lists import (
        HORIZONTAL_REFLECTION_GROUPS,
        IN_ROOM_SHARES,
        REFLECTION_GROUPS,
        VERTICAL_REFLECTION_GROUPS,
    )

    known = {
        "in_room": tuple(IN_ROOM_SHARES),
        "early_reflections": tuple(REFLECTION_GROUPS),
        "early_reflections_horizontal": HORIZONTAL_REFLECTION_GROUPS,
        "early_reflections_vertical": VERTICAL_REFLECTION_GROUPS,
        "sphere_index": ("on_axis", "sphere_power"),
        "two_orbit_error": ("sound_power", "sphere_power"),
    }
    if name in known:
        return known[name]
    return ("listening_window", name.replace("_index", "")) if "_index" in name else ()


def _all_parts(name: str) -> set[str]:
    """Return the curve or index itself, its parts, their parts, and so on."""
    parts, pending = {name}, [name]
    while pending:
        new = set(_parts(pending.pop())) - parts
        parts |= new
        pending += new
    return parts


@dataclass(frozen=True)
class Scope:
    """What is known of a device besides its receipts, to decide which values a cause can affect.

    Attributes
    ----------
    directions : frozenset of str, or None
        Curves and indices that depend on a measured direction that differs; None if that is not known.
    smoothed, interpolated : bool
        Whether the curves of any side were smoothed, or directions interpolated.
    methods : mapping of str to str
        "id@version" of the method behind each curve and index, from the files.
    """

    directions: frozenset[str] | None = None
    smoothed: bool = True
    interpolated: bool = True
    methods: Mapping[str, str] | None = None

    def methods_behind(self, name: str) -> set[str]:
        """Return ids of the methods that a curve or an index depends on, except those that affect the whole set."""
        known = {**_methods_by_curve()} | {key: label.partition("@")[0] for key, label in (self.methods or {}).items()}
        parts = _all_parts(name)
        ids = {known[part] for part in parts if part in known}
        return ids | ({"two-orbit-weights"} if any(part.startswith("sound_power") for part in parts) else set())


@cache
def _methods_by_curve() -> Mapping[str, str]:
    from anechain.acoustics.directivity.curves import curve_set

    labels = curve_set(np.zeros((1, 1, 1)), ["horizontal"], [0.0]).method_of
    sphere = dict.fromkeys(("sphere_power", "sphere_index", "two_orbit_error"), "sphere-mean-level")
    return {name: label.partition("@")[0] for name, label in labels.items()} | sphere


def reaches(cause: Cause, kind: str, name: str, scope: Scope) -> bool:
    """Return whether a cause can affect a value.

    Parameters
    ----------
    cause : Cause
        A cause between the receipts of the file that holds the value.
    kind, name : str
        Kind and name of the value; see :class:`anechain.data.changes.Difference`.
    scope : Scope
        What is known of the value's device.
    """
    if cause.kind in ("presentation", "software", "contract"):
        return False
    if cause.step == "ingest":
        return _import_affects(cause, kind, name, scope)
    if cause.step == "derive" and kind in ("curve", "index"):
        return _derivation_affects(cause, name, scope)
    return True


def _import_affects(cause: Cause, kind: str, name: str, scope: Scope) -> bool:
    if cause.kind == "parameter" and cause.name in _DESCRIPTIONS:
        return kind in ("number", "row") and cause.name in _USED_BY_NUMBERS
    if kind not in ("curve", "index"):
        return True
    if scope.directions is not None and name not in scope.directions:
        return False
    shifts = (cause.kind == "parameter" and cause.name in _LEVEL_OFFSETS) or cause.name == "level-reference"
    return kind == "curve" or not shifts


def _derivation_affects(cause: Cause, name: str, scope: Scope) -> bool:
    from_orbits = name != "sphere_power"
    parts = _all_parts(name)
    smoothing = {("parameter", "smoothing"), ("method", "fractional-octave-smoothing")}
    interpolation = {("parameter", "interpolate_angles"), ("method", "orbit-interpolation")}
    changed = (cause.kind, cause.name)
    if changed in smoothing:
        return scope.smoothed
    if changed in interpolation:
        return from_orbits and scope.interpolated
    if changed == ("parameter", "rear_wall"):
        return "rear_wall_bounce" in parts
    if changed == ("parameter", "early_reflections_total"):
        return any(part.startswith("early_reflections") and "_index" not in part for part in parts)
    if cause.kind == "parameter" and cause.name.startswith("uncertainty"):
        return False  # changes the uncertainty of a level, not the level
    if cause.kind == "method":
        if cause.name == "resolution-limit" or "uncertainty" in cause.name:
            return False
        if cause.name in _WHOLE_SET:
            return from_orbits
        # A method that is not known to belong to any curve may affect all of them.
        curves = {*_methods_by_curve(), *(scope.methods or {})}
        known = {method for curve in curves for method in scope.methods_behind(curve)}
        return cause.name in scope.methods_behind(name) or cause.name not in known
    return True


def reached_by_directions(
    responses: Iterable[xr.Dataset], derivations: Iterable[Mapping[str, Any]], differing: Iterable[str]
) -> frozenset[str]:
    """Return the curves and indices that depend on a measured direction that differs.

    Parameters
    ----------
    responses : iterable of xarray.Dataset
        The measured directions of both sides, valid by the contract `responses`.
    derivations : iterable of mapping
        Parameters of the derivation of each side.
    differing : iterable of str
        Names of the directions that differ, such as "horizontal 20°".

    Returns
    -------
    frozenset of str
        Names of the curve set, for either side; interpolated directions are not considered.
    """
    from anechain.acoustics.directivity.curves import curve_set

    differing_names = set(differing)
    reached: set[str] = set()
    for dataset, parameters in zip(responses, derivations, strict=True):
        planes = [str(plane) for plane in dataset["plane"].values]
        measured = np.asarray(dataset["measured"].transpose("plane", "angle").values) == 1
        if "mirrored" in dataset:
            measured = measured | (np.asarray(dataset["mirrored"].transpose("plane", "angle").values) == 1)
        level = np.where(measured, 0.0, np.nan)[..., np.newaxis]
        # The curve set rounds angles to a hundredth of a degree.
        changed = {
            f"{plane} {round(float(angle), 2) + 0.0:g}°"
            for plane in planes
            for angle in dataset["angle"].values
            if f"{plane} {angle:g}°" in differing_names
        }
        options = {name: parameters[name] for name in ("early_reflections_total", "rear_wall") if name in parameters}
        members = curve_set(level, planes, dataset["angle"].values, **options).members
        for name, directions in members.items():
            if changed & {f"{plane} {angle:g}°" for plane, angle in directions}:
                reached.add(name)
    return frozenset(reached)
