"""Manifests: what each job made for which device, or why not."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from anechain.errors import InputError
from anechain.receipts.canonical_json import canonical_json
from anechain.receipts.receipt import sha256_hex
from anechain.registry.stages import CAMPAIGN_STAGES, DEVICE_STAGES
from anechain.running.plan import Plan

__all__ = ["entry_of", "manifest_text", "read_manifest", "unfinished_job"]


def manifest_text(stage: str, batch: str, devices: dict[str, Any], made_from: str) -> bytes:
    """Return the text of a job's manifest, sealed with a hash of itself, so that edits are noticed."""
    manifest = {"stage": stage, "batch": batch, "devices": devices, "made_from": made_from}
    return canonical_json({**manifest, "seal": sha256_hex(canonical_json(manifest))}) + b"\n"


def read_manifest(path: Path) -> dict[str, Any] | None:
    """Return a job's manifest, or None if it is absent, incomplete or altered."""
    try:
        manifest = json.loads(path.read_bytes())
        if not isinstance(manifest, dict) or not isinstance(manifest.get("devices"), dict):
            return None
        if any(not isinstance(entry, dict) for entry in manifest["devices"].values()):
            return None
        unsealed = {key: value for key, value in manifest.items() if key != "seal"}
        return manifest if manifest.get("seal") == sha256_hex(canonical_json(unsealed)) else None
    except (OSError, ValueError):
        return None


def entry_of(plan: Plan, stage: str, device: str) -> dict[str, Any]:
    """Return the entry of a device in a stage's manifest.

    Raises
    ------
    InputError
        If there is none: the stage has not been run.
    """
    manifest = read_manifest(plan.manifest(stage, plan.batch_of(device)))
    if manifest is None or device not in manifest["devices"]:
        raise InputError.single(device, f"stage {stage} has not been run for it", fix="run the whole campaign")
    entry: dict[str, Any] = manifest["devices"][device]
    return entry


def unfinished_job(plan: Plan) -> tuple[str, list[str]]:
    """Return the first stage that has no manifest, and its devices; the last stage if all have one."""
    for stage in DEVICE_STAGES:
        devices = [
            device
            for batch, devices in plan.batches.items()
            if read_manifest(plan.manifest(stage, batch)) is None
            for device in devices
        ]
        if devices:
            return stage, devices
    missing = (stage for stage in CAMPAIGN_STAGES if read_manifest(plan.manifest(stage, "all")) is None)
    return next(missing, CAMPAIGN_STAGES[-1]), []
