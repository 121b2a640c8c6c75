"""Causes: what two receipts name differently, step by step.

Steps are matched by their position: the steps that made the two outputs, then the steps that made each input of the
same role, and so on.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import PurePosixPath
from typing import Any

from anechain.receipts.canonical_json import canonical_json
from anechain.receipts.receipt import RAW

__all__ = ["NOT_STATED", "Cause", "differing_steps", "parameter_differences"]

NOT_STATED = "not stated"
"""Value of a parameter or a method that one side does not have."""


@dataclass(frozen=True)
class Cause:
    """One thing that differs between two receipts.

    Attributes
    ----------
    kind : str
        "raw files", "importer code", "importer files", "parameter", "method", "stage", "importer", "contract", "input",
        "file" (an output that was altered), "presentation" or "software".
    name : str
        Which one: the parameter's path, the method's id, the package.
    old, new : object
        Its two values; for raw files the SHA-256 by path of those that differ.
    step : str
        The kind of step that differs: "ingest", "derive", ...
    """

    kind: str
    name: str
    old: Any
    new: Any
    step: str = ""

    @cached_property
    def key(self) -> bytes:
        """Identifier of the cause."""
        return canonical_json([self.kind, self.name, self.old, self.new, self.step])


def differing_steps(
    old: Mapping[str, Any], new: Mapping[str, Any], device: str
) -> tuple[list[tuple[Cause, str]], list[Cause]]:
    """Compare two receipts step by step, from the outputs to the raw files.

    Parameters
    ----------
    old, new : mapping
        Receipts; see :mod:`anechain.receipts.receipt`.
    device : str
        The device of the outputs; empty for an output of all devices.

    Returns
    -------
    causes : list of (Cause, str)
        What differs, nearest to the output first, and the device it applies to (empty for all).
    software : list of Cause
        Versions of software that differ in any pair of steps.
    """
    causes: dict[tuple[bytes, str], tuple[Cause, str]] = {}
    software: dict[bytes, Cause] = {}
    seen: set[tuple[str, str, str]] = set()
    pending = [(old["stamp"], new["stamp"], device)]
    while pending:
        item = pending.pop(0)
        if item in seen:
            continue
        seen.add(item)
        old_stamp, new_stamp, step_device = item
        before, after = old["steps"].get(old_stamp), new["steps"].get(new_stamp)
        if before is None or after is None:
            continue
        for name in sorted({*before["software"], *after["software"]}):
            versions = [step["software"].get(name, NOT_STATED) for step in (before, after)]
            if versions[0] != versions[1]:
                cause = Cause("software", name, *versions)
                software[cause.key] = cause
        roles = [role for role in before["made_by"] if role in after["made_by"]]
        makers = [(before["made_by"][role], after["made_by"][role], step_device or _device(role)) for role in roles]
        if old_stamp != new_stamp:
            same_inputs = all(maker[0] == maker[1] for maker in makers)
            for cause in _step_causes(before, after, same_inputs):
                causes.setdefault((cause.key, step_device), (cause, step_device))
        pending += makers
    return list(causes.values()), list(software.values())


def _device(role: str) -> str:
    """Return the device of an input of a step of all devices, whose roles are "device/file"."""
    device, slash, _ = role.partition("/")
    return device if slash else ""


def _step_causes(old: Mapping[str, Any], new: Mapping[str, Any], same_inputs: bool) -> Iterator[Cause]:
    step = str(new["method"])
    causes = []
    if old["method"] != new["method"]:
        causes.append(Cause("stage", "kind of step", old["method"], new["method"], step))
    elif old["version"] != new["version"]:
        causes.append(Cause("stage", step, old["version"], new["version"], step))
    for path, before, after in parameter_differences(old["parameters"], new["parameters"]):
        kind, name = "parameter", ".".join(path)
        if path[0] == "methods" and len(path) == 2:
            kind, name = "method", path[1]
        elif path == ("contract",):
            kind, name = "contract", step
        elif path == ("importer",):
            kind = "importer"
        elif path == ("importer_version",):
            kind, name = "importer", str(new["parameters"].get("importer"))
        elif path[0] == "importers" and len(path) == 2 and isinstance(before, list) and isinstance(after, list):
            kind, name, before, after = _importer_change(before, after)
        causes.append(Cause(kind, name, before, after, step))
    causes += _raw_file_causes(old, new, step)
    if same_inputs and not causes:
        # Nothing else explains a removed or added input.
        before, after = _made_inputs(old), _made_inputs(new)
        if before != after:
            causes.append(Cause("input", step, sorted(before - after), sorted(after - before), step))
    yield from causes


def _importer_change(before: list[Any], after: list[Any]) -> tuple[str, str, Any, Any]:
    """Return kind and name of a cause, and both values, of an importer: [name, version, SHA-256 of its files]."""
    if before[0] != after[0]:
        return "importer", "importer", before[0], after[0]
    if before[1] != after[1]:
        return "importer", str(after[0]), before[1], after[1]
    old, new = (str(side[2])[:12] if len(side) > 2 else None for side in (before, after))
    return "importer files", str(after[0]), old, new


def _made_inputs(step: Mapping[str, Any]) -> set[str]:
    """Return the roles of the inputs that another step made."""
    return {entry["role"] for entry in step["inputs"] if entry["role"] in step["made_by"]}


def _raw_file_causes(old: Mapping[str, Any], new: Mapping[str, Any], step: str) -> Iterator[Cause]:
    code = {
        name
        for side in (old, new)
        for name in side["parameters"].get("private_importers") or ()
        if isinstance(name, str)
    }
    for kind, is_code in (("importer code", True), ("raw files", False)):
        sides = []
        for side in (old, new):
            raw = {
                entry["role"].removeprefix(RAW): entry["sha256"]
                for entry in side["inputs"]
                if entry["role"].startswith(RAW)
            }
            sides.append({path: sha256 for path, sha256 in raw.items() if (path in code) == is_code})
        before, after = sides
        differing = {path for path in before.keys() | after.keys() if before.get(path) != after.get(path)}
        if differing:
            name = str(PurePosixPath(min(differing)).parent)
            before, after = (
                {path: sha256 for path, sha256 in sorted(side.items()) if path in differing} for side in sides
            )
            yield Cause(kind, name, before, after, step)


def parameter_differences(
    old: Mapping[str, Any], new: Mapping[str, Any], path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], Any, Any]]:
    """Yield path, old and new value of everything that differs in two nested mappings."""
    for name in sorted({*old, *new}):
        before, after = old.get(name, NOT_STATED), new.get(name, NOT_STATED)
        if isinstance(before, Mapping) and isinstance(after, Mapping):
            yield from parameter_differences(before, after, (*path, name))
        elif canonical_json(before) != canonical_json(after):
            yield (*path, name), before, after
