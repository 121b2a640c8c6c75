"""Receipts: what an output was made from, by which method and version, and a stamp that identifies all of it.

A receipt is a small JSON document inside the output that it describes::

    {"receipt": 1,
     "stamp": "<64 hex digits>",
     "content": "<64 hex digits>",
     "file": "<64 hex digits>",
     "seal": "<64 hex digits>",
     "steps": {"<stamp>": {"method": ..., "version": ..., "parameters": {...},
                           "inputs": [{"role": ..., "sha256": ...}, ...],
                           "made_by": {"<role>": "<stamp>"}, "software": {...}}, ...}}

The stamp of a step is the SHA-256 of the RFC 8785 canonical JSON of its members method, version, parameters and
inputs. `made_by` names the step that made an input; an input without it is a raw file. All steps back to the raw files
can therefore be read, and every stamp recomputed, from this one file.

`content` is the SHA-256 of the output without its receipt. `file` is present only where `content` is not taken over
bytes (netCDF): the SHA-256 of the file with its receipt overwritten by spaces. `seal` is the SHA-256 of the canonical
JSON of the receipt without this member, so that a change of any member is detected.

These hashes detect accidental and careless changes. They do not show who made a file: a person who changes one on
purpose can compute all of them again.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from graphlib import CycleError, TopologicalSorter
from typing import Any

from anechain.receipts.canonical_json import canonical_json, parse_json

__all__ = [
    "Input",
    "check_form",
    "check_steps",
    "check_structure",
    "make_receipt",
    "raw_inputs",
    "seal_of",
    "seal_receipt",
    "sha256_hex",
    "stamp_of",
]

RECEIPT_FORMAT = 1
RAW = "raw:"
"""Prefix of the roles of raw files, and of no other role."""

_STAMPED = ("method", "version", "parameters", "inputs")
_STEP = {"method": str, "version": int, "parameters": dict, "inputs": list, "made_by": dict, "software": dict}
_HASH = re.compile("[0-9a-f]{64}")


@dataclass(frozen=True)
class Input:
    """One input of a step.

    Attributes
    ----------
    role : str
        Name of the input within the step; for a raw file "raw:" and its path relative to the campaign.
    sha256 : str
        SHA-256 of the file, 64 hex digits.
    receipt : dict or None
        The input's own receipt; None for a raw file.
    """

    role: str
    sha256: str
    receipt: Mapping[str, Any] | None = None


def sha256_hex(data: bytes) -> str:
    """Return the SHA-256 of bytes as 64 hex digits."""
    return hashlib.sha256(data).hexdigest()


def stamp_of(step: Mapping[str, Any]) -> str:
    """Return the stamp of a step: the SHA-256 of the canonical JSON of its method, version, parameters and inputs."""
    return _stamp_of_text(json.dumps({key: step[key] for key in _STAMPED}, sort_keys=True))


@lru_cache(maxsize=512)
def _stamp_of_text(step: str) -> str:
    # The receipts of a campaign have most steps in common. The text is only the key; it parses to an equal value.
    return sha256_hex(canonical_json(json.loads(step)))


def seal_of(receipt: Mapping[str, Any]) -> str:
    """Return the seal of a receipt: the SHA-256 of the canonical JSON of its other members."""
    return sha256_hex(canonical_json({key: value for key, value in receipt.items() if key != "seal"}))


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
        Everything else that decides the result: values that JSON can represent; tuples become lists, numpy numbers
        become numbers.
    inputs : iterable of Input
        Their order does not count: they are sorted by role.

    Returns
    -------
    dict
        The receipt without content hash and seal, which depend on the file.

    Raises
    ------
    ValueError
        If two inputs have the same role, a hash is not a SHA-256, an input other than a raw file has no receipt,
        a raw file has one, or JSON cannot represent a parameter.
    """
    ordered = sorted(inputs, key=lambda entry: entry.role)
    if len({entry.role for entry in ordered}) != len(ordered):
        raise ValueError(f"two inputs of {method} have the same role")
    for entry in ordered:
        if not _is_hash(entry.sha256):
            raise ValueError(f"input {entry.role} of {method}: {entry.sha256!r} is not a SHA-256")
        if entry.role.startswith(RAW) != (entry.receipt is None):
            raise ValueError(f"input {entry.role} of {method}: raw files, and only raw files, are without a receipt")
    # Convert to JSON and back, so that the stored step has the same types as the hashed one.
    step: dict[str, Any] = parse_json(
        canonical_json(
            {
                "method": method,
                "version": version,
                "parameters": _plain(parameters),
                "inputs": [{"role": entry.role, "sha256": entry.sha256} for entry in ordered],
            }
        )
    )
    stamp = stamp_of(step)
    steps: dict[str, Any] = {}
    made_by = {}
    for entry in ordered:
        if entry.receipt is not None:
            steps.update(entry.receipt["steps"])
            made_by[entry.role] = entry.receipt["stamp"]
    steps[stamp] = {**step, "made_by": made_by, "software": dict(_software())}
    return {"receipt": RECEIPT_FORMAT, "stamp": stamp, "steps": steps}


def _plain(value: Any) -> Any:
    """Return mappings, sequences and numpy numbers as the types of JSON."""
    if isinstance(value, Mapping):
        return {key: _plain(member) for key, member in value.items()}
    if hasattr(value, "tolist"):
        return value.tolist()
    return [_plain(item) for item in value] if isinstance(value, list | tuple) else value


def seal_receipt(receipt: Mapping[str, Any], content: str, file: str | None = None) -> dict[str, Any]:
    """Add the hash of the content that a receipt describes, and the seal.

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
    """Return path and SHA-256 of every raw file in the steps of a receipt."""
    hashes = {}
    for step in receipt["steps"].values():
        for entry in step["inputs"]:
            if entry["role"] not in step["made_by"]:
                hashes[entry["role"].removeprefix(RAW)] = entry["sha256"]
    return dict(sorted(hashes.items()))


def check_form(receipt: Any) -> list[str]:
    """Return what is wrong with the members of a receipt and their types; an empty list if it can be read."""
    if not isinstance(receipt, dict) or "receipt" not in receipt:
        return ["it is not a receipt"]
    if type(receipt["receipt"]) is not int or receipt["receipt"] != RECEIPT_FORMAT:
        return [f"the receipt's format is unknown to this version: {str(receipt['receipt'])[:20]}"]
    members = {"receipt", "stamp", "content", "seal", "steps"}
    if receipt.keys() - {"file"} != members:
        return [_wrong_members("the receipt", receipt.keys() - {"file"}, members)]
    wrong = [
        f"the receipt's {name} is not a SHA-256"
        for name in ("stamp", "content", "seal", "file")
        if name in receipt and not _is_hash(receipt[name])
    ]
    if not isinstance(receipt["steps"], dict):
        return [*wrong, "the receipt's steps cannot be read"]
    for stamp, step in receipt["steps"].items():
        wrong += _wrong_in_step(f"step {stamp[:12]}", step) if _is_hash(stamp) else ["a step's stamp is not a SHA-256"]
    try:
        canonical_json(receipt)
    except ValueError as error:
        wrong.append(f"the receipt has no canonical form: {error}")
    return wrong


def _wrong_in_step(name: str, step: Any) -> list[str]:
    if not isinstance(step, dict) or step.keys() != _STEP.keys():
        return [_wrong_members(name, step.keys() if isinstance(step, dict) else set(), _STEP)]
    wrong = [f"{name}: its {key} cannot be read" for key, kind in _STEP.items() if type(step[key]) is not kind]
    if wrong:
        return wrong
    for entry in step["inputs"]:
        if not isinstance(entry, dict) or entry.keys() != {"role", "sha256"} or not isinstance(entry["role"], str):
            return [f"{name}: an input cannot be read"]
        if not _is_hash(entry["sha256"]):
            wrong.append(f"{name}: the hash of {entry['role']} is not a SHA-256")
    if not all(_is_hash(maker) for maker in step["made_by"].values()):
        wrong.append(f"{name}: its made_by cannot be read")
    if not all(isinstance(version, str) for version in step["software"].values()):
        wrong.append(f"{name}: its software cannot be read")
    return wrong


def _wrong_members(name: str, present: Iterable[str], expected: Iterable[str]) -> str:
    missing, unknown = {*expected} - {*present}, {*present} - {*expected}
    problems = [f"lacks {', '.join(sorted(missing))}"] * bool(missing)
    problems += [f"has unknown members: {len(unknown)}"] * bool(unknown)
    return f"{name} {' and '.join(problems)}"


def _is_hash(value: Any) -> bool:
    return isinstance(value, str) and _HASH.fullmatch(value) is not None


def check_structure(receipt: Any) -> list[str]:
    """Return what is wrong with a receipt: its members, seal, stamps and links between steps; empty if nothing is."""
    return check_form(receipt) or check_steps(receipt)


def check_steps(receipt: Mapping[str, Any]) -> list[str]:
    """Return what is wrong with the seal, stamps and links of a receipt whose form :func:`check_form` accepts."""
    wrong = []
    steps, root = receipt["steps"], receipt["stamp"]
    if seal_of(receipt) != receipt["seal"]:
        wrong.append("the receipt was altered: its seal does not match")
    for stamp, step in steps.items():
        name = f"step {step['method']} ({stamp[:12]})"
        if stamp_of(step) != stamp:
            wrong.append(f"{name}: its stamp does not match")
        roles = [entry["role"] for entry in step["inputs"]]
        if roles != sorted(set(roles)):
            wrong.append(f"{name}: its inputs are not in order, or two have the same role")
        wrong += [
            f"{name}: made_by names {role}, which is not among its inputs" for role in step["made_by"].keys() - roles
        ]
        for role in roles:
            if role.startswith(RAW) != (role not in step["made_by"]):
                wrong.append(f"{name}: made_by is wrong for {role}: raw files have none, all other inputs have one")
        wrong += [
            f"{name}: the step that made {role} is missing"
            for role, maker in step["made_by"].items()
            if maker not in steps
        ]
    if root not in steps:
        return [*wrong, "the stamp is not that of a step in the receipt"]
    links = {stamp: set(step["made_by"].values()) & steps.keys() for stamp, step in steps.items()}
    try:
        TopologicalSorter(links).prepare()
    except CycleError:
        wrong.append("its steps form a circle")
    reached, pending = {root}, [root]
    while pending:
        new = links[pending.pop()] - reached
        reached |= new
        pending += new
    if reached != steps.keys():
        wrong.append("it has steps that the output does not depend on")
    return wrong
