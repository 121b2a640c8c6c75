"""An explanation of what differs between two results as text, for a person."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.audit.cause_text import cause_lines, count_of, list_of, value_text
from anechain.audit.explanation import Explanation
from anechain.data.changes import COMPARISON, DeviceChange, Difference, ExplainedDifference
from anechain.printable import printable

__all__ = ["MAX_DETAILED_DEVICES", "explanation_text"]

MAX_DETAILED_DEVICES = 12
"""Devices that are described row by row; the others that differ have one line each."""

_CONSTANT_WITHIN = 1e-3
"""dB within which a change is the same at all frequencies."""


def explanation_text(explanation: Explanation) -> list[str]:
    """Return the explanation as lines of text."""
    lines = [
        f"OLD  {explanation.old}",
        f"NEW  {explanation.new}",
        f"Every change is NEW minus OLD. Levels within {explanation.tolerance:g} dB count as the same.",
        "",
        _summary(explanation),
    ]
    detailed = _detailed_devices(explanation)
    if explanation.causes:
        lines += ["", *_causes(explanation, detailed)]
    for device in explanation.devices:
        if device.device in detailed:
            lines += ["", *_device_lines(device, explanation)]
    others = [device for device in explanation.devices if device.differences and device.device not in detailed]
    if others:
        lines += ["", f"{count_of(len(others), 'more device')}, in short (all with --json):"]
        lines += [f"  {line}" for line in _aligned([_short_row(device) for device in others])]
    for names, label in ((explanation.only_old, "OLD"), (explanation.only_new, "NEW")):
        if names:
            devices = [f"{device}{f' ({reason})' if reason else ''}" for device, reason in names.items()]
            lines += ["", f"Only in {label}: {'; '.join(devices)}"]
    equal = [device.device for device in explanation.devices if not device.differences]
    if equal and explanation.differs:
        lines += ["", f"No value differs: {list_of(equal)}"]
    without_effect = _causes_without_effect(explanation)
    if without_effect:
        lines += ["", *without_effect]
    if explanation.software:
        lines += ["", *_software_lines(explanation)]
    if explanation.notes:
        lines += ["", *(f"Note: {note}" for note in explanation.notes)]
    return [printable(line) for line in lines]


def _detailed_devices(explanation: Explanation) -> set[str]:
    """Return the devices that are described row by row: if there are many, those that change most."""

    def size(device: DeviceChange) -> float:
        changes = [
            abs(item.difference.largest)
            for item in device.own_differences
            if item.difference.kind in ("curve", "index")
        ]
        # A removed or added curve counts more than any change.
        return max((math.inf if math.isnan(change) else change for change in changes), default=0.0)

    devices = [device for device in explanation.devices if device.differences or device.notes]
    return {device.device for device in sorted(devices, key=size, reverse=True)[:MAX_DETAILED_DEVICES]}


def _causes(explanation: Explanation, detailed: set[str]) -> list[str]:
    lines = ["Causes:"]
    left_out = 0
    for number, (cause, devices) in enumerate(explanation.causes, 1):
        if cause.kind == "raw files" and devices and not detailed & set(devices):
            left_out += 1
            continue
        first, *more = cause_lines(cause, devices, _has_several_devices(explanation))
        lines += [f"  [{number}] {first}", *(f"      {line}" for line in more)]
    if left_out:
        lines.append(f"  and raw files of {count_of(left_out, 'more device')} (all with --json)")
    return lines


def _has_several_devices(explanation: Explanation) -> bool:
    return bool(len(explanation.devices) > 1 or explanation.only_old or explanation.only_new)


def _causes_without_effect(explanation: Explanation) -> list[str]:
    # Devices that only one side has are listed already.
    listed = bool(explanation.only_old or explanation.only_new)
    causes = [
        (cause, devices)
        for cause, devices in explanation.causes_without_effect
        if not ((cause.step, cause.name) == ("compare", "devices") and listed)
    ]
    if not causes:
        return []
    lines = ["Also changed, without effect on the differing values:"]
    if not explanation.differs:
        lines = ["Changed, without effect on any value:"]
    for cause, devices in causes:
        lines += [f"  {line}" for line in cause_lines(cause, devices, _has_several_devices(explanation))]
    return lines


def _summary(explanation: Explanation) -> str:
    different = explanation.different_files
    if explanation.differs:
        changed = sum(bool(device.differences) for device in explanation.devices)
        parts = [f"{changed} of {count_of(len(explanation.devices), 'device')} differ{'s' * (changed == 1)} in value"]
        if not changed:
            parts = ["no value differs of the devices that both sides have"] * bool(explanation.devices)
        unpaired = len(explanation.only_old) + len(explanation.only_new)
        parts += [f"{count_of(unpaired, 'device')} {'is' if unpaired == 1 else 'are'} on one side only"] * bool(
            unpaired
        )
        text = "; ".join(parts)
        return f"{text[:1].upper()}{text[1:]}."
    if not different and not any(explanation.unpaired_files):
        return f"Nothing differs: {count_of(explanation.identical_files, 'file')}, identical byte for byte."
    parts = [f"{count_of(different, 'file')} {'is' if different == 1 else 'are'} not identical byte for byte"]
    parts *= bool(different)
    parts += [
        f"{count_of(number, 'file')} only in {label}"
        for number, label in zip(explanation.unpaired_files, ("OLD", "NEW"), strict=True)
        if number
    ]
    if different and not (explanation.causes_without_effect or explanation.software or explanation.notes):
        parts.append("the receipts show no cause")
    return f"No value differs. {'; '.join(parts)}."


def _software_lines(explanation: Explanation) -> list[str]:
    versions = ", ".join(f"{cause.name} {cause.old} → {cause.new}" for cause in explanation.software)
    unexplained = any(not item.causes for device in explanation.devices for item in device.differences)
    if unexplained:
        return [
            f"Software differs: {versions}.",
            "  “software?” marks values without any other possible cause. The files cannot prove that it is the cause.",
        ]
    if not explanation.differs:
        return [f"Software differs: {versions}. The values are the same."]
    return [f"Software also differs: {versions}. It is only a possible cause, of small differences."]


# One device.


def _short_row(device: DeviceChange) -> tuple[str, str]:
    numbers = sorted({number for item in device.differences for number in item.causes})
    changed = [
        item for item in device.own_differences if item.difference.bands and item.difference.kind in ("curve", "index")
    ]
    largest = max(changed, key=lambda item: abs(item.difference.largest), default=None)
    text = _heading(device)
    if largest is not None:
        text += f", largest change: {largest.title}, {_signed(largest.difference.largest, largest.difference.unit)}"
    return device.device, f"{text}  {' '.join(f'[{number}]' for number in numbers)}".rstrip()


def _heading(device: DeviceChange) -> str:
    """Return how many curves, indices and numbers differ."""
    differences = device.own_differences
    counts = [
        f"{number} of {device.counts.get(kind, 0)} {noun}"
        for kind, noun in (("curve", "curves"), ("index", "directivity indices"))
        if (number := sum(item.difference.kind == kind for item in differences))
    ]
    counts += [
        count_of(number, noun)
        for kind, noun in (("number", "number"), ("row", "other row"))
        if (number := sum(item.difference.kind == kind for item in differences))
    ]
    if counts:
        return f"{', '.join(counts)} differ"
    return "no curve differs" if device.counts.get("curve") else "measured directions differ"


def _device_lines(device: DeviceChange, explanation: Explanation) -> list[str]:
    differences = device.own_differences
    repeated = len(device.differences) - len(differences)
    only_comparison = any(item.file == COMPARISON for item in differences) and explanation.old.name != COMPARISON
    name = device.title if device.title == device.device else f"{device.title} ({device.device})"
    where = ", in the comparison of all devices only" if only_comparison else ""
    lines = [f"{name}: {_heading(device)}{where}"]
    rows = [
        _row(item, explanation) for item in _merged(differences, device.counts) if item.difference.kind != "direction"
    ]
    if any(len(row) > 2 for row in rows):
        rows.insert(0, ("", "largest", "at", "r.m.s.", "band", "cause"))
    lines += [f"  {line}" for line in _aligned(rows)]
    directions = [item for item in differences if item.difference.kind == "direction"]
    if directions:
        lines.append(f"  {_direction_line(directions, device.counts.get('direction', 0))}")
    if repeated:
        lines.append(f"  The comparison of all devices has the same differences, in {count_of(repeated, 'row')}.")
    return [*lines, *(f"  Note: {note}." for note in device.notes)]


def _merged(differences: Sequence[ExplainedDifference], counts: Mapping[str, int]) -> list[ExplainedDifference]:
    """Merge all curves into one row if all of them change by one step at all frequencies."""
    curves = [item for item in differences if item.difference.kind == "curve"]
    steps = {(round(item.difference.largest, 3), item.causes, _is_constant(item.difference)) for item in curves}
    if len(curves) < 3 or len(curves) != counts.get("curve") or len(steps) != 1 or not next(iter(steps))[2]:
        return list(differences)
    merged = replace(curves[0], title=f"All {len(curves)} curves", reason="", method=("", ""))
    return [merged, *(item for item in differences if item.difference.kind != "curve")]


def _is_constant(difference: Difference) -> bool:
    """Return whether the change is the same at all frequencies."""
    known = difference.change[[value == value for value in difference.change]]
    complete = difference.state == "changed" and not difference.lost and not difference.gained
    return bool(complete and known.size and difference.everywhere and known.max() - known.min() < _CONSTANT_WITHIN)


def _row(item: ExplainedDifference, explanation: Explanation) -> tuple[str, ...]:
    """Return the cells of a row: title, largest change, its frequency, r.m.s., band, cause; or title and text."""
    difference = item.difference
    cause = _cause_cell(item, explanation)
    if difference.kind in ("number", "reference"):
        change = f"{_number_text(difference.old)} → {_number_text(difference.new)} {difference.unit}".rstrip()
        step = f"  ({_signed(difference.largest, difference.unit)})" if math.isfinite(difference.largest) else ""
        return (item.title, f"{change}{step}  {cause}")
    if difference.state != "changed":
        side, other = ("OLD", "NEW") if difference.state == "removed" else ("NEW", "OLD")
        reason = f" (gap in {other}: {item.reason})" if item.reason else ""
        return (item.title, f"only in {side}{reason}  {cause}")
    ends = []
    if difference.lost:
        ends.append(f"no value in NEW at {count_of(difference.lost, 'frequency', 'frequencies')}")
    if difference.gained:
        ends.append(f"no value in OLD at {count_of(difference.gained, 'frequency', 'frequencies')}")
    if not difference.bands:
        return (item.title, f"{'; '.join(ends)}  {cause}")
    at = "" if _is_constant(difference) else _frequency(difference.largest_at)
    band = "; ".join([_band(difference), *ends])
    rms = _signed(difference.rms, difference.unit).lstrip("+") if math.isfinite(difference.rms) else ""
    return (item.title, _signed(difference.largest, difference.unit), at, rms, band, cause)


def _number_text(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else "gap" if value is None else value_text(value)


def _cause_cell(item: ExplainedDifference, explanation: Explanation) -> str:
    if item.causes:
        joined = " and ".join(f"[{number}]" for number in item.causes)
        return joined if len(item.causes) == 1 else f"{joined}, not separable"
    return "software?" if explanation.software else "unknown: the receipts do not differ"


def _band(difference: Difference) -> str:
    bands = difference.bands
    if difference.everywhere:
        return "all frequencies"
    if len(bands) <= 2:
        return ", ".join(
            _frequency(low) if low == high else f"{_frequency(low)} to {_frequency(high)}" for low, high in bands
        )
    return f"{_frequency(bands[0][0])} to {_frequency(bands[-1][1])}, in {len(bands)} parts"


def _frequency(frequency: float) -> str:
    return f"{format_hertz(frequency)} Hz"


def _signed(value: float, unit: str) -> str:
    if math.isinf(value):
        return ("+" if value > 0 else "−") + "∞" + f" {unit}"
    digits = f"{value:+.3f}" if abs(value) >= 0.0005 or value == 0 else f"{value:+.1e}"
    return f"{digits} {unit}".rstrip().replace("-", "−", 1)


def _aligned(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Align the columns of rows of six cells; the second cell of a row of two spans all other columns.

    Written here since libraries for text tables have no cells that span columns without widening them.
    """
    title_width = max((len(row[0]) for row in rows), default=0)
    table = [row for row in rows if len(row) > 2]
    widths = [max(len(row[column]) for row in table) for column in range(1, 6)] if table else []
    lines = []
    for row in rows:
        if len(row) == 2:
            lines.append(f"{row[0]:{title_width}}  {row[1]}")
            continue
        cells = [f"{cell:>{width}}" for cell, width in zip(row[1:4], widths, strict=False)]
        lines.append("  ".join([f"{row[0]:{title_width}}", *cells, f"{row[4]:{widths[3]}}", row[5]]).rstrip())
    return lines


def _direction_line(items: Sequence[ExplainedDifference], total: int) -> str:
    changed = [item for item in items if item.difference.state == "changed"]
    steps = {round(item.difference.largest, 3) for item in changed}
    ranked = sorted(changed, key=lambda item: -abs(item.difference.largest) if item.difference.bands else 0.0)
    parts = [f"{len(items)} of {total} measured directions differ{'s' * (len(items) == 1)}"]
    if len(changed) > 1 and len(steps) == 1 and all(_is_constant(item.difference) for item in changed):
        parts.append(f"all by {_signed(ranked[0].difference.largest, ranked[0].difference.unit)}")
    elif ranked and ranked[0].difference.bands:
        first = ranked[0].difference
        size = _signed(first.largest, first.unit)
        parts.append(f"largest change: {first.name}, {size} at {_frequency(first.largest_at)}")
    unpaired = [
        f"{item.difference.name} only in {'OLD' if item.difference.state == 'removed' else 'NEW'}"
        for item in items
        if item.difference.state != "changed"
    ]
    if unpaired:
        parts.append(list_of(unpaired, 4))
    numbers = sorted({number for item in items for number in item.causes})
    return f"{'; '.join(parts)}  {' '.join(f'[{number}]' for number in numbers)}".rstrip()
