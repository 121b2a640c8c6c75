"""Digest of a method's result, the same on every processor and with every version of numpy."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np

from anechain.receipts.canonical_json import canonical_json

__all__ = ["result_digest"]


def _rounded(value: Any) -> Any:
    """Return a result in plain types, numbers rounded: their last bits depend on processor and libraries."""
    if isinstance(value, np.ndarray):
        return _rounded(value.tolist())
    if isinstance(value, float | np.floating):
        number = float(value)
        return "0" if abs(number) < 1e-12 else f"{number:.9g}"
    if isinstance(value, dict):
        return {str(key): _rounded(item) for key, item in sorted(value.items())}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    if hasattr(value, "__dataclass_fields__"):
        return {name: _rounded(getattr(value, name)) for name in sorted(value.__dataclass_fields__)}
    return value if isinstance(value, bool | int | str | None) else repr(value)


def result_digest(result: Any) -> str:
    """Return the SHA-256 of a result; numbers have nine significant digits, and are zero below 1e-12."""
    return hashlib.sha256(canonical_json(_rounded(result))).hexdigest()
