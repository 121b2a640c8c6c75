"""The processing history of files, from their receipts back to the raw files."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["HistoryStep", "processing_history"]


@dataclass(frozen=True)
class HistoryStep:
    """A step of the processing history, with the steps that made its inputs.

    Attributes
    ----------
    output : str
        Name of the file that the step made.
    method, version : str
        Stage, and its version.
    stamp : str
        Stamp of the step.
    parameters : tuple of (str, str)
        Names and values, in the order of the names.
    raw_files : tuple of (str, str)
        Paths of raw files, and their SHA-256.
    inputs : tuple of (str, HistoryStep)
        SHA-256 of the other inputs, and the steps that made them.
    repeated : bool
        Whether an earlier entry has the details of this step; then it has no parameters and no inputs.
    """

    output: str
    method: str
    version: str
    stamp: str
    parameters: tuple[tuple[str, str], ...]
    raw_files: tuple[tuple[str, str], ...]
    inputs: tuple[tuple[str, HistoryStep], ...]
    repeated: bool


def processing_history(receipts: Sequence[tuple[str, Mapping[str, Any]]]) -> list[HistoryStep]:
    """Return the last step of each file, with all steps before it.

    Parameters
    ----------
    receipts : sequence of (str, mapping)
        File names and their receipts.
    """
    listed: set[str] = set()
    return [_step(name, receipt["steps"], receipt["stamp"], listed) for name, receipt in receipts]


def _step(output: str, steps: Mapping[str, Any], stamp: str, listed: set[str]) -> HistoryStep:
    """Return a step; `listed` has the stamps whose details are already in the history."""
    step = steps[stamp]
    method, version = str(step["method"]), str(step["version"])
    if stamp in listed:
        return HistoryStep(output, method, version, stamp, (), (), (), repeated=True)
    listed.add(stamp)
    made_by = step.get("made_by", {})
    inputs = [(str(entry["role"]), str(entry["sha256"])) for entry in step["inputs"]]
    parameters = tuple(
        (name, value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True))
        for name, value in sorted(step.get("parameters", {}).items())
    )
    return HistoryStep(
        output,
        method,
        version,
        stamp,
        parameters,
        tuple((role.removeprefix("raw:"), sha256) for role, sha256 in inputs if role not in made_by),
        tuple((sha256, _step(role, steps, made_by[role], listed)) for role, sha256 in inputs if role in made_by),
        repeated=False,
    )
