"""The manifests of a results folder: which outputs the jobs made, with their hashes."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from anechain.audit.verification import FileStatus
from anechain.campaign.file import Campaign
from anechain.registry.stages import CAMPAIGN_STAGES, DEVICE_STAGES
from anechain.running.manifests import read_manifest
from anechain.running.plan import Plan

__all__ = ["CAMPAIGN", "MANIFESTS", "NamedOutput", "Records", "campaign_plan", "read_records", "result_files"]

CAMPAIGN = "campaign.json"
"""File of a results folder that holds the campaign as it was run."""
MANIFESTS = ".chain"
"""Folder of a results folder that holds the jobs' manifests."""
_LOCK = "lock"


@dataclass(frozen=True)
class NamedOutput:
    """An output as a manifest names it.

    Attributes
    ----------
    sha256, stage, device : str
        Its hash, the stage that made it and its device; "all" for outputs of the whole campaign.
    manifest : str
        The manifest's path, as it is shown.
    """

    sha256: str
    stage: str
    device: str
    manifest: str


@dataclass
class Records:
    """All manifests of a results folder.

    Attributes
    ----------
    results : Path
        The folder.
    plan : Plan or None
        The campaign's plan; None if campaign.json cannot be read.
    outputs : dict of str to NamedOutput
        By path in the results.
    complete : bool
        Whether all manifests that the plan expects are there and unaltered.
    statuses : list of FileStatus
        States of the manifests themselves.
    notes : list of str
        Remarks for the reader.
    """

    results: Path
    plan: Plan | None
    outputs: dict[str, NamedOutput] = field(default_factory=dict)
    complete: bool = True
    statuses: list[FileStatus] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def show(self, name: str) -> str:
        """Return the path of an output as it is shown."""
        return f"{self.results.name}/{name}"

    def output_with(self, sha256: str, other_than: str) -> str | None:
        """Return the output with a hash, apart from the named output; None if there is no other."""
        return next(
            (name for name, output in self.outputs.items() if output.sha256 == sha256 and name != other_than), None
        )


def campaign_plan(results: Path) -> Plan | None:
    """Return the plan of a results folder, which may have been renamed; None if it cannot be read."""
    try:
        resolved = json.loads((results / CAMPAIGN).read_bytes())
        devices = {device: resolved["campaign"]["devices"][device] for device in resolved["order"]}
        return Plan(results.parent.resolve(), Campaign.model_validate({**resolved["campaign"], "devices": devices}))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def read_records(results: Path) -> Records:
    """Read all manifests of a results folder, and compare them with those that the campaign's plan expects."""
    plan = campaign_plan(results)
    records = Records(results, plan)
    expected: dict[str, tuple[str, ...]] = {}
    if plan is not None:
        for stage in DEVICE_STAGES:
            expected |= {f"{stage}/{batch}.json": devices for batch, devices in plan.batches.items()}
        expected |= {f"{stage}/all.json": ("all",) for stage in CAMPAIGN_STAGES}
    folder = results / MANIFESTS
    present = {path.relative_to(folder).as_posix() for path in folder.glob("*/*.json")}
    for name in sorted(present | expected.keys()):
        shown = records.show(f"{MANIFESTS}/{name}")
        stage = name.partition("/")[0]
        if plan is not None and name not in expected:
            problem = "manifest of a job that this campaign does not have"
            records.statuses.append(FileStatus(shown, "untracked", (problem,)))
            continue
        if name not in present:
            job = f"{stage} of {', '.join(expected[name])}" if stage in DEVICE_STAGES else f"stage {stage}"
            problem = f"manifest of {job}: the job was not finished, or its manifest was removed"
            records.statuses.append(FileStatus(shown, "missing", (problem,)))
            records.complete = False
            continue
        manifest = read_manifest(folder / name)
        if manifest is None or (expected and manifest["devices"].keys() != set(expected[name])):
            problem = (
                f"manifest of stage {stage}: incomplete or altered; its outputs are checked by their receipts only"
            )
            records.statuses.append(FileStatus(shown, "altered", (problem,)))
            records.complete = False
            continue
        records.statuses.append(FileStatus(shown, "intact"))
        _add_manifest(records, manifest, shown, stage)
    return records


def _add_manifest(records: Records, manifest: Mapping[str, Any], shown: str, stage: str) -> None:
    for device, entry in manifest["devices"].items():
        if "failed" in entry:
            reasons = " ".join(str(reason).splitlines()[0] for reason in entry["failed"])
            records.notes.append(f"{device} failed at {stage} and has no results from later stages: {reasons}")
        for name, sha256 in (entry.get("outputs") or {}).items():
            records.outputs[name] = NamedOutput(sha256, stage, device, shown)


def result_files(results: Path) -> Iterator[str]:
    """Yield the path of every file in a results folder, apart from manifests and the lock."""
    for path in sorted(results.rglob("*")):
        name = path.relative_to(results).as_posix()
        if name == f"{MANIFESTS}/{_LOCK}" or (name.startswith(f"{MANIFESTS}/") and path.match("*/*.json")):
            continue
        if not path.is_dir():
            yield name
