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
        See :mod:`anechain.receipts.receipt`; of the right form, though its hashes and links may be wrong. Signs that
        would
        act on a terminal are shown as escapes.
    """
    steps = receipt["steps"]
    lines: list[str] = []
    told: set[str] = set()
    # A list and not a recursion: how long a chain of steps is, the file decides.
    ahead: list[tuple[int, str | None, str]] = [(0, receipt["stamp"], "")]
    while ahead:
        depth, stamp, line = ahead.pop()
        if stamp is None:
            lines.append("    " * depth + "  " + line)
            continue
        step = steps.get(stamp)
        if step is None:
            lines.append("    " * depth + f"made by a step that the receipt does not hold; stamp {stamp}")
            continue
        lines.append("    " * depth + f"made by {_shown(step['method'])}, version {step['version']}; stamp {stamp}")
        if stamp in told:
            lines.append("    " * depth + "  (told above)")
            continue
        told.add(stamp)
        below: list[tuple[int, str | None, str]] = [(depth, None, line) for line in _facts(step)]
        for entry in step["inputs"]:
            below.append((depth, None, f"from {_shown(entry['role'])}  sha256 {entry['sha256']}"))
            if entry["role"] in step["made_by"]:
                below.append((depth + 1, step["made_by"][entry["role"]], ""))
        ahead += reversed(below)
    return lines


def _facts(step: Mapping[str, Any]) -> Iterator[str]:
    yield "software: " + ", ".join(f"{_shown(name)} {_shown(of)}" for name, of in sorted(step["software"].items()))
    for name, value in sorted(step["parameters"].items()):
        text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True)
        yield f"{_shown(name)}: {_shown(text if len(text) <= 300 else f'{text[:297]}...')}"


def _shown(text: str) -> str:
    return "".join(one if one.isprintable() else json.dumps(one)[1:-1] for one in text)
