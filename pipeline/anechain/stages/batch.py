"""Run one job of a stage: a batch of devices, each on its own, the outcome of all kept in one manifest."""

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
from anechain.methods import use_method_versions
from anechain.receipts.receipt import Input
from anechain.registry.stages import CAMPAIGN_STAGES, DEVICE_STAGES, stage_module
from anechain.running.dependencies import made_from
from anechain.running.manifests import entry_of, manifest_text
from anechain.running.plan import Plan

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Outcome", "failures", "inputs_of", "keep_dataset", "run_batch", "run_whole", "tell"]


@dataclass(frozen=True)
class Outcome:
    """What a stage made.

    Attributes
    ----------
    stamp : str
        Stamp of the step.
    outputs : tuple of Path
        The files, whether made now or found to be current.
    made : bool
        False if all were current already.
    """

    stamp: str
    outputs: tuple[Path, ...]
    made: bool


def tell(line: str) -> None:
    """Show progress, where a person is watching."""
    if os.environ.get("ANECHAIN_PROGRESS"):
        print(line, file=sys.stderr, flush=True)  # noqa: T201


def problems_of(error: Exception, where: str) -> list[str]:
    """Word any failure for the manifest."""
    if isinstance(error, InputError):
        return [str(problem) for problem in error.problems]
    if isinstance(error, OSError):
        return [
            str(
                Problem(
                    str(error.filename or where),
                    f"{error.strerror or error}",
                    fix="check that it is there, its rights, and the room on the disk",
                )
            )
        ]
    return [
        str(Problem(where, f"{type(error).__name__}: {error}", fix="this is a fault of Anechain: please report it"))
    ]


def _entry(plan: Plan, outcome: Outcome) -> dict[str, Any]:
    outputs = {path.relative_to(plan.results).as_posix(): sha256_file(path) for path in outcome.outputs}
    return {"stamp": outcome.stamp, "outputs": dict(sorted(outputs.items()))}


def run_batch(plan: Plan, stage: str, batch: str) -> None:
    """Run a stage on each device of a batch and write the manifest; one device's failure stops no other."""
    module = stage_module(stage)
    before = DEVICE_STAGES[DEVICE_STAGES.index(stage) - 1] if stage != DEVICE_STAGES[0] else None
    digest = made_from(plan, stage, batch)
    entries: dict[str, Any] = {}
    for device in plan.batches[batch]:
        start = time.perf_counter()
        if before and "outputs" not in entry_of(plan, before, device):
            entries[device] = {"waiting": before}
            continue
        try:
            with use_method_versions(plan.campaign.method_versions):
                outcome = module.run(plan, device)
        except Exception as error:
            entries[device] = {"failed": problems_of(error, device)}
            tell(f"{stage:8} {device:20} failed")
        else:
            entries[device] = _entry(plan, outcome)
            tell(f"{stage:8} {device:20} {f'made in {time.perf_counter() - start:.1f} s' if outcome.made else 'kept'}")
    write_if_changed(plan.manifest(stage, batch), manifest_text(stage, batch, entries, digest))


def run_whole(plan: Plan, stage: str) -> None:
    """Run a stage on the whole campaign.

    Raises
    ------
    InputError
        If devices have failed and the run is not one that keeps going, or nothing is left to work on.
    """
    failed = failures(plan)
    left = [device for device in plan.campaign.devices if device not in failed]
    if failed and not (plan.keep_going and left):
        fix = "mend them" + (", or run with --keep-going to leave them out" if left else "")
        raise InputError([*_causes(failed), Problem(stage, f"not made: {_count(plan, failed)}", fix=fix)])
    start = time.perf_counter()
    digest = made_from(plan, stage, "all")
    with use_method_versions(plan.campaign.method_versions):
        outcome = stage_module(stage).run(plan, left, failed)
    tell(f"{stage:8} {'':20} {f'made in {time.perf_counter() - start:.1f} s' if outcome.made else 'kept'}")
    write_if_changed(plan.manifest(stage, "all"), manifest_text(stage, "all", {"all": _entry(plan, outcome)}, digest))
    if failed and stage == CAMPAIGN_STAGES[-1]:
        # The page is made, but the chain has not succeeded: whoever runs it must see that from the exit status.
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
    """Devices that failed: the stage and the reasons."""
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
    """Outputs of an earlier stage as inputs, by file name.

    Raises
    ------
    InputError
        If one was changed since that stage made it.
    """
    found = {}
    for name, sha256 in entry_of(plan, stage, device)["outputs"].items():
        path = plan.results / name
        if not path.is_file() or sha256_file(path) != sha256:
            raise InputError.single(
                path, "was changed since it was made", "an unaltered output", "run the campaign again"
            )
        found[path.name] = Input(prefix + path.name, sha256, read_receipt(path))
    return found


def keep_dataset(target: Path, receipt: Mapping[str, Any], of: str, where: str, make: Callable[[], xr.Dataset]) -> bool:
    """Make, validate and write a dataset, unless it is there as it would be made; say whether it had to be made.

    Parameters
    ----------
    target : Path
        The file.
    receipt : mapping
        What it is made from.
    of : str
        Its contract.
    where : str
        Said in refusals.
    make : callable
        Gives the dataset.

    Raises
    ------
    InputError
        If it breaks its contract, or cannot be written.
    """
    if is_current(target, receipt["stamp"]):
        return False
    dataset = make()
    contract.validate(dataset, of, where)
    write_dataset(target, dataset, receipt)
    return True
