"""What the result of a job depends on: method versions, parameters, raw files, earlier manifests."""

from __future__ import annotations

from typing import Any

from anechain.data.store import sha256_file
from anechain.methods import use_method_versions
from anechain.receipts.canonical_json import canonical_json
from anechain.receipts.receipt import sha256_hex
from anechain.registry.stages import CAMPAIGN_STAGES, STAGES, stage_module, stage_versions, stages_before
from anechain.running.plan import Plan

__all__ = ["dependencies", "made_from"]


def dependencies(plan: Plan, stage: str, batch: str = "") -> dict[str, Any]:
    """Return everything but the tracked files that a job's result depends on.

    Snakemake keeps this with the job's output and runs the job again when it changes.

    Parameters
    ----------
    plan : Plan
        The plan.
    stage, batch : str
        The job; the batch counts for the import only.

    Raises
    ------
    KeyError
        If there is no such stage.
    """
    with use_method_versions(plan.campaign.method_versions):
        result: dict[str, Any] = {"methods": stage_versions(stage)}
    if stage == "ingest":
        result["devices"] = {
            device: sha256_hex(
                canonical_json([plan.ingest_parameters(device), plan.raw_hashes(device), plan.importer_versions])
            )
            for device in plan.batches[batch]
        }
    else:
        result["parameters"] = sha256_hex(canonical_json(stage_module(stage).parameters(plan)))
    return result


def made_from(plan: Plan, stage: str, batch: str) -> str:
    """Return a digest of everything that a job's result depends on, the manifests of earlier stages included.

    It is part of the job's manifest, so that an outdated result is recognised from content alone: Snakemake compares
    dates, and keeps a record of its own that may be lost.
    """
    whole = STAGES[stage].scope == "campaign"
    batches = plan.batches if whole else [batch]
    earlier = [plan.manifest(before, each) for before in stages_before(stage) for each in batches]
    if whole:
        earlier += [plan.manifest(before, "all") for before in CAMPAIGN_STAGES[: CAMPAIGN_STAGES.index(stage)]]
    manifests = {
        path.relative_to(plan.results).as_posix(): sha256_file(path) if path.is_file() else None for path in earlier
    }
    return sha256_hex(canonical_json({"depends": dependencies(plan, stage, batch), "manifests": manifests}))
