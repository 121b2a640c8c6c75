"""Run a job of a stage: a batch of devices, or the whole campaign; its outcome is one manifest."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain.data import contract
from anechain.data.store import is_current, read_receipt, sha256_file, write_dataset, write_if_changed
from anechain.errors import InputError, Problem
from anechain.importing.worker import Worker
from anechain.methods import use_method_versions
from anechain.receipts.receipt import Input
from anechain.registry.stages import CAMPAIGN_STAGES, DEVICE_STAGES, stage_module
from anechain.running.dependencies import made_from
from anechain.running.manifests import entry_of, manifest_text
from anechain.running.plan import Plan

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "Outcome",
    "failures",
    "inputs_of",
    "problems_of",
    "run_batch",
    "run_whole",
    "show_progress",
    "update_dataset",
]

_IMPORT = DEVICE_STAGES[0]
"""The stage that runs code of importers, on files of any origin: in a process of its own."""


@dataclass(frozen=True)
class Outcome:
    """Outcome of a stage for a device or for the campaign.

    Attributes
    ----------
    stamp : str
        Stamp of the step.
    outputs : tuple of Path
        The output files, also those that were current.
    made : bool
        False if all outputs were current.
    """

    stamp: str
    outputs: tuple[Path, ...]
    made: bool


def show_progress(line: str) -> None:
    """Show a line of progress, if the workflow runs on a terminal."""
    if os.environ.get("ANECHAIN_PROGRESS"):
        print(line, file=sys.stderr, flush=True)  # noqa: T201


def problems_of(error: Exception, where: str) -> list[str]:
    """Return the problems of any failure as text, for the manifest."""
    if isinstance(error, InputError):
        return [str(problem) for problem in error.problems]
    if isinstance(error, OSError):
        return [
            str(
                Problem(
                    str(error.filename or where),
                    f"{error.strerror or error}",
                    fix="check that it exists, its permissions, and the free space on the disk",
                )
            )
        ]
    return [str(Problem(where, f"{type(error).__name__}: {error}", fix="this is a bug in Anechain: please report it"))]


def _entry(plan: Plan, outcome: Outcome) -> dict[str, Any]:
    outputs = {path.relative_to(plan.results).as_posix(): sha256_file(path) for path in outcome.outputs}
    return {"stamp": outcome.stamp, "outputs": dict(sorted(outputs.items()))}


def _run_device(plan: Plan, stage: str, device: str) -> Outcome:
    with use_method_versions(plan.campaign.method_versions):
        outcome: Outcome = stage_module(stage).run(plan, device)
    return outcome


def run_batch(plan: Plan, stage: str, batch: str) -> None:
    """Run a stage on each device of a batch and write the manifest; a failed device does not stop the others."""
    previous = DEVICE_STAGES[DEVICE_STAGES.index(stage) - 1] if stage != DEVICE_STAGES[0] else None
    digest = made_from(plan, stage, batch)
    entries: dict[str, Any] = {}
    limits = plan.campaign.importing
    with Worker(limits.longest_time, limits.most_memory) as worker:
        for device in plan.batches[batch]:
            start = time.perf_counter()
            if previous and "outputs" not in entry_of(plan, previous, device):
                entries[device] = {"waiting": previous}
                continue
            try:
                if stage == _IMPORT:
                    outcome = worker.call(device, _run_device, plan, stage, device)
                else:
                    outcome = _run_device(plan, stage, device)
            except Exception as error:
                entries[device] = {"failed": problems_of(error, device)}
                show_progress(f"{stage:8} {device:20} failed")
            else:
                entries[device] = _entry(plan, outcome)
                done = f"made in {time.perf_counter() - start:.1f} s" if outcome.made else "kept"
                show_progress(f"{stage:8} {device:20} {done}")
    write_if_changed(plan.manifest(stage, batch), manifest_text(stage, batch, entries, digest))


def run_whole(plan: Plan, stage: str) -> None:
    """Run a stage on the whole campaign.

    Raises
    ------
    InputError
        If devices have failed, and either the run has no option --keep-going or no device is left.
    """
    failed = failures(plan)
    remaining = [device for device in plan.campaign.devices if device not in failed]
    if failed and not (plan.keep_going and remaining):
        fix = "correct them" + (", or run with --keep-going to leave them out" if remaining else "")
        raise InputError([*_causes(failed), Problem(stage, f"not made: {_count(plan, failed)}", fix=fix)])
    start = time.perf_counter()
    digest = made_from(plan, stage, "all")
    with use_method_versions(plan.campaign.method_versions):
        outcome = stage_module(stage).run(plan, remaining, failed)
    show_progress(f"{stage:8} {'':20} {f'made in {time.perf_counter() - start:.1f} s' if outcome.made else 'kept'}")
    write_if_changed(plan.manifest(stage, "all"), manifest_text(stage, "all", {"all": _entry(plan, outcome)}, digest))
    if failed and stage == CAMPAIGN_STAGES[-1]:
        # All results exist, but the exit status must show that devices failed.
        raise InputError([*_causes(failed), Problem(stage, f"made without some devices: {_count(plan, failed)}")])


def _count(plan: Plan, failed: Mapping[str, Any]) -> str:
    return f"{len(failed)} of {len(plan.campaign.devices)} devices failed: {', '.join(failed)}"


def _causes(failed: Mapping[str, tuple[str, list[str]]]) -> list[Problem]:
    return [
        Problem(f"{device} failed at {stage}", reason)
        for device, (stage, reasons) in failed.items()
        for reason in reasons
    ]


def failures(plan: Plan) -> dict[str, tuple[str, list[str]]]:
    """Return the devices that failed, with the stage and the problems."""
    failed: dict[str, tuple[str, list[str]]] = {}
    for stage in DEVICE_STAGES:
        for device in plan.campaign.devices:
            try:
                entry = entry_of(plan, stage, device)
            except InputError:
                continue
            if "failed" in entry:
                failed.setdefault(device, (stage, entry["failed"]))
    return failed


def inputs_of(plan: Plan, device: str, stage: str, prefix: str = "") -> dict[str, Input]:
    """Return the outputs of an earlier stage as inputs, by file name.

    Parameters
    ----------
    plan : Plan
        The plan.
    device, stage : str
        Device and earlier stage.
    prefix : str
        Beginning of the roles of the inputs.

    Raises
    ------
    InputError
        If an output was changed after the stage made it.
    """
    inputs = {}
    for name, sha256 in entry_of(plan, stage, device)["outputs"].items():
        path = plan.results / name
        if not path.is_file() or sha256_file(path) != sha256:
            raise InputError.single(
                path, "was changed after it was made", "an unaltered output", "run the campaign again"
            )
        inputs[path.name] = Input(prefix + path.name, sha256, read_receipt(path))
    return inputs


def update_dataset(
    target: Path, receipt: Mapping[str, Any], contract_name: str, where: str, make: Callable[[], xr.Dataset]
) -> bool:
    """Make, validate and write a dataset unless the file is current; return whether it was made.

    Parameters
    ----------
    target : Path
        The file.
    receipt : mapping
        Its receipt.
    contract_name : str
        Its contract.
    where : str
        Location in error messages.
    make : callable
        Returns the dataset.

    Raises
    ------
    InputError
        If the dataset does not satisfy its contract, or the file cannot be written.
    """
    if is_current(target, receipt["stamp"]):
        return False
    dataset = make()
    contract.validate(dataset, contract_name, where)
    write_dataset(target, dataset, receipt)
    return True
