"""Canonical JSON (RFC 8785): one form of bytes for one value, which can be hashed."""

from __future__ import annotations

import json
import math
from typing import Any

import rfc8785

__all__ = ["canonical_json", "parse_json"]


def canonical_json(value: Any) -> bytes:
    """Return the canonical JSON of a value (RFC 8785), in UTF-8.

    Raises
    ------
    ValueError
        If JSON cannot represent the value: NaN or infinity, a number beyond the range of doubles, a lone surrogate, or
        too many nested levels.
    """
    try:
        return rfc8785.dumps(value)
    except RecursionError:
        raise ValueError("nested too deeply") from None


def parse_json(text: bytes | str) -> Any:
    """Parse JSON that every reader understands alike.

    Raises
    ------
    ValueError
        If the text is not JSON, has two members of one name, contains NaN or an integer that a double cannot
        represent, or is nested too deeply. Two readers could then read two different values under one hash.
    """
    try:
        return json.loads(
            text, object_pairs_hook=_unique_members, parse_constant=_reject_constant, parse_int=_parse_integer
        )
    except RecursionError:
        raise ValueError("nested too deeply") from None


def _unique_members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise ValueError("two members have the same name")
    return members


def _reject_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number in JSON")


def _parse_integer(digits: str) -> int | float:
    if len(digits) < 16:
        return int(digits)
    number = float(digits)
    if not math.isfinite(number) or canonical_json(number).decode() != digits:
        raise ValueError(f"a double cannot represent {digits[:24]}")
    return int(number) if abs(number) < 2**53 else number
