"""Receipts: what an output was made from, by which method and version, and the stamp that sums it up.

A receipt is a small JSON document that travels inside the output it belongs to::

    {"receipt": 1,
     "stamp": "<64 hex digits>",
     "content": "<64 hex digits>",
     "file": "<64 hex digits>",
     "seal": "<64 hex digits>",
     "steps": {"<stamp>": {"method": ..., "version": ..., "parameters": {...},
                           "inputs": [{"role": ..., "sha256": ...}, ...],
                           "made_by": {"<role>": "<stamp>"}, "software": {...}}, ...}}

A step's stamp is the SHA-256 of the RFC 8785 canonical JSON of its members method, version, parameters and inputs
and of nothing else. `made_by` names the step that made an input; an input without it is a raw file. So the whole
way back to the raw files can be read, and every stamp recomputed, from the one file alone.

`content` is the SHA-256 of the output without its receipt. `file` stands only where `content` is not taken over bytes
(netCDF): the SHA-256 of the file with its receipt overwritten by spaces. `seal` is the SHA-256 of the canonical JSON of
the receipt without it, so that no member, stamped or not, changes unseen.

These hashes tell that something was changed, by accident or without care. They do not tell who made a file: whoever
changes one on purpose can compute them all anew.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from graphlib import CycleError, TopologicalSorter
from typing import Any

from anechain.receipts.canonical_json import canonical, parsed

__all__ = [
    "Input",
    "bound",
    "check_form",
    "check_structure",
    "make_receipt",
    "raw_inputs",
    "seal_of",
    "sha256_hex",
    "stamp_of",
]

RECEIPT_FORMAT = 1
RAW = "raw:"
"""What the role of a raw file begins with, and no other role."""

_STAMPED = ("method", "version", "parameters", "inputs")
_STEP = {"method": str, "version": int, "parameters": dict, "inputs": list, "made_by": dict, "software": dict}
_HASH = re.compile("[0-9a-f]{64}")


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


def seal_of(receipt: Mapping[str, Any]) -> str:
    """Seal of a receipt: SHA-256 of the canonical JSON of all its members but the seal."""
    return sha256_hex(canonical({key: value for key, value in receipt.items() if key != "seal"}))


@cache
def _software() -> tuple[tuple[str, str], ...]:
    from importlib.metadata import version

    from anechain import __version__

    names = ("netCDF4", "numpy", "scipy", "vl-convert-python", "xarray")
    return (("anechain", __version__), *((name, version(name)) for name in names))


def make_receipt(method: str, version: int, parameters: Mapping[str, Any], inputs: Iterable[Input]) -> dict[str, Any]:
    """Make the receipt of a step, with the steps that made its inputs.

    Parameters
    ----------
    method : str
        Id of the stage or method.
    version : int
        Its version.
    parameters : mapping
        Everything else that decides the result: what JSON can say, tuples as lists, numpy numbers as numbers.
    inputs : iterable of Input
        Sorted by role here, so their order does not count.

    Returns
    -------
    dict
        The receipt without what :func:`bound` adds.

    Raises
    ------
    ValueError
        If two inputs have one role, a hash is none, an input that is not raw has no receipt (or a raw one has), or a
        parameter is something JSON cannot say.
    """
    ordered = sorted(inputs, key=lambda one: one.role)
    if len({one.role for one in ordered}) != len(ordered):
        raise ValueError(f"two inputs of {method} have one role")
    for one in ordered:
        if not _is_hash(one.sha256):
            raise ValueError(f"input {one.role} of {method}: {one.sha256!r} is not a SHA-256")
        if one.role.startswith(RAW) != (one.receipt is None):
            raise ValueError(f"input {one.role} of {method}: a raw file, and only a raw file, comes without a receipt")
    # Through JSON and back, so that no type of Python's or numpy's makes the kept form differ from the hashed one.
    step: dict[str, Any] = parsed(
        canonical(
            {
                "method": method,
                "version": version,
                "parameters": _plain(parameters),
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


def _plain(value: Any) -> Any:
    """Mappings, sequences and numpy's numbers as what JSON knows."""
    if isinstance(value, Mapping):
        return {key: _plain(one) for key, one in value.items()}
    if hasattr(value, "tolist"):
        return value.tolist()
    return [_plain(one) for one in value] if isinstance(value, list | tuple) else value


def bound(receipt: Mapping[str, Any], content: str, file: str | None = None) -> dict[str, Any]:
    """Bind a receipt to the content it vouches for, and seal it.

    Parameters
    ----------
    receipt : mapping
        From :func:`make_receipt`.
    content : str
        SHA-256 of the content.
    file : str, optional
        SHA-256 of the file with its receipt overwritten by spaces, where `content` is not taken over bytes.
    """
    complete = {**receipt, "content": content} | ({} if file is None else {"file": file})
    return {**complete, "seal": seal_of(complete)}


def raw_inputs(receipt: Mapping[str, Any]) -> dict[str, str]:
    """Return path and SHA-256 of every raw file that a receipt goes back to."""
    found = {}
    for step in receipt["steps"].values():
        for entry in step["inputs"]:
            if entry["role"] not in step["made_by"]:
                found[entry["role"].removeprefix(RAW)] = entry["sha256"]
    return dict(sorted(found.items()))


def check_form(receipt: Any) -> list[str]:
    """Say what keeps a value from being read as a receipt: members and their types; empty if nothing does."""
    if not isinstance(receipt, dict) or "receipt" not in receipt:
        return ["it is not a receipt"]
    if type(receipt["receipt"]) is not int or receipt["receipt"] != RECEIPT_FORMAT:
        return [f"the receipt is of a format that this version does not know: {str(receipt['receipt'])[:20]}"]
    members = {"receipt", "stamp", "content", "seal", "steps"}
    if receipt.keys() - {"file"} != members:
        return [_members("the receipt", receipt.keys() - {"file"}, members)]
    wrong = [
        f"the receipt's {name} is not a SHA-256"
        for name in ("stamp", "content", "seal", "file")
        if name in receipt and not _is_hash(receipt[name])
    ]
    if not isinstance(receipt["steps"], dict):
        return [*wrong, "the receipt's steps are not readable"]
    for stamp, step in receipt["steps"].items():
        wrong += _wrong_in_step(f"step {stamp[:12]}", step) if _is_hash(stamp) else ["a step's stamp is not a SHA-256"]
    try:
        canonical(receipt)
    except ValueError as error:
        wrong.append(f"the receipt has no canonical form: {error}")
    return wrong


def _wrong_in_step(name: str, step: Any) -> list[str]:
    if not isinstance(step, dict) or step.keys() != _STEP.keys():
        return [_members(name, step.keys() if isinstance(step, dict) else set(), _STEP)]
    wrong = [f"{name}: its {key} is not readable" for key, kind in _STEP.items() if type(step[key]) is not kind]
    if wrong:
        return wrong
    for entry in step["inputs"]:
        if not isinstance(entry, dict) or entry.keys() != {"role", "sha256"} or not isinstance(entry["role"], str):
            return [f"{name}: an input is not readable"]
        if not _is_hash(entry["sha256"]):
            wrong.append(f"{name}: the hash of {entry['role']} is not a SHA-256")
    if not all(_is_hash(maker) for maker in step["made_by"].values()):
        wrong.append(f"{name}: its made_by is not readable")
    if not all(isinstance(version, str) for version in step["software"].values()):
        wrong.append(f"{name}: its software is not readable")
    return wrong


def _members(name: str, found: Iterable[str], expected: Iterable[str]) -> str:
    missing, unknown = sorted({*expected} - {*found}), sorted({*found} - {*expected})
    said = [f"lacks {', '.join(missing)}"] * bool(missing) + [f"has unknown members: {len(unknown)}"] * bool(unknown)
    return f"{name} {' and '.join(said)}"


def _is_hash(value: Any) -> bool:
    return isinstance(value, str) and _HASH.fullmatch(value) is not None


def check_structure(receipt: Any) -> list[str]:
    """Say what is wrong with a receipt in itself: its form, its seal, its stamps, its links; empty if nothing is."""
    if wrong := check_form(receipt):
        return wrong
    steps, root = receipt["steps"], receipt["stamp"]
    if seal_of(receipt) != receipt["seal"]:
        wrong.append("the receipt was altered: its seal does not follow from it")
    for stamp, step in steps.items():
        name = f"step {step['method']} ({stamp[:12]})"
        if stamp_of(step) != stamp:
            wrong.append(f"{name}: its stamp does not follow from it")
        roles = [entry["role"] for entry in step["inputs"]]
        if roles != sorted(set(roles)):
            wrong.append(f"{name}: its inputs are not in order, or two have one role")
        wrong += [
            f"{name}: {role}, which a step made, is not among its inputs" for role in step["made_by"].keys() - roles
        ]
        for role in roles:
            if role.startswith(RAW) != (role not in step["made_by"]):
                wrong.append(f"{name}: it is not said what made {role}")
        wrong += [
            f"{name}: the step that made {role} is missing"
            for role, maker in step["made_by"].items()
            if maker not in steps
        ]
    if root not in steps:
        return [*wrong, "the stamp names no step of the receipt"]
    links = {stamp: set(step["made_by"].values()) & steps.keys() for stamp, step in steps.items()}
    try:
        TopologicalSorter(links).prepare()
    except CycleError:
        wrong.append("its steps go round in a circle")
    reached, ahead = {root}, [root]
    while ahead:
        new = links[ahead.pop()] - reached
        reached |= new
        ahead += new
    if reached != steps.keys():
        wrong.append("it holds steps that the output does not go back to")
    return wrong
