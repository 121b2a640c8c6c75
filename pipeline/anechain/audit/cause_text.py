"""Causes as text: what changed, from what to what, for which devices."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from anechain.audit.causes import Cause

__all__ = ["cause_lines", "count_of", "list_of", "value_text"]

_MAX_PATHS = 4
"""Paths of raw files that are listed one by one."""
_MAX_LETTERS = 60

_CAMPAIGN_SECTIONS = {"derive": "derivation.", "numbers": "numbers.", "ingest": "", "compare": "", "compression": ""}
"""Section of the campaign file that holds the parameters of a step."""


def cause_lines(cause: Cause, devices: Sequence[str], name_devices: bool) -> list[str]:
    """Return what changed, one line each, indented where it continues a line.

    Parameters
    ----------
    cause : Cause
        The cause.
    devices : sequence of str
        The devices it applies to; empty for all.
    name_devices : bool
        Whether to name them.
    """
    suffix = f"  ({list_of(devices)})" if devices and name_devices else ""
    change = f"{value_text(cause.old)} → {value_text(cause.new)}"
    match cause.kind:
        case "raw files" | "importer code":
            return _raw_file_lines(cause, suffix)
        case "parameter":
            section = _CAMPAIGN_SECTIONS.get(cause.step, f"{cause.step}: ")
            return [f"parameter {section}{cause.name}: {change}{suffix}"]
        case "method":
            return [f"method {cause.name}: version {change}{_method_title(cause.name)}{suffix}"]
        case "stage" if cause.name == "kind of step":
            return [f"kind of the last step: {change}{suffix}"]
        case "stage":
            return [f"version of the step “{cause.name}”: {change}{suffix}"]
        case "importer" if cause.name == "importer":
            return [f"importer: {change}{suffix}"]
        case "importer":
            return [f"version of importer {cause.name}: {change}{suffix}"]
        case "importer files":
            return [f"files of importer {cause.name}, of the same version: {change}{suffix}"]
        case "contract":
            return [f"contract of the output of the step “{cause.name}”: {change}{suffix}"]
        case "input":
            removed, added = (", ".join(roles) for roles in (cause.old, cause.new))
            changes = [f"removed {removed}"] * bool(removed) + [f"added {added}"] * bool(added)
            return [f"inputs of the step “{cause.name}”: {'; '.join(changes)}{suffix}"]
        case "file":
            return [f"{cause.name} was altered: {cause.new}"]
        case "presentation":
            return [f"texts and figures: {cause.name}: {change}"]
    return [f"{cause.kind} {cause.name}: {change}{suffix}"]


def _method_title(method: str) -> str:
    from anechain.methods import methods

    versions = methods().get(method)
    return f" ({versions[max(versions)].title})" if versions else ""


def _raw_file_lines(cause: Cause, suffix: str) -> list[str]:
    noun = "raw file" if cause.kind == "raw files" else "private importer"
    before, after = dict(cause.old), dict(cause.new)
    lines = []
    changed = sorted(before.keys() & after.keys())
    removed = sorted(before.keys() - after.keys())
    added = sorted(after.keys() - before.keys())
    path_of = {before[path]: path for path in removed}
    renamed = [(path_of[after[path]], path) for path in added if after[path] in path_of]
    removed = [path for path in removed if path not in {old for old, _ in renamed}]
    added = [path for path in added if path not in {new for _, new in renamed}]
    groups = [
        ("changed", [f"{path}  sha256 {before[path][:16]}… → {after[path][:16]}…" for path in changed]),
        ("removed", [f"{path}  sha256 {before[path][:16]}…" for path in removed]),
        ("added", [f"{path}  sha256 {after[path][:16]}…" for path in added]),
        ("renamed, with the same content", [f"{old} → {new}" for old, new in renamed]),
    ]
    for change, paths in groups:
        if paths:
            lines.append(f"{count_of(len(paths), noun)} {change}{suffix}")
            lines += [f"  {path}" for path in paths[:_MAX_PATHS]]
            lines += [f"  and {len(paths) - _MAX_PATHS} more (all with --json)"] * (len(paths) > _MAX_PATHS)
    return lines


def value_text(value: Any) -> str:
    """Return a value as JSON, shortened; "none" for None."""
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True)
    text = "none" if value is None else text
    return text if len(text) <= _MAX_LETTERS else f"{text[: _MAX_LETTERS - 3]}..."


def count_of(number: int, noun: str, plural: str = "") -> str:
    """Return "1 file" or "2 files"."""
    return f"{number} {noun if number == 1 else plural or f'{noun}s'}"


def list_of(names: Sequence[str], max_names: int = 6) -> str:
    """Return names separated by commas; of many the first ones and the number of the others."""
    more = f" and {len(names) - max_names} more" if len(names) > max_names else ""
    return f"{', '.join(names[:max_names])}{more}"
