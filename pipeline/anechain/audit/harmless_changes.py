"""Changes that affect no value: texts of the campaign, and what else makes the bytes of figures and pages differ."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from anechain.audit.causes import Cause, differing_steps, parameter_differences
from anechain.audit.evidence import Evidence
from anechain.data.changes import COMPARISON
from anechain.running.results_folder import ResultsFolder

__all__ = ["add_causes_of_other_files", "presentation_changes"]

_CAMPAIGN_TEXTS = ("title", "about", "licence", "people", "figures", "batch_size")
_DEVICE_TEXTS = ("kind", "about", "listening")


def presentation_changes(sides: tuple[ResultsFolder, ResultsFolder]) -> Iterable[Cause]:
    """Yield what differs in the campaigns' texts and in their choice of figures."""
    texts = []
    for side in sides:
        if not side.campaign:
            return
        shared = [
            name
            for name in side.campaign["devices"]
            if all(name in other.campaign.get("devices", {}) for other in sides)
        ]
        devices = side.campaign["devices"]
        side_texts = {name: side.campaign.get(name) for name in _CAMPAIGN_TEXTS}
        side_texts["devices"] = {device: {key: devices[device].get(key) for key in _DEVICE_TEXTS} for device in shared}
        texts.append(side_texts)
    for path, old, new in parameter_differences(texts[0], texts[1]):
        yield Cause("presentation", ".".join(path), old, new)


def add_causes_of_other_files(
    evidence: Evidence, sides: tuple[ResultsFolder, ResultsFolder], different_files: Sequence[str]
) -> None:
    """Add the causes between charts, pages and comparisons, which explain different bytes where no value differs."""
    from anechain.data.store import check_receipt

    for name in different_files:
        if not name.endswith((".vl.json", ".html", COMPARISON)):
            continue
        old, new = (check_receipt(side.folder / name).receipt for side in sides)
        if old is not None and new is not None:
            causes, software = differing_steps(_last_step(old), _last_step(new), "")
            for cause, _ in causes:
                # The page's receipt holds the whole campaign, whose texts are compared by presentation_changes.
                if not (cause.step == "report" and cause.name.startswith("campaign.")):
                    evidence.add_cause(cause, "")
            evidence.add_software(software)


def _last_step(receipt: Mapping[str, Any]) -> dict[str, Any]:
    """Return the receipt with its last step only; the devices' files show the steps before."""
    step = receipt["steps"][receipt["stamp"]]
    return {"stamp": receipt["stamp"], "steps": {receipt["stamp"]: {**step, "made_by": {}}}}
