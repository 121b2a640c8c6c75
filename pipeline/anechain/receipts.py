"""Receipts: what an output was made from, by which method and version, and the stamp that sums it up.

A receipt is a small JSON document that travels inside the output it belongs to::

    {"receipt": 1,
     "stamp": "<64 hex digits>",
     "content": "<64 hex digits>",
     "steps": {"<stamp>": {"method": ..., "version": ..., "parameters": {...},
                           "inputs": [{"role": ..., "sha256": ...}, ...],
                           "made_by": {"<role>": "<stamp>"}, "software": {...}}, ...}}

A step's stamp is the SHA-256 of the RFC 8785 canonical JSON of its members method, version, parameters and inputs
and of nothing else. `made_by` names the step that made an input; an input without it is a raw file. So the whole
way back to the raw files can be read, and every stamp recomputed, from the one file alone. `content` is the SHA-256
of the output without its receipt.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from anechain.embedding import canonical

__all__ = ["Input", "bound", "check_structure", "issue", "raw_inputs", "sha256_hex", "stamp_of"]

RECEIPT_FORMAT = 1
_STAMPED = ("method", "version", "parameters", "inputs")


@dataclass(frozen=True)
class Input:
    """One input of a step.

    Attributes
    ----------
    role : str
        What the input is to the step; for a raw file "raw:" and its path relative to the campaign.
    sha256 : str
        SHA-256 of the file, 64 hex digits.
    receipt : dict or None
        The input's own receipt; None for a raw file.
    """

    role: str
    sha256: str
    receipt: Mapping[str, Any] | None = None


def sha256_hex(data: bytes) -> str:
    """SHA-256 of bytes as 64 hex digits."""
    return hashlib.sha256(data).hexdigest()


def stamp_of(step: Mapping[str, Any]) -> str:
    """Stamp of a step: SHA-256 of the canonical JSON of its method, version, parameters and inputs."""
    return sha256_hex(canonical({key: step[key] for key in _STAMPED}))


@cache
def _software() -> tuple[tuple[str, str], ...]:
    from importlib.metadata import version

    from anechain import __version__

    names = ("netCDF4", "numpy", "scipy", "vl-convert-python", "xarray")
    return (("anechain", __version__), *((name, version(name)) for name in names))


def issue(method: str, version: int, parameters: Mapping[str, Any], inputs: Iterable[Input]) -> dict[str, Any]:
    """Make the receipt of a step, with the steps that made its inputs.

    Parameters
    ----------
    method : str
        Id of the stage or method.
    version : int
        Its version.
    parameters : mapping
        Everything else that decides the result; JSON values only.
    inputs : iterable of Input
        Sorted by role here, so their order does not count.

    Returns
    -------
    dict
        The receipt without `content`, which :func:`bound` adds.

    Raises
    ------
    ValueError
        If two inputs have one role.
    """
    ordered = sorted(inputs, key=lambda one: one.role)
    if len({one.role for one in ordered}) != len(ordered):
        raise ValueError(f"two inputs of {method} have one role")
    # Through JSON and back, so that tuples and numpy scalars cannot make the kept form differ from the hashed one.
    step: dict[str, Any] = json.loads(
        canonical(
            {
                "method": method,
                "version": version,
                "parameters": dict(parameters),
                "inputs": [{"role": one.role, "sha256": one.sha256} for one in ordered],
            }
        )
    )
    stamp = stamp_of(step)
    steps: dict[str, Any] = {}
    made_by = {}
    for one in ordered:
        if one.receipt is not None:
            steps.update(one.receipt["steps"])
            made_by[one.role] = one.receipt["stamp"]
    steps[stamp] = {**step, "made_by": made_by, "software": dict(_software())}
    return {"receipt": RECEIPT_FORMAT, "stamp": stamp, "steps": steps}


def bound(receipt: Mapping[str, Any], content: str) -> dict[str, Any]:
    """Bind a receipt to the content (its SHA-256) it vouches for."""
    return {**receipt, "content": content}


def raw_inputs(receipt: Mapping[str, Any]) -> dict[str, str]:
    """Return path and SHA-256 of every raw file that a receipt goes back to."""
    found = {}
    for step in receipt["steps"].values():
        for entry in step["inputs"]:
            if entry["role"] not in step["made_by"]:
                found[entry["role"].removeprefix("raw:")] = entry["sha256"]
    return dict(sorted(found.items()))


def check_structure(receipt: Any) -> list[str]:
    """Say what is wrong with a receipt in itself: its form, its stamps, its links; empty if nothing is."""
    if not isinstance(receipt, dict) or receipt.get("receipt") != RECEIPT_FORMAT:
        return ["not a receipt of a known format"]
    steps, root = receipt.get("steps"), receipt.get("stamp")
    if not isinstance(steps, dict) or not isinstance(receipt.get("content"), str):
        return ["the receipt lacks its steps or its content hash"]
    wrong = []
    if root not in steps:
        wrong.append("the stamp names no step of the receipt")
    for stamp, step in steps.items():
        try:
            if stamp_of(step) != stamp:
                wrong.append(f"step {step['method']}: its stamp does not follow from its content")
            roles = {entry["role"] for entry in step["inputs"]}
            wrong.extend(
                f"step {step['method']}: the step that made {role} is missing"
                for role, maker in step["made_by"].items()
                if maker not in steps or role not in roles
            )
        except (KeyError, TypeError, AttributeError):
            wrong.append(f"step {stamp[:12]}: members are missing")
    return wrong
