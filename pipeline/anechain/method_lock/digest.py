"""Digest of a method's result, the same on every processor and with every version of numpy."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np

from anechain.receipts.canonical_json import canonical

__all__ = ["result_digest"]


def _policy(value: Any) -> Any:
    """Plain form of a result, in which the last bits, which differ between processors and libraries, do not count."""
    if isinstance(value, np.ndarray):
        return _policy(value.tolist())
    if isinstance(value, float | np.floating):
        number = float(value)
        return "0" if abs(number) < 1e-12 else f"{number:.9g}"
    if isinstance(value, dict):
        return {str(key): _policy(item) for key, item in sorted(value.items())}
    if isinstance(value, list | tuple):
        return [_policy(item) for item in value]
    if hasattr(value, "__dataclass_fields__"):
        return {name: _policy(getattr(value, name)) for name in sorted(value.__dataclass_fields__)}
    return value if isinstance(value, bool | int | str | None) else repr(value)


def result_digest(result: Any) -> str:
    """SHA-256 of a result under the float policy: nine significant digits, and nothing below 1e-12."""
    return hashlib.sha256(canonical(_policy(result))).hexdigest()
