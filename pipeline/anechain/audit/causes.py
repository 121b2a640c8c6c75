"""Why two outputs differ: what their receipts name differently, and which values that can reach.

Steps are matched by their place: the steps that made the two outputs, then the steps that made each input of one role,
and so on. "Can reach" is meant in the wide sense: a cause is left out only where it is known that it has no way to a
value.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.receipts.embedding import canonical
from anechain.receipts.receipt import RAW

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["NOT_STATED", "Cause", "Scope", "differing_steps", "reached_by_directions", "reaches"]

NOT_STATED = "not stated"
"""Stands for a parameter or a method that one side does not have."""

_WHOLE_SET = ("curve-set", "fractional-octave-smoothing", "orbit-interpolation")
"""Methods that work on all curves of a set, whatever the curve's own method is."""

# What a parameter of the import says of the device, or in other words than the receipt's inputs do.
_DESCRIBING = {
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
_OF_NUMBERS_TOO = {"setup.valid_band", "setup.temperature", "setup.pressure", "setup.humidity"}
"""Of these, what a number may be taken from."""

_OFFSETS = {"setup.level_kind", "setup.distance", "setup.drive", "reference_distance", "reference_drive"}
"""Parameters of the import that shift all levels of a device alike, so that no difference of two curves sees them."""


@dataclass(frozen=True)
class Cause:
    """One thing that differs between two receipts.

    Attributes
    ----------
    kind : str
        "raw files", "importer code", "parameter", "method", "stage", "importer", "contract", "input", "file" (an
        output that is not as it was made), "presentation" or "software".
    name : str
        Which one: the parameter's path, the method's id, the package.
    old, new : object
        Its two values; for raw files the SHA-256 by path of those that are not on both sides alike.
    step : str
        The kind of step it was found at: "ingest", "derive", ...
    """

    kind: str
    name: str
    old: Any
    new: Any
    step: str = ""

    @cached_property
    def key(self) -> bytes:
        """Tells one cause from another."""
        return canonical([self.kind, self.name, self.old, self.new, self.step])


def differing_steps(
    old: Mapping[str, Any], new: Mapping[str, Any], device: str
) -> tuple[list[tuple[Cause, str]], list[Cause]]:
    """Walk two receipts side by side, from the outputs to the raw files.

    Parameters
    ----------
    old, new : mapping
        Receipts; see :mod:`anechain.receipts.receipt`.
    device : str
        The device the outputs belong to; empty for an output of a whole campaign.

    Returns
    -------
    causes : list of (Cause, str)
        What differs, nearest to the output first, and the device it holds for (empty for all).
    software : list of Cause
        Versions of software that differ at any pair of steps.
    """
    causes: dict[tuple[bytes, str], tuple[Cause, str]] = {}
    software: dict[bytes, Cause] = {}
    seen: set[tuple[str, str, str]] = set()
    ahead = [(old["stamp"], new["stamp"], device)]
    while ahead:
        stamps = ahead.pop(0)
        if stamps in seen:
            continue
        seen.add(stamps)
        was, is_ = old["steps"].get(stamps[0]), new["steps"].get(stamps[1])
        if was is None or is_ is None:
            continue
        for name in sorted({*was["software"], *is_["software"]}):
            versions = [step["software"].get(name, NOT_STATED) for step in (was, is_)]
            if versions[0] != versions[1]:
                cause = Cause("software", name, *versions)
                software[cause.key] = cause
        roles = [role for role in was["made_by"] if role in is_["made_by"]]
        below = [(was["made_by"][r], is_["made_by"][r], _device(r) if not stamps[2] else stamps[2]) for r in roles]
        if stamps[0] != stamps[1]:
            alike = all(pair[0] == pair[1] for pair in below)
            for cause in _of_step(was, is_, alike):
                causes.setdefault((cause.key, stamps[2]), (cause, stamps[2]))
        ahead += below
    return list(causes.values()), list(software.values())


def _device(role: str) -> str:
    """The device of an input of a step that takes in several: its role is "device/file"."""
    device, slash, _ = role.partition("/")
    return device if slash else ""


def _of_step(old: Mapping[str, Any], new: Mapping[str, Any], alike_below: bool) -> Iterator[Cause]:
    step = str(new["method"])
    found = []
    if old["method"] != new["method"]:
        found.append(Cause("stage", "kind of step", old["method"], new["method"], step))
    elif old["version"] != new["version"]:
        found.append(Cause("stage", step, old["version"], new["version"], step))
    for path, was, is_ in parameter_differences(old["parameters"], new["parameters"]):
        kind, name = "parameter", ".".join(path)
        if path[0] == "methods" and len(path) == 2:
            kind, name = "method", path[1]
        elif path == ("contract",):
            kind, name = "contract", step
        elif path == ("importer",):
            kind = "importer"
        elif path == ("importer_version",):
            kind, name = "importer", str(new["parameters"].get("importer"))
        found.append(Cause(kind, name, was, is_, step))
    found += _of_raw_files(old, new, step)
    lone = _only(_makers(old), _makers(new)) if alike_below and not found else None
    if lone is not None:
        # Nothing else says why an input came or went.
        found.append(Cause("input", step, *lone, step))
    yield from found


def _makers(step: Mapping[str, Any]) -> dict[str, str]:
    return {entry["role"]: entry["sha256"] for entry in step["inputs"] if entry["role"] in step["made_by"]}


def _only(old: Mapping[str, str], new: Mapping[str, str]) -> tuple[list[str], list[str]] | None:
    went, came = sorted(old.keys() - new.keys()), sorted(new.keys() - old.keys())
    return (went, came) if went or came else None


def _of_raw_files(old: Mapping[str, Any], new: Mapping[str, Any], step: str) -> Iterator[Cause]:
    code = {
        name
        for side in (old, new)
        for name in side["parameters"].get("private_importers") or ()
        if isinstance(name, str)
    }
    for kind, wanted in (("importer code", True), ("raw files", False)):
        sides = []
        for side in (old, new):
            raw = {e["role"].removeprefix(RAW): e["sha256"] for e in side["inputs"] if e["role"].startswith(RAW)}
            sides.append({path: sha256 for path, sha256 in raw.items() if (path in code) == wanted})
        was, is_ = sides
        apart = {path for path in was.keys() | is_.keys() if was.get(path) != is_.get(path)}
        if apart:
            name = str(PurePosixPath(min(apart)).parent)
            was, is_ = ({path: h for path, h in sorted(one.items()) if path in apart} for one in sides)
            yield Cause(kind, name, was, is_, step)


def parameter_differences(
    old: Mapping[str, Any], new: Mapping[str, Any], path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], Any, Any]]:
    """Path, old and new value of everything that differs in two nested mappings."""
    for name in sorted({*old, *new}):
        was, is_ = old.get(name, NOT_STATED), new.get(name, NOT_STATED)
        if isinstance(was, Mapping) and isinstance(is_, Mapping):
            yield from parameter_differences(was, is_, (*path, name))
        elif canonical(was) != canonical(is_):
            yield (*path, name), was, is_


# Which values a cause can reach.


def _parts(name: str) -> tuple[str, ...]:
    """The curves that a curve or an index is put together from."""
    from anechain.acoustics.directivity.direction_lists import (
        BOUNCES,
        HORIZONTAL_BOUNCES,
        IN_ROOM_SHARES,
        VERTICAL_BOUNCES,
    )

    whole = {
        "in_room": tuple(IN_ROOM_SHARES),
        "early_reflections": tuple(BOUNCES),
        "early_reflections_horizontal": HORIZONTAL_BOUNCES,
        "early_reflections_vertical": VERTICAL_BOUNCES,
        "sphere_index": ("on_axis", "sphere_power"),
        "two_orbit_error": ("sound_power", "sphere_power"),
    }
    if name in whole:
        return whole[name]
    return ("listening_window", name.replace("_index", "")) if "_index" in name else ()


def _made_of(name: str) -> set[str]:
    found, ahead = {name}, [name]
    while ahead:
        new = set(_parts(ahead.pop())) - found
        found |= new
        ahead += new
    return found


@dataclass(frozen=True)
class Scope:
    """What is known of a device beside its receipts, to tell which values a cause can reach.

    Attributes
    ----------
    directions : frozenset of str, or None
        Curves and indices into which a measured direction goes that differs; None if that is not known.
    smoothed, interpolated : bool
        Whether any of the two sides was smoothed, or had directions interpolated.
    methods : mapping of str to str
        "id@version" behind each curve and index, as the files say.
    """

    directions: frozenset[str] | None = None
    smoothed: bool = True
    interpolated: bool = True
    methods: Mapping[str, str] | None = None

    def behind(self, name: str) -> set[str]:
        """Ids of the methods whose result goes into a curve or an index, those of the whole set left out."""
        known = {**_methods_by_curve()} | {key: label.partition("@")[0] for key, label in (self.methods or {}).items()}
        made_of = _made_of(name)
        ids = {known[one] for one in made_of if one in known}
        return ids | ({"two-orbit-weights"} if any(one.startswith("sound_power") for one in made_of) else set())


@cache
def _methods_by_curve() -> Mapping[str, str]:
    from anechain.acoustics.directivity.curves import curve_set

    labels = curve_set(np.zeros((1, 1, 1)), ["horizontal"], [0.0]).method_of
    sphere = dict.fromkeys(("sphere_power", "sphere_index", "two_orbit_error"), "sphere-mean-level")
    return {name: label.partition("@")[0] for name, label in labels.items()} | sphere


def reaches(cause: Cause, kind: str, name: str, scope: Scope) -> bool:
    """Say whether a cause has a way to a value.

    Parameters
    ----------
    cause : Cause
        Found on the way back of the very file that holds the value.
    kind, name : str
        Of the value; see :class:`anechain.audit.differences.Difference`.
    scope : Scope
        Of its device.
    """
    if cause.kind in ("presentation", "software", "contract"):
        return False
    of_curves = kind in ("curve", "index")
    if cause.step == "ingest":
        return _import_reaches(cause, kind, name, scope)
    if cause.step == "derive" and of_curves:
        return _derivation_reaches(cause, name, scope)
    return True


def _import_reaches(cause: Cause, kind: str, name: str, scope: Scope) -> bool:
    if cause.kind == "parameter" and cause.name in _DESCRIBING:
        return kind in ("number", "row") and cause.name in _OF_NUMBERS_TOO
    if kind not in ("curve", "index"):
        return True
    if scope.directions is not None and name not in scope.directions:
        return False
    shifts = (cause.kind == "parameter" and cause.name in _OFFSETS) or cause.name == "level-reference"
    return kind == "curve" or not shifts


def _derivation_reaches(cause: Cause, name: str, scope: Scope) -> bool:
    of_orbits = name != "sphere_power"
    made_of = _made_of(name)
    smoothing = {("parameter", "smoothing"), ("method", "fractional-octave-smoothing")}
    interpolation = {("parameter", "interpolate_angles"), ("method", "orbit-interpolation")}
    what = (cause.kind, cause.name)
    if what in smoothing:
        return scope.smoothed
    if what in interpolation:
        return of_orbits and scope.interpolated
    if what == ("parameter", "rear_wall"):
        return "rear_wall_bounce" in made_of
    if what == ("parameter", "early_reflections_total"):
        return any(one.startswith("early_reflections") and "_index" not in one for one in made_of)
    if cause.kind == "parameter" and cause.name.startswith("uncertainty"):
        return False  # how sure a level is, not the level
    if cause.kind == "method":
        if cause.name == "resolution-limit" or "uncertainty" in cause.name:
            return False
        if cause.name in _WHOLE_SET:
            return of_orbits
        # A method that no curve is known to come from may work on all of them.
        claimed = {id_ for one in {*_methods_by_curve(), *(scope.methods or {})} for id_ in scope.behind(one)}
        return cause.name in scope.behind(name) or cause.name not in claimed
    return True


def reached_by_directions(
    responses: Iterable[xr.Dataset], options: Iterable[Mapping[str, Any]], differing: Iterable[str]
) -> frozenset[str]:
    """Curves and indices that a differing measured direction goes into.

    Parameters
    ----------
    responses : iterable of xarray.Dataset
        After the contract `responses`: the measured directions of both sides.
    options : iterable of mapping
        Parameters of the derivation of each side.
    differing : iterable of str
        Names of the directions that differ, as "horizontal 20°".

    Returns
    -------
    frozenset of str
        What the directions of the curve set say, on either side; interpolated directions are not seen here.
    """
    from anechain.acoustics.directivity.curves import curve_set

    differ = set(differing)
    reached: set[str] = set()
    for dataset, chosen in zip(responses, options, strict=True):
        planes = [str(plane) for plane in dataset["plane"].values]
        measured = np.asarray(dataset["measured"].transpose("plane", "angle").values) == 1
        level = np.where(measured, 0.0, np.nan)[..., np.newaxis]
        # The curve set takes angles to a hundredth of a degree.
        changed = {
            f"{plane} {round(float(angle), 2) + 0.0:g}°"
            for plane in planes
            for angle in dataset["angle"].values
            if f"{plane} {angle:g}°" in differ
        }
        readings = {name: chosen[name] for name in ("early_reflections_total", "rear_wall") if name in chosen}
        members = curve_set(level, planes, dataset["angle"].values, **readings).members
        for name, directions in members.items():
            if changed & {f"{plane} {angle:g}°" for plane, angle in directions}:
                reached.add(name)
    return frozenset(reached)
