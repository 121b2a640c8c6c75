"""Stage crate: a description of the run, its inputs and its outputs as linked data (RO-Crate)."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote

from anechain.data.store import sha256_file, write_if_changed
from anechain.errors import InputError, Problem
from anechain.receipts.canonical_json import canonical_json, parse_json
from anechain.receipts.file_formats import format_of
from anechain.receipts.netcdf_receipt import netcdf_receipt
from anechain.receipts.receipt import RAW, sha256_hex
from anechain.registry.stages import CAMPAIGN_STAGES, DEVICE_STAGES, stage_module, stage_versions
from anechain.report.crate import build_crate, current_time
from anechain.report.crate_content import CrateContent, CrateFile, Run, Step
from anechain.report.crate_document import CRATE_NAME, WORKFLOW_FOLDER, crate_bytes, external_id, run_times
from anechain.running.manifests import entry_of, read_manifest
from anechain.running.plan import Plan
from anechain.stages.batch import Outcome

VERSION = 1
USES = ()
STARTED = "ANECHAIN_STARTED"
"""Environment variable with the starting time of the workflow."""
_SETUP = (
    "level_kind",
    "reference_axis",
    "environment",
    "microphone",
    "distance",
    "drive",
    "valid_low",
    "valid_high",
    "temperature",
    "pressure",
    "humidity",
    "importer",
    "importer_version",
)


def parameters(plan: Plan) -> dict[str, Any]:
    """Return everything in the campaign that the crate depends on."""
    return {
        "campaign": plan.campaign.model_dump(mode="json", exclude={"batch_size"}),
        "keep_going": plan.keep_going,
    }


def run(plan: Plan, devices: Sequence[str], failed: Mapping[str, tuple[str, list[str]]]) -> Outcome:
    """Write the crate and the workflow that it describes: results/ro-crate-metadata.json and results/workflow/."""
    facts = _facts(plan, devices)
    written = _write_workflow(plan)
    target = plan.results / CRATE_NAME
    reasons = {device: f"failed at {stage}: {' '.join(causes)}" for device, (stage, causes) in failed.items()}
    before = _bytes(target)
    made = True
    # Unchanged results keep the times of the existing crate.
    if before is not None and (times := _times(before)) is not None:
        made = crate_bytes(build_crate(plan.campaign, facts, Run(*times, reasons))) != before
    if made:
        document = build_crate(plan.campaign, facts, Run(_started(), current_time(), reasons))
        write_if_changed(target, crate_bytes(document))
    inputs = {file.path: file.sha256 for file in (*facts.inputs, *facts.outputs)}
    stamp = sha256_hex(
        canonical_json({"method": "crate", "version": VERSION, "parameters": parameters(plan), "inputs": inputs})
    )
    return Outcome(stamp, (target, *written), made)


def _started() -> str | None:
    started = os.environ.get(STARTED, "")
    try:
        return started if datetime.fromisoformat(started).utcoffset() is not None else None
    except ValueError:
        return None


def _bytes(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None


def _times(data: bytes) -> tuple[str | None, str] | None:
    try:
        document = json.loads(data)
    except ValueError:
        return None
    return run_times(document) if isinstance(document, dict) else None


def _write_workflow(plan: Plan) -> list[Path]:
    written = []
    for name, source in workflow_files().items():
        path = plan.results / name
        write_if_changed(path, source.read_bytes())
        written.append(path)
    return written


def workflow_files() -> dict[str, Path]:
    """Return the files of the workflow by their path in the results folder, the Snakefile first."""
    from anechain_workflows import snakefile

    first = snakefile()
    return {
        f"{WORKFLOW_FOLDER}/{path.relative_to(first.parent).as_posix()}": path
        for path in (first, *sorted((first.parent / "rules").glob("*.smk")))
    }


def _facts(plan: Plan, devices: Sequence[str]) -> CrateContent:
    made: dict[str, tuple[str, str, str]] = {}
    for stage in DEVICE_STAGES:
        for device in devices:
            for name, sha256 in entry_of(plan, stage, device)["outputs"].items():
                made[name] = (stage, device, sha256)
    for stage in CAMPAIGN_STAGES[: CAMPAIGN_STAGES.index("crate")]:
        manifest = read_manifest(plan.manifest(stage, "all")) or {"devices": {"all": {"outputs": {}}}}
        for name, sha256 in manifest["devices"]["all"]["outputs"].items():
            made[name] = (stage, "", sha256)
    resolved = plan.results / "campaign.json"
    made = {resolved.name: ("resolved", "", sha256_file(resolved)), **made}

    known = {sha256: name for name, (_, _, sha256) in made.items()}
    raw: dict[str, tuple[str, str, list[str]]] = {}
    outputs = []
    for name, (stage, device, sha256) in made.items():
        path = plan.results / name
        if sha256_file(path) != sha256:
            raise InputError.single(
                path, "was changed after it was made", "an unaltered output", "run the campaign again"
            )
        sources = []
        for role, hash_ in _sources(path):
            if role.startswith(RAW):
                slot = "campaign" if stage == "resolved" else "raw"
                about = raw.setdefault(role.removeprefix(RAW), (hash_, slot, []))[2]
                if device and device not in about:
                    about.append(device)
                sources.append(external_id(role.removeprefix(RAW)))
            elif hash_ in known:
                sources.append(quote(known[hash_]))
        about_device = (device,) if device else ()
        outputs.append(CrateFile(name, sha256, path.stat().st_size, stage, about_device, tuple(sources)))
    return CrateContent(
        inputs=tuple(_inputs(plan, raw)),
        outputs=tuple(outputs),
        workflow=tuple(workflow_files()),
        setups={device: _setup(plan.results / device / "responses.nc") for device in devices},
        steps=tuple(_steps()),
        software=_software(),
    )


def _inputs(plan: Plan, raw: Mapping[str, tuple[str, str, list[str]]]) -> Iterator[CrateFile]:
    problems = []
    for path, (sha256, slot, devices) in sorted(raw.items(), key=lambda item: (item[1][1], item[0])):
        source = plan.folder / path
        try:
            size, same = source.stat().st_size, sha256_file(source) == sha256
        except OSError:
            size, same = 0, False
        if not same:
            problems.append(Problem(path, "was changed or removed after it was read", fix="run the campaign again"))
        yield CrateFile(path, sha256, size, slot, tuple(devices))
    if problems:
        raise InputError(problems)


def _sources(path: Path) -> Iterator[tuple[str, str]]:
    """Yield roles and hashes of the inputs of an output, from its receipt; the file must be unaltered."""
    if path.suffix == ".nc":
        text = netcdf_receipt(path)
    else:
        data = path.read_bytes()
        format_ = format_of(data, path.name)
        text = format_.split(data)[1] if format_ is not None else None
    if text is not None:
        receipt = parse_json(text)
        for entry in receipt["steps"][receipt["stamp"]]["inputs"]:
            yield entry["role"], entry["sha256"]


def _setup(path: Path) -> dict[str, Any]:
    """Return how a device was measured, from its dataset, with distance and drive of the measurement."""
    import netCDF4

    with netCDF4.Dataset(path) as dataset:
        attributes = {
            name: value.item() if hasattr(value, "item") else value for name, value in dataset.__dict__.items()
        }
    attributes |= {
        name: attributes[f"measured_{name}"] for name in ("distance", "drive") if f"measured_{name}" in attributes
    }
    return {name: attributes[name] for name in _SETUP if name in attributes}


def _steps() -> Iterator[Step]:
    for stage in (*DEVICE_STAGES, *CAMPAIGN_STAGES):
        module = stage_module(stage)
        title = (module.__doc__ or "").splitlines()[0].partition(": ")[2]
        used = {id_: version for id_, version in stage_versions(stage).items() if id_ in module.USES}
        yield Step(stage, title[:1].upper() + title[1:], module.VERSION, used)


def _software() -> dict[str, str]:
    from importlib.metadata import version

    from anechain import __version__

    names = ("netCDF4", "numpy", "scipy", "snakemake", "vl-convert-python", "xarray")
    return {"anechain": __version__, "Python": platform.python_version(), **{name: version(name) for name in names}}
