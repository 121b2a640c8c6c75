"""Prepare a run: check the campaign, write its resolved form, and discard manifests that are out of date."""

from __future__ import annotations

import difflib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from anechain.campaign.file import Campaign
from anechain.campaign.load import load_campaign
from anechain.campaign.target_file import read_target
from anechain.data.store import is_current, read_receipt, sha256_file, write_artefact
from anechain.errors import InputError, Problem
from anechain.receipts.canonical_json import canonical_json
from anechain.receipts.receipt import Input, make_receipt, sha256_hex
from anechain.registry.stages import CAMPAIGN_STAGES, DEVICE_STAGES
from anechain.running.dependencies import made_from
from anechain.running.manifests import read_manifest
from anechain.running.plan import Plan

__all__ = ["load_plan", "open_plan", "prepare", "prepare_results"]


def prepare(campaign_file: Path, trust_importers: bool = False, keep_going: bool = False, clean: bool = True) -> Plan:
    """Check a campaign and prepare its results folder.

    Parameters
    ----------
    campaign_file : Path
        The YAML file.
    trust_importers, keep_going : bool
        See :class:`anechain.running.plan.Plan`.
    clean : bool
        See :func:`prepare_results`.

    Raises
    ------
    InputError
        If the campaign is wrong or the results folder cannot be written.
    """
    plan = load_plan(campaign_file, trust_importers, keep_going)
    prepare_results(plan, campaign_file, clean)
    return plan


def load_plan(campaign_file: Path, trust_importers: bool = False, keep_going: bool = False) -> Plan:
    """Check a campaign; write nothing.

    Raises
    ------
    InputError
        If the campaign is wrong.
    """
    campaign = load_campaign(campaign_file)
    plan = Plan(campaign_file.resolve().parent, campaign, trust_importers, keep_going)
    plan.private_importers()
    _check_versions(plan, campaign_file)
    _check_targets(plan)
    return plan


def open_plan(folder: Path, trust_importers: bool = False, keep_going: bool = False) -> Plan:
    """Open the plan that :func:`prepare` wrote; every job starts with this.

    Raises
    ------
    InputError
        If there is none.
    """
    path = folder / "results" / "campaign.json"
    try:
        resolved = json.loads(path.read_bytes())
        devices = {device: resolved["campaign"]["devices"][device] for device in resolved["order"]}
        campaign = Campaign.model_validate({**resolved["campaign"], "devices": devices})
    except (OSError, ValueError, KeyError, TypeError):
        raise InputError.single(path, "is not a prepared campaign", fix="start with the whole workflow") from None
    return Plan(folder.resolve(), campaign, trust_importers, keep_going)


def prepare_results(plan: Plan, campaign_file: Path, clean: bool = True) -> None:
    """Write the resolved campaign into the results folder of a checked campaign.

    No other run may be active in the folder: half-written files are removed, and a run may be writing them.

    Parameters
    ----------
    plan : Plan
        Of :func:`load_plan`.
    campaign_file : Path
        The file it was loaded from.
    clean : bool
        Discard the manifests of jobs in which a device failed, whose outputs are missing or altered, or whose inputs
        have changed, so that these jobs are done again; and remove half-written files of an interrupted run.

    Raises
    ------
    InputError
        If the results folder cannot be written.
    """
    # Canonical JSON sorts its keys, but the order of the devices is the author's.
    resolved = {"campaign": plan.campaign.model_dump(mode="json"), "order": list(plan.campaign.devices)}
    receipt = make_receipt("campaign", 1, {}, [Input(f"raw:{campaign_file.name}", sha256_file(campaign_file))])
    target = plan.results / "campaign.json"
    try:
        plan.results.mkdir(exist_ok=True)
        content = canonical_json(resolved)
        # The same file read by another software version may resolve to other defaults.
        if not is_current(target, receipt["stamp"]) or read_receipt(target)["content"] != sha256_hex(content):
            write_artefact(target, content, receipt)
        if clean:
            _discard_outdated(plan)
    except OSError as error:
        raise InputError.single(
            plan.results, f"cannot be written: {error.strerror}", "a writable folder with enough space"
        ) from None


def _check_targets(plan: Plan) -> None:
    targets = {target.file: target for device in plan.campaign.devices for target in plan.targets(device).values()}
    problems: list[Problem] = []
    for target in targets.values():
        try:
            read_target(plan.folder, target)
        except InputError as input_error:
            problems += input_error.problems
    if problems:
        raise InputError(problems)


def _check_versions(plan: Plan, campaign_file: Path) -> None:
    if not plan.campaign.method_versions:
        return
    from anechain.methods import methods

    known = methods()
    problems = []
    for id_, version in plan.campaign.method_versions.items():
        if id_ not in known:
            close = difflib.get_close_matches(id_, known, n=1)
            problems.append(
                Problem(
                    str(campaign_file),
                    f"method_versions.{id_}: no method has this id",
                    "an id that `anechain methods` lists",
                    f"did you mean {close[0]}?" if close else "remove it",
                )
            )
        elif version not in known[id_]:
            kept = ", ".join(str(number) for number in known[id_])
            problems.append(
                Problem(
                    str(campaign_file),
                    f"method_versions.{id_} is {version}",
                    f"an available version: {kept}",
                    "choose one of these, or remove it for the newest",
                )
            )
    if problems:
        raise InputError(problems)


def _discard_outdated(plan: Plan) -> None:
    for part in plan.results.rglob(".*.part"):
        part.unlink(missing_ok=True)
    known = {plan.manifest(stage, batch) for stage in DEVICE_STAGES for batch in plan.batches}
    known |= {plan.manifest(stage, "all") for stage in CAMPAIGN_STAGES}
    for path in (plan.results / ".chain").glob("*/*.json"):
        if path not in known:
            path.unlink(missing_ok=True)
    for position, stage in enumerate(DEVICE_STAGES):
        for batch in plan.batches:
            if not _is_job_current(plan, stage, batch, plan.batches[batch]):
                # Snakemake does not notice a missing file whose successors exist, so the successors go too.
                for later in DEVICE_STAGES[position:]:
                    plan.manifest(later, batch).unlink(missing_ok=True)
                for later in CAMPAIGN_STAGES:
                    plan.manifest(later, "all").unlink(missing_ok=True)
    for position, stage in enumerate(CAMPAIGN_STAGES):
        if not _is_job_current(plan, stage, "all", ["all"]):
            for later in CAMPAIGN_STAGES[position:]:
                plan.manifest(later, "all").unlink(missing_ok=True)


def _is_job_current(plan: Plan, stage: str, batch: str, devices: Sequence[str]) -> bool:
    manifest = read_manifest(plan.manifest(stage, batch))
    if manifest is None:
        return False
    # Every device is checked, not only up to the first with an altered output: altered outputs are removed.
    altered = [device for device, entry in manifest["devices"].items() if not _remove_altered_outputs(plan, entry)]
    return (
        not altered
        and manifest["devices"].keys() == set(devices)
        and manifest.get("made_from") == made_from(plan, stage, batch)
    )


def _remove_altered_outputs(plan: Plan, entry: dict[str, Any]) -> bool:
    """Remove altered outputs, so that nothing is built on them; return whether all outputs were intact."""
    outputs = entry.get("outputs")
    if not isinstance(outputs, dict):
        return False
    intact = True
    for name, sha256 in outputs.items():
        path = plan.results / name
        try:
            if not path.resolve().is_relative_to(plan.results.resolve()):
                intact = False
            elif sha256_file(path) != sha256:
                path.unlink()
                intact = False
        except OSError:
            intact = False
    return intact
