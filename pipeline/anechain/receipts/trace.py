"""A receipt as text for a person: its steps as a tree, down to the raw files."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

from anechain.printable import printable

__all__ = ["receipt_tree"]

_INDENT = "    "
_MAX_LETTERS = 300
"""Longer values of parameters are cut."""


def receipt_tree(receipt: Mapping[str, Any]) -> list[str]:
    """Return a receipt as an indented tree, one line each; a step that several steps use is described once.

    Parameters
    ----------
    receipt : mapping
        See :mod:`anechain.receipts.receipt`. It must pass :func:`~anechain.receipts.receipt.check_form`; its hashes
        and links may be wrong. Control characters are shown as escapes.
    """
    steps = receipt["steps"]
    lines: list[str] = []
    described: set[str] = set()
    # A stack instead of a recursion: the file decides how long a chain of steps is. An item is either a step's stamp
    # or, with None as stamp, a finished line.
    stack: list[tuple[int, str | None, str]] = [(0, receipt["stamp"], "")]
    while stack:
        depth, stamp, line = stack.pop()
        indent = _INDENT * depth
        if stamp is None:
            lines.append(f"{indent}  {line}")
            continue
        step = steps.get(stamp)
        if step is None:
            lines.append(f"{indent}made by a step that is missing from the receipt; stamp {stamp}")
            continue
        lines.append(f"{indent}made by {printable(step['method'])}, version {step['version']}; stamp {stamp}")
        if stamp in described:
            lines.append(f"{indent}  (described above)")
            continue
        described.add(stamp)
        items: list[tuple[int, str | None, str]] = [(depth, None, line) for line in _step_lines(step)]
        for entry in step["inputs"]:
            items.append((depth, None, f"from {printable(entry['role'])}  sha256 {entry['sha256']}"))
            if entry["role"] in step["made_by"]:
                items.append((depth + 1, step["made_by"][entry["role"]], ""))
        stack += reversed(items)
    return lines


def _step_lines(step: Mapping[str, Any]) -> Iterator[str]:
    """Yield the software and the parameters of a step."""
    software = sorted(step["software"].items())
    yield "software: " + ", ".join(f"{printable(name)} {printable(version)}" for name, version in software)
    for name, value in sorted(step["parameters"].items()):
        text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True)
        yield f"{printable(name)}: {printable(text if len(text) <= _MAX_LETTERS else f'{text[: _MAX_LETTERS - 3]}...')}"
