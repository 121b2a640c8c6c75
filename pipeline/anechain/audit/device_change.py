"""What differs between two results of one device, and which causes can affect it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from anechain.audit.causes import Cause
from anechain.audit.contents import Content, count_rows, empty_like, shifted
from anechain.audit.differences import block_differences, number_differences
from anechain.audit.evidence import Evidence, ReceiptPair
from anechain.audit.reach import Scope, reached_by_directions, reaches
from anechain.data.changes import COMPARISON, DeviceChange, Difference, ExplainedDifference

__all__ = ["device_change"]

_LEVEL_KINDS = {"spl": "dB re 20 µPa", "relative": "relative"}


def device_change(
    evidence: Evidence,
    device: str,
    title: str,
    contents: Mapping[str, tuple[Content, Content]],
    receipts: Mapping[str, ReceiptPair],
    direction_files: tuple[Path, Path] | None = None,
) -> DeviceChange:
    """Compare the files of one device.

    Parameters
    ----------
    evidence : Evidence
        Receives the causes.
    device, title : str
        Its id and its name in print; without a title, that in the files is used.
    contents : dict of str to (Content, Content)
        Old and new content by file name.
    receipts : dict of str to ReceiptPair
        Receipts by file name.
    direction_files : tuple of (Path, Path), optional
        The files of measured directions on both sides, to find which curves a changed direction can affect.
    """
    scope = _scope(device, contents, receipts, direction_files)
    all_causes = [item for pair in receipts.values() for item in pair.causes]
    differences: list[ExplainedDifference] = []
    notes: dict[str, None] = {}
    counts: dict[str, int] = {}
    for name, (old, new) in contents.items():
        title = title or new.title or old.title
        for kind in ("curve", "index", "direction"):
            if name != COMPARISON or len(contents) == 1:
                counts[kind] = counts.get(kind, 0) + count_rows((old, new), kind)
        pair = receipts[name]
        # Without both receipts of a file, any cause found for the device may apply.
        candidates = pair.causes if pair.complete else [*all_causes, *pair.causes]
        causes = list({cause.key: (cause, to) for cause, to in candidates if to in ("", device)}.values())
        for difference in _differences(old, new, pair.parameters("ingest", device), evidence.tolerance, notes):
            key = difference.name
            if difference.kind == "reference" and any(d.difference.kind == "reference" for d in differences):
                continue  # another file of the device has the same difference
            labels = old.methods.get(key, ""), new.methods.get(key, "")
            own_causes = causes
            if all(labels) and labels[0] != labels[1] and not pair.complete:
                method, old_version, new_version = (
                    labels[0].partition("@")[0],
                    *(label.partition("@")[2] for label in labels),
                )
                cause = Cause("method", method, int(old_version), int(new_version), "derive")
                evidence.add_cause(cause, device)
                own_causes = [*causes, (cause, device)]
            effective = [cause for cause, _ in own_causes if reaches(cause, difference.kind, key, scope)]
            evidence.effective |= {cause.key for cause in effective}
            reason = (new if difference.state == "removed" else old).gaps.get(key, "")
            differences.append(
                ExplainedDifference(
                    name,
                    difference,
                    _title(difference.name),
                    tuple(evidence.numbers[cause.key] for cause in effective),
                    reason if difference.state != "changed" else "",
                    labels,
                )
            )
    band = _valid_band(device, receipts)
    return DeviceChange(device, title or device, tuple(differences), counts, tuple(notes), band)


def _title(name: str) -> str:
    from anechain.acoustics.directivity.curve_titles import TITLES

    return TITLES.get(name, name)


def _differences(
    old: Content,
    new: Content,
    imports: tuple[Mapping[str, Any], Mapping[str, Any]],
    tolerance: float,
    notes: dict[str, None],
) -> list[Difference]:
    """Compare two contents; levels that refer to different references are compared in shape only."""
    differences: list[Difference] = []
    level_kinds = [
        content.level_kind or str(parameters.get("setup", {}).get("level_kind") or "")
        for content, parameters in zip((old, new), imports, strict=True)
    ]
    skipped: set[str] = set()
    if all(level_kinds) and level_kinds[0] != level_kinds[1]:
        old_kind, new_kind = (_LEVEL_KINDS.get(kind, kind) for kind in level_kinds)
        differences.append(Difference("reference", "reference of the levels", "", old=old_kind, new=new_kind))
        note = f"levels of OLD are {old_kind}, of NEW {new_kind}"
        skipped = {"direction"}
        shifts = [_alignment(content) for content in (old, new)]
        if any(math.isnan(shift) for shift in shifts):
            skipped |= {"curve"}
            if any(block.kind == "curve" for block in old.blocks.values()):
                notes[f"{note}: not compared (no on-axis curve from 300 to 3000 Hz to align them by)"] = None
        else:
            old, new = shifted(old, shifts[0]), shifted(new, shifts[1])
            notes[f"{note}: both aligned to a mean of 0 dB on axis, 300 to 3000 Hz; only shapes are compared"] = None
    for variable in dict.fromkeys([*old.blocks, *new.blocks]):
        before = old.blocks.get(variable) or empty_like(new).blocks[variable]
        after = new.blocks.get(variable) or empty_like(old).blocks[variable]
        if before.kind in skipped:
            continue
        rows, note = block_differences(before, after, tolerance)
        differences += rows
        if note:
            notes[note] = None
    return [*differences, *number_differences(old.numbers, new.numbers, tolerance)]


def _alignment(content: Content) -> float:
    """Return the shift in dB that aligns the on-axis curve; NaN if there is none."""
    from anechain.acoustics.curve.comparison import alignment_step

    for block in content.blocks.values():
        if block.kind == "curve" and "on_axis" in block.names:
            return alignment_step(block.frequency, block.values[block.names.index("on_axis")])
    return math.nan


def _scope(
    device: str,
    contents: Mapping[str, tuple[Content, Content]],
    receipts: Mapping[str, ReceiptPair],
    direction_files: tuple[Path, Path] | None,
) -> Scope:
    pairs = [pair.parameters("derive", device) for pair in receipts.values()]
    options = next((pair for pair in pairs if all(pair)), ())
    smoothed = any(parameters.get("smoothing") for parameters in options) or not options
    interpolated = any(parameters.get("interpolate_angles") for parameters in options) or not options
    methods = {key: label for old, new in contents.values() for key, label in {**old.methods, **new.methods}.items()}
    affected = None
    if direction_files is not None and options and not interpolated:
        affected = _affected_by_directions(contents, options, direction_files)
    return Scope(affected, bool(smoothed), bool(interpolated), methods)


def _affected_by_directions(
    contents: Mapping[str, tuple[Content, Content]],
    options: Sequence[Mapping[str, Any]],
    direction_files: tuple[Path, Path],
) -> frozenset[str] | None:
    """Return the curves and indices that depend on a direction that differs; None if that is not known."""
    from anechain.data.store import read_dataset

    if not all(path.is_file() for path in direction_files):
        return None
    differing: set[str] = set()
    for name in ("responses.nc", "sphere.nc"):
        if name in contents:
            old, new = (content.blocks.get("level") for content in contents[name])
            if old is None or new is None:
                return None
            differences, note = block_differences(old, new, 0.0)
            if note:
                return None
            if name == "sphere.nc" and (differences or contents[name][0].numbers != contents[name][1].numbers):
                differing.add("sphere")
            elif name == "responses.nc":
                differing |= {difference.name for difference in differences}
    reached = reached_by_directions([read_dataset(path) for path in direction_files], options, differing)
    of_sphere = {"sphere_power", "sphere_index", "two_orbit_error"} if "sphere" in differing else set()
    indices = {"on_axis": "sphere_index", "sound_power": "two_orbit_error"}
    return reached | of_sphere | {index for curve, index in indices.items() if curve in reached}


def _valid_band(device: str, receipts: Mapping[str, ReceiptPair]) -> tuple[float, float] | None:
    bands = [
        parameters["setup"]["valid_band"]
        for pair in receipts.values()
        for parameters in pair.parameters("ingest", device)
        if isinstance(parameters.get("setup"), Mapping) and parameters["setup"].get("valid_band")
    ]
    return (max(float(band[0]) for band in bands), min(float(band[1]) for band in bands)) if bands else None
