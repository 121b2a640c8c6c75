"""An explanation of what differs between two results, in words for a person and in full for a program."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from anechain.audit.causes import NOT_STATED, Cause
from anechain.audit.differences import Difference
from anechain.audit.explain import COMPARISON, DeviceChange, Explanation, Finding

__all__ = ["MOST_IN_FULL", "as_json", "told"]

MOST_IN_FULL = 12
"""Devices that are told row by row; of the others that differ there is a line each."""


def told(explanation: Explanation) -> list[str]:
    """The explanation in words, for a person: one line each."""
    lines = [
        f"OLD  {explanation.old}",
        f"NEW  {explanation.new}",
        f"Every change is NEW minus OLD. Levels within {explanation.least:g} dB count as the same.",
        "",
        _summary(explanation),
    ]
    in_full = _in_full(explanation)
    if explanation.causes:
        lines += ["", "Because of"]
        left_out = 0
        for number, (cause, devices) in enumerate(explanation.causes, 1):
            if cause.kind == "raw files" and devices and not in_full & set(devices):
                left_out += 1
                continue
            first, *more = _cause_lines(cause, devices, explanation)
            lines += [f"  [{number}] {first}", *(f"      {line}" for line in more)]
        if left_out:
            lines.append(f"  and raw files of {_count(left_out, 'more device')} (all with --json)")
    for one in explanation.devices:
        if one.device in in_full:
            lines += ["", *_device_lines(one, explanation)]
    others = [one for one in explanation.devices if one.findings and one.device not in in_full]
    if others:
        lines += ["", f"{_count(len(others), 'more device')}, in short (all with --json):"]
        lines += [f"  {line}" for line in _aligned([_in_short(one) for one in others])]
    for names, here in ((explanation.only_old, "OLD"), (explanation.only_new, "NEW")):
        if names:
            said = [f"{device}{f' ({why})' if why else ''}" for device, why in names.items()]
            lines += ["", f"Only in {here}: {'; '.join(said)}"]
    lone = bool(explanation.only_old or explanation.only_new)
    same = [one.device for one in explanation.devices if not one.findings]
    if same and explanation.differs:
        lines += ["", f"No value differs: {_listed(same)}"]
    # Which devices there are is told above.
    idle = [one for one in explanation.idle if not ((one[0].step, one[0].name) == ("compare", "devices") and lone)]
    if idle:
        heading = "Changed too, but no way leads from it to a value that differs"
        if not explanation.differs:
            heading = "What changed, without any effect on a value"
        lines += ["", f"{heading}:"]
        for cause, devices in idle:
            lines += [f"  {line}" for line in _cause_lines(cause, devices, explanation)]
    if explanation.software:
        lines += ["", *_software_lines(explanation)]
    if explanation.remarks:
        lines += ["", *(f"Note: {line}" for line in explanation.remarks)]
    return [_printable(line) for line in lines]


def _in_full(explanation: Explanation) -> set[str]:
    """The devices that are told row by row: of many, those that change most."""

    def size(one: DeviceChange) -> float:
        changes = [abs(f.difference.largest) for f in one.shown if f.difference.kind in ("curve", "index")]
        # A curve that came or went is more than any change.
        return max((math.inf if math.isnan(change) else change for change in changes), default=0.0)

    told_of = [one for one in explanation.devices if one.findings or one.remarks]
    return {one.device for one in sorted(told_of, key=size, reverse=True)[:MOST_IN_FULL]}


def _in_short(one: DeviceChange) -> tuple[str, str]:
    numbers = sorted({number for finding in one.findings for number in finding.causes})
    changed = [f for f in one.shown if f.difference.bands and f.difference.kind in ("curve", "index")]
    most = max(changed, key=lambda f: abs(f.difference.largest), default=None)
    said = _heading(one)
    if most is not None:
        said += f", most of all {most.title} by {_signed(most.difference.largest, most.difference.unit)}"
    return one.device, f"{said}  {' '.join(f'[{number}]' for number in numbers)}".rstrip()


def _summary(explanation: Explanation) -> str:
    apart = explanation.other_bytes
    if explanation.differs:
        changed = sum(bool(one.findings) for one in explanation.devices)
        said = [f"{changed} of {_count(len(explanation.devices), 'device')} differ{'s' * (changed == 1)} in value"]
        if not changed:
            said = ["no value differs of the devices that are on both sides"] * bool(explanation.devices)
        lone = len(explanation.only_old) + len(explanation.only_new)
        said += [f"{_count(lone, 'device')} {'is' if lone == 1 else 'are'} on one side only"] * bool(lone)
        text = "; ".join(said)
        return f"{text[:1].upper()}{text[1:]}."
    if not apart and not any(explanation.lone_files):
        return f"Nothing differs: {_count(explanation.same_bytes, 'file')}, the same byte for byte."
    said = [f"{_count(apart, 'file')} {'is' if apart == 1 else 'are'} not the same byte for byte"] * bool(apart)
    said += [
        f"{_count(number, 'file')} only in {side}"
        for number, side in zip(explanation.lone_files, ("OLD", "NEW"), strict=True)
        if number
    ]
    if apart and not (explanation.idle or explanation.software or explanation.remarks):
        said.append("the receipts do not say why")
    return f"No value differs. {'; '.join(said)}."


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _listed(names: Sequence[str], most: int = 6) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return f"{', '.join(names[:most])}{more}"


_KEYS = {"derive": "derivation.", "numbers": "numbers.", "ingest": "", "compare": "", "compression": ""}


def _cause_lines(cause: Cause, devices: Sequence[str], explanation: Explanation) -> list[str]:
    """What changed, in words; the devices it holds for, if not for all."""
    several = len(explanation.devices) > 1 or explanation.only_old or explanation.only_new
    of = f"  ({_listed(devices)})" if devices and several else ""
    change = f"{_value(cause.old)} → {_value(cause.new)}"
    match cause.kind:
        case "raw files" | "importer code":
            return _raw_lines(cause, of)
        case "parameter":
            return [f"parameter {_KEYS.get(cause.step, f'{cause.step}: ')}{cause.name}: {change}{of}"]
        case "method":
            return [f"method {cause.name}: version {change}{_method_title(cause.name)}{of}"]
        case "stage" if cause.name == "kind of step":
            return [f"made by another kind of step: {change}{of}"]
        case "stage":
            return [f"version of the step “{cause.name}”: {change}{of}"]
        case "importer" if cause.name == "importer":
            return [f"importer: {change}{of}"]
        case "importer":
            return [f"version of importer {cause.name}: {change}{of}"]
        case "contract":
            return [f"form of what the step “{cause.name}” writes: {change}{of}"]
        case "input":
            gone, came = (", ".join(one) for one in (cause.old, cause.new))
            said = [f"without {gone}"] * bool(gone) + [f"with {came}"] * bool(came)
            return [f"what the step “{cause.name}” takes in: now {' and '.join(said)}{of}"]
        case "file":
            return [f"{cause.name} is not as it was made: {cause.new}"]
        case "presentation":
            return [f"words and drawing: {cause.name}: {change}"]
    return [f"{cause.kind} {cause.name}: {change}{of}"]


def _method_title(id_: str) -> str:
    from anechain.methods import methods

    known = methods().get(id_)
    return f" ({known[max(known)].title})" if known else ""


def _raw_lines(cause: Cause, of: str) -> list[str]:
    noun = "raw file" if cause.kind == "raw files" else "private importer"
    gone, came = dict(cause.old), dict(cause.new)
    lines = []
    changed = sorted(gone.keys() & came.keys())
    removed = sorted(gone.keys() - came.keys())
    added = sorted(came.keys() - gone.keys())
    by_content = {gone[path]: path for path in removed}
    renamed = [(by_content[came[path]], path) for path in added if came[path] in by_content]
    removed = [path for path in removed if path not in {old for old, _ in renamed}]
    added = [path for path in added if path not in {new for _, new in renamed}]
    groups = [
        ("changed", [f"{path}  sha256 {gone[path][:16]}… → {came[path][:16]}…" for path in changed]),
        ("removed", [f"{path}  sha256 {gone[path][:16]}…" for path in removed]),
        ("added", [f"{path}  sha256 {came[path][:16]}…" for path in added]),
        ("renamed, with the same content", [f"{old} → {new}" for old, new in renamed]),
    ]
    for what, paths in groups:
        if paths:
            lines.append(f"{_count(len(paths), noun)} {what}{of}")
            lines += [f"  {path}" for path in paths[:4]]
            lines += [f"  and {len(paths) - 4} more (all with --json)"] * (len(paths) > 4)
    return lines


def _value(value: Any) -> str:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True)
    text = "none" if value is None else text
    return text if len(text) <= 60 else f"{text[:57]}..."


def _software_lines(explanation: Explanation) -> list[str]:
    said = ", ".join(f"{one.name} {one.old} → {one.new}" for one in explanation.software)
    unexplained = any(not f.causes for one in explanation.devices for f in one.findings)
    if unexplained:
        return [
            f"Software differs: {said}.",
            "  The only thing found for what is marked “software?”; a possible cause, the files cannot prove it.",
        ]
    if not explanation.differs:
        return [f"Software differs: {said}. The values are the same nevertheless."]
    return [f"Software differs too: {said}. A possible cause only, of small differences."]


def _heading(one: DeviceChange) -> str:
    """How many curves, indices and numbers differ."""
    heading = [
        f"{sum(f.difference.kind == kind for f in one.shown)} of {one.counts.get(kind, 0)} {noun}"
        for kind, noun in (("curve", "curves"), ("index", "directivity indices"))
        if any(f.difference.kind == kind for f in one.shown)
    ]
    heading += [
        _count(number, noun)
        for kind, noun in (("number", "number"), ("row", "other row"))
        if (number := sum(f.difference.kind == kind for f in one.shown))
    ]
    nothing = "no curve differs" if one.counts.get("curve") else "what was measured differs"
    return f"{', '.join(heading)} differ" if heading else nothing


def _device_lines(one: DeviceChange, explanation: Explanation) -> list[str]:
    shown = one.shown
    repeated = len(one.findings) - len(shown)
    only_compared = any(f.file == COMPARISON for f in shown) and explanation.old.name != COMPARISON
    name = one.title if one.title == one.device else f"{one.title} ({one.device})"
    where = ", in the comparison of all devices only" if only_compared else ""
    lines = [f"{name}: {_heading(one)}{where}"]
    rows = [_row(f, explanation) for f in _merged(shown, one.counts) if f.difference.kind != "direction"]
    if any(len(row) > 2 for row in rows):
        rows.insert(0, ("", "largest", "at", "r.m.s.", "where", "because of"))
    lines += [f"  {line}" for line in _aligned(rows)]
    directions = [f for f in shown if f.difference.kind == "direction"]
    if directions:
        lines.append(f"  {_directions(directions, one.counts.get('direction', 0))}")
    if repeated:
        lines.append(f"  The comparison of all devices differs likewise, in {_count(repeated, 'row')}.")
    return [*lines, *(f"  Note: {remark}." for remark in one.remarks)]


def _merged(findings: Sequence[Finding], counts: Mapping[str, int]) -> list[Finding]:
    """The same step at all frequencies of all curves is one line."""
    curves = [f for f in findings if f.difference.kind == "curve"]
    steps = {(round(f.difference.largest, 3), f.causes, _constant(f.difference)) for f in curves}
    if len(curves) < 3 or len(curves) != counts.get("curve") or len(steps) != 1 or not next(iter(steps))[2]:
        return list(findings)
    first = curves[0]
    merged = Finding(first.file, first.difference, f"All {len(curves)} curves", first.causes)
    return [merged, *(f for f in findings if f.difference.kind != "curve")]


def _constant(difference: Difference) -> bool:
    """Whether the change is one step at all frequencies, within 0.001 dB."""
    known = difference.change[[value == value for value in difference.change]]
    complete = difference.state == "changed" and not difference.lost and not difference.gained
    return bool(complete and known.size and difference.everywhere and known.max() - known.min() < 1e-3)


def _row(finding: Finding, explanation: Explanation) -> tuple[str, ...]:
    one = finding.difference
    causes = _because(finding, explanation)
    if one.kind in ("number", "reference"):
        change = f"{_quantity(one.old)} → {_quantity(one.new)} {one.unit}".rstrip()
        step = f"  ({_signed(one.largest, one.unit)})" if math.isfinite(one.largest) else ""
        return (finding.title, f"{change}{step}  {causes}")
    if one.state != "changed":
        lacking, side = ("NEW", "no longer there") if one.state == "gone" else ("OLD", "new")
        why = f" (gap in {lacking}: {finding.reason})" if finding.reason else f" (not in {lacking})"
        return (finding.title, f"{side}{why}  {causes}")
    ends = []
    if one.lost:
        ends.append(f"no value any more at {_count(one.lost, 'frequency').replace('frequencys', 'frequencies')}")
    if one.gained:
        ends.append(f"values now at {_count(one.gained, 'frequency').replace('frequencys', 'frequencies')}")
    if not one.bands:
        return (finding.title, f"{'; '.join(ends)}  {causes}")
    at = "" if _constant(one) else _hertz(one.at)
    where = "; ".join([_where(one), *ends])
    rms = _signed(one.rms, one.unit).lstrip("+") if math.isfinite(one.rms) else ""
    return (finding.title, _signed(one.largest, one.unit), at, rms, where, causes)


def _quantity(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else "gap" if value is None else _value(value)


def _because(finding: Finding, explanation: Explanation) -> str:
    if finding.causes:
        joined = " and ".join(f"[{number}]" for number in finding.causes)
        return joined if len(finding.causes) == 1 else f"{joined}, could not be separated"
    return "software?" if explanation.software else "the receipts do not say"


def _where(one: Difference) -> str:
    if one.everywhere:
        return "everywhere"
    if len(one.bands) <= 2:
        return ", ".join(_hertz(low) if low == high else f"{_hertz(low)} to {_hertz(high)}" for low, high in one.bands)
    return f"{_hertz(one.bands[0][0])} to {_hertz(one.bands[-1][1])}, in {len(one.bands)} parts"


def _hertz(frequency: float) -> str:
    return f"{frequency:.4g} Hz" if frequency < 999.5 else f"{frequency / 1000:.4g} kHz"


def _signed(value: float, unit: str) -> str:
    if math.isinf(value):
        return ("+" if value > 0 else "−") + "∞" + f" {unit}"
    digits = f"{value:+.3f}" if abs(value) >= 0.0005 or value == 0 else f"{value:+.1e}"
    return f"{digits} {unit}".rstrip().replace("-", "−", 1)


def _aligned(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Columns under each other; a row of two cells says the rest in words."""
    titles = max((len(row[0]) for row in rows), default=0)
    table = [row for row in rows if len(row) > 2]
    widths = [max(len(row[at]) for row in table) for at in range(1, 6)] if table else []
    lines = []
    for row in rows:
        if len(row) == 2:
            lines.append(f"{row[0]:{titles}}  {row[1]}")
            continue
        cells = [f"{cell:>{width}}" for cell, width in zip(row[1:4], widths, strict=False)]
        lines.append("  ".join([f"{row[0]:{titles}}", *cells, f"{row[4]:{widths[3]}}", row[5]]).rstrip())
    return lines


def _directions(findings: Sequence[Finding], total: int) -> str:
    changed = [f for f in findings if f.difference.state == "changed"]
    other = len(findings) - len(changed)
    steps = {round(f.difference.largest, 3) for f in changed}
    ranked = sorted(changed, key=lambda f: -abs(f.difference.largest) if f.difference.bands else 0.0)
    said = [f"{len(findings)} of {total} measured directions differ{'s' * (len(findings) == 1)}"]
    if len(changed) > 1 and len(steps) == 1 and all(_constant(f.difference) for f in changed):
        said.append(f"all by {_signed(ranked[0].difference.largest, ranked[0].difference.unit)}")
    elif ranked and ranked[0].difference.bands:
        first = ranked[0].difference
        said.append(f"most of all {first.name}, by {_signed(first.largest, first.unit)} at {_hertz(first.at)}")
    if other:
        lone = [
            f"{f.difference.name} {'gone' if f.difference.state == 'gone' else 'new'}"
            for f in findings
            if f.difference.state != "changed"
        ]
        said.append(_listed(lone, 4))
    numbers = sorted({number for f in findings for number in f.causes})
    return f"{'; '.join(said)}  {' '.join(f'[{number}]' for number in numbers)}".rstrip()


def _printable(text: str) -> str:
    # What a file says must not act on the terminal.
    return "".join(one if one.isprintable() else json.dumps(one)[1:-1] for one in text)


def as_json(explanation: Explanation) -> dict[str, Any]:
    """The explanation for programs: everything that :func:`told` says, in full."""
    return {
        "old": str(explanation.old),
        "new": str(explanation.new),
        "least": explanation.least,
        "differs": explanation.differs,
        "causes": [
            {"number": number, **_cause_json(cause, devices)}
            for number, (cause, devices) in enumerate(explanation.causes, 1)
        ],
        "without_effect": [_cause_json(cause, devices) for cause, devices in explanation.idle],
        "software": [{"name": one.name, "old": one.old, "new": one.new} for one in explanation.software],
        "devices": [
            {
                "device": one.device,
                "title": one.title,
                "remarks": list(one.remarks),
                "differences": [_finding_json(finding) for finding in one.findings],
            }
            for one in explanation.devices
        ],
        "only_old": dict(explanation.only_old),
        "only_new": dict(explanation.only_new),
        "files": {
            "same": explanation.same_bytes,
            "different": explanation.other_bytes,
            "only_old": explanation.lone_files[0],
            "only_new": explanation.lone_files[1],
        },
        "remarks": list(explanation.remarks),
    }


def _cause_json(cause: Cause, devices: Sequence[str]) -> dict[str, Any]:
    sides = {side: value for side, value in (("old", cause.old), ("new", cause.new)) if value != NOT_STATED}
    return {"kind": cause.kind, "name": cause.name, **sides, "step": cause.step, "devices": list(devices)}


def _finding_json(finding: Finding) -> dict[str, Any]:
    one = finding.difference
    said: dict[str, Any] = {
        "file": finding.file,
        "kind": one.kind,
        "name": one.name,
        "unit": one.unit,
        "state": one.state,
        "causes": list(finding.causes),
        "separated": len(finding.causes) == 1,
    }
    if any(finding.method):
        said["method"] = {"old": finding.method[0], "new": finding.method[1]}
    if finding.reason:
        said["reason"] = finding.reason
    if one.kind in ("number", "reference"):
        return said | {"old": one.old, "new": one.new, "change": _finite(one.largest)}
    if one.state == "changed":
        said |= {
            "largest": _finite(one.largest),
            "at": _finite(one.at),
            "rms": _finite(one.rms),
            "bands": [list(band) for band in one.bands],
            "everywhere": one.everywhere,
            "lost": one.lost,
            "gained": one.gained,
        }
    return said


def _finite(value: float) -> float | str | None:
    """A number as JSON knows it; a change to or from no sound at all has no number."""
    if math.isnan(value):
        return None
    return value if math.isfinite(value) else "Infinity" if value > 0 else "-Infinity"
