"""An explanation of what differs between two results as JSON, for programs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from anechain.audit.causes import NOT_STATED, Cause
from anechain.audit.explanation import Explanation
from anechain.data.changes import ExplainedDifference

__all__ = ["explanation_json"]


def explanation_json(explanation: Explanation) -> dict[str, Any]:
    """Return the complete explanation as a JSON object; frequencies in Hz."""
    return {
        "old": str(explanation.old),
        "new": str(explanation.new),
        "tolerance_db": explanation.tolerance,
        "differs": explanation.differs,
        "causes": [
            {"number": number, **_cause_json(cause, devices)}
            for number, (cause, devices) in enumerate(explanation.causes, 1)
        ],
        "causes_without_effect": [_cause_json(cause, devices) for cause, devices in explanation.causes_without_effect],
        "software": [{"name": cause.name, "old": cause.old, "new": cause.new} for cause in explanation.software],
        "devices": [
            {
                "device": device.device,
                "title": device.title,
                "notes": list(device.notes),
                "differences": [_difference_json(difference) for difference in device.differences],
            }
            for device in explanation.devices
        ],
        "devices_only_in_old": dict(explanation.only_old),
        "devices_only_in_new": dict(explanation.only_new),
        "files": {
            "identical": explanation.identical_files,
            "different": explanation.different_files,
            "only_in_old": explanation.unpaired_files[0],
            "only_in_new": explanation.unpaired_files[1],
        },
        "notes": list(explanation.notes),
    }


def _cause_json(cause: Cause, devices: Sequence[str]) -> dict[str, Any]:
    sides = {side: value for side, value in (("old", cause.old), ("new", cause.new)) if value != NOT_STATED}
    return {"kind": cause.kind, "name": cause.name, **sides, "step": cause.step, "devices": list(devices)}


def _difference_json(explained: ExplainedDifference) -> dict[str, Any]:
    difference = explained.difference
    document: dict[str, Any] = {
        "file": explained.file,
        "kind": difference.kind,
        "name": difference.name,
        "unit": difference.unit,
        "state": difference.state,
        "causes": list(explained.causes),
        "cause_is_certain": len(explained.causes) == 1,
    }
    if any(explained.method):
        document["method"] = {"old": explained.method[0], "new": explained.method[1]}
    if explained.reason:
        document["reason"] = explained.reason
    if difference.kind in ("number", "reference"):
        return document | {"old": difference.old, "new": difference.new, "change": _json_number(difference.largest)}
    if difference.state == "changed":
        document |= {
            "largest_change": _json_number(difference.largest),
            "largest_change_at": _json_number(difference.largest_at),
            "rms": _json_number(difference.rms),
            "bands": [list(band) for band in difference.bands],
            "everywhere": difference.everywhere,
            "frequencies_lost": difference.lost,
            "frequencies_gained": difference.gained,
        }
    return document


def _json_number(value: float) -> float | str | None:
    """Return a number that JSON can represent; a change to or from no sound at all is infinite."""
    if math.isnan(value):
        return None
    return value if math.isfinite(value) else "Infinity" if value > 0 else "-Infinity"
