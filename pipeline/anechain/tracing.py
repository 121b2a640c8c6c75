"""Show a receipt to a person: the steps as a tree, down to the raw files."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

__all__ = ["tree"]


def tree(receipt: Mapping[str, Any]) -> list[str]:
    """Lines that tell a receipt as a tree; a step that stands in several places is told once.

    Parameters
    ----------
    receipt : mapping
        See :mod:`anechain.receipts`.
    """
    return list(_step(receipt["steps"], receipt["stamp"], "", set()))


def _step(steps: Mapping[str, Any], stamp: str, indent: str, told: set[str]) -> Iterator[str]:
    step = steps[stamp]
    yield f"{indent}made by {step['method']}, version {step['version']}; stamp {stamp}"
    if stamp in told:
        yield f"{indent}  (told above)"
        return
    told.add(stamp)
    software = ", ".join(f"{name} {version}" for name, version in sorted(step["software"].items()))
    yield f"{indent}  software: {software}"
    for name, value in sorted(step["parameters"].items()):
        yield f"{indent}  {name}: {_short(value)}"
    for entry in step["inputs"]:
        yield f"{indent}  from {entry['role']}  sha256 {entry['sha256']}"
        if entry["role"] in step["made_by"]:
            yield from _step(steps, step["made_by"][entry["role"]], indent + "    ", told)


def _short(value: Any) -> str:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True)
    return text if len(text) <= 300 else f"{text[:297]}..."
