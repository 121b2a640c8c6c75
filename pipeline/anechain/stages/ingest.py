"""Stage ingest: raw exports to validated datasets on common terms."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain import contract
from anechain.acoustics.levels import REFERENCE_DISTANCE, REFERENCE_DRIVE, referred_level_step
from anechain.campaign import Setup
from anechain.errors import Refusal
from anechain.importers import Importer, choose, find_importers, parse_options, read
from anechain.methods import versions
from anechain.plan import Plan, resolve_files
from anechain.receipts import Input, issue
from anechain.stages.batch import Outcome
from anechain.store import is_current, read_dataset, sha256_file, write_dataset

if TYPE_CHECKING:
    import xarray as xr

VERSION = 2
USES = ("level-reference",)

COMPANIONS = ("sphere", "harmonics")
"""Datasets that an importer may give besides the responses, each a file beside them."""

_FROM_FILE = {"licence": "source_licence", "origin": "source_origin", "source_convention": "source_convention"}


def run(plan: Plan, device: str) -> Outcome:
    """Import one device: responses.nc, and sphere.nc and harmonics.nc where the raw files give them."""
    one = plan.campaign.devices[device]
    importers, broken = find_importers(plan.private_importers())
    paths = resolve_files(plan.folder, one)
    if one.responses.importer is None:
        importer = choose(paths, importers, broken, device)
    elif one.responses.importer in importers:
        importer = importers[one.responses.importer]
    else:
        why = next((f" cannot be used: {bad.reason}" for bad in broken if bad.name == one.responses.importer), "")
        raise Refusal.because(
            f"devices.{device}.responses.importer",
            f"{one.responses.importer}{why or ' is not installed'}",
            ", ".join(importers) or "none is installed",
        )
    options = parse_options(
        importer, one.responses.options, "campaign", f"devices.{device}.responses.options.", plan.folder
    )
    companions = [*options.companion_files(), *plan.private_importers()]
    # By the name in the campaign's folder, also where that is a link to somewhere else.
    roles = {f"raw:{path.relative_to(plan.folder).as_posix()}": path for path in [*paths, *companions]}
    parameters = {
        **plan.ingest_parameters(device),
        "importer": importer.name,
        "importer_version": importer.description.version,
        "methods": versions({*USES, *importer.description.methods}),
        "reference_distance": REFERENCE_DISTANCE,
        "reference_drive": REFERENCE_DRIVE,
        "contract": contract.load("responses").name,
    }
    receipt = issue("ingest", VERSION, parameters, [Input(role, sha256_file(path)) for role, path in roles.items()])
    target = plan.results / device / "responses.nc"
    beside = {name: target.with_name(f"{name}.nc") for name in COMPANIONS}
    if is_current(target, receipt["stamp"]):
        named = str(read_dataset(target).attrs["datasets"]).split()
        given = tuple(path for name, path in beside.items() if name in named)
        if all(is_current(path, receipt["stamp"]) for path in given):
            return Outcome(receipt["stamp"], (target, *given), made=False)
    before = {role: entry["sha256"] for role, entry in zip(sorted(roles), _inputs(receipt), strict=True)}
    reading = read(importer, paths, options, device)
    if reading.responses is None:
        raise Refusal.because(device, f"importer {importer.name} found no responses", mend="check the files named")
    report = list(reading.report)
    attributes = _attributes(importer, reading.responses.attrs, one.setup, report, device)
    attributes |= {"device": device, "title": one.title}
    step, distance_step = _level_steps(attributes, report)
    responses = _finished(reading.responses, "responses", attributes, report, {"level": step})
    found = {name: data for name in COMPANIONS if (data := getattr(reading, name)) is not None}
    responses.attrs["datasets"] = " ".join(found) or "none"
    contract.validate(responses, "responses", device)
    outputs: dict[Path, xr.Dataset] = {target: responses}
    # Harmonics stand at the drives they were measured at: only the distance is referred.
    steps = {"sphere": {"level": step}, "harmonics": {"level": distance_step, "noise": distance_step}}
    for name, data in found.items():
        finished = _finished(data, name, attributes, report, steps[name])
        known = contract.load(name).attributes
        finished.attrs = {key: value for key, value in finished.attrs.items() if key in known}
        contract.validate(finished, name, device)
        outputs[beside[name]] = finished
    changed = [role for role, path in roles.items() if sha256_file(path) != before[role]]
    if changed:
        raise Refusal.because(
            changed[0].removeprefix("raw:"), "changed while it was read", "raw files that stay as they are", "run again"
        )
    # What is no longer made goes first: a run that is killed here must not leave it beside the new responses.
    for path in beside.values():
        if path not in outputs:
            path.unlink(missing_ok=True)
    for path, dataset in outputs.items():
        write_dataset(path, dataset, receipt)
    return Outcome(receipt["stamp"], tuple(outputs), made=True)


def _inputs(receipt: dict[str, Any]) -> list[dict[str, str]]:
    inputs: list[dict[str, str]] = receipt["steps"][receipt["stamp"]]["inputs"]
    return inputs


def _attributes(
    importer: Importer, said: dict[str, Any], setup: Setup, report: list[str], device: str
) -> dict[str, Any]:
    """Join what the raw files say with what the campaign says; the campaign wins, and the report tells."""
    kept = (*_FROM_FILE, "level_kind", "distance", "drive", "valid_low", "valid_high")
    attributes: dict[str, Any] = {_FROM_FILE.get(name, name): value for name, value in said.items() if name in kept}
    if attributes.get("level_kind") == "relative" and setup.level_kind == "spl":
        raise Refusal.because(
            f"devices.{device}.setup.level_kind",
            f"spl, but importer {importer.name} reads these files as relative levels",
            "spl only where the raw values are sound pressures",
            "if they are, say so in the importer's options (see `anechain importers`)",
        )
    stated = setup.model_dump(exclude_none=True, exclude={"valid_band"})
    for name, value in stated.items():
        if name in attributes and attributes[name] != value:
            report.append(
                f"{name}: the campaign says {value}, the raw files say {attributes[name]}; the campaign holds"
            )
    attributes |= stated
    if "level_kind" not in attributes:
        attributes["level_kind"] = "relative"
        report.append("level taken as relative: neither the raw files nor the campaign say what it refers to")
    if setup.valid_band:
        low, high = setup.valid_band
        # A band that the files themselves bound, as a time window does, cannot be widened by a statement.
        held = max(low, attributes.get("valid_low", low)), min(high, attributes.get("valid_high", high))
        if held != (low, high):
            report.append(
                f"valid band: {low:g} to {high:g} Hz by the campaign; the raw files bear {held[0]:g} to {held[1]:g} Hz"
            )
        attributes["valid_low"], attributes["valid_high"] = held
    attributes["importer"], attributes["importer_version"] = importer.name, importer.description.version
    return attributes


def _level_steps(attributes: dict[str, Any], report: list[str]) -> tuple[float, float]:
    """Steps that refer an absolute level to the reference distance and drive, and to the distance alone.

    Both are said in attributes and report.
    """
    if attributes["level_kind"] != "spl" or "distance" not in attributes or "drive" not in attributes:
        return 0.0, 0.0
    distance, drive = float(attributes["distance"]), float(attributes["drive"])
    step = referred_level_step(distance, drive)
    attributes["measured_distance"], attributes["measured_drive"] = distance, drive
    attributes["distance"], attributes["drive"] = REFERENCE_DISTANCE, REFERENCE_DRIVE
    if step:
        report.append(
            f"level referred from {distance:g} m and {drive:g} V to {REFERENCE_DISTANCE:g} m and "
            f"{REFERENCE_DRIVE:g} V: {step:+.2f} dB (inverse distance law, linear device)"
        )
    return step, referred_level_step(distance, REFERENCE_DRIVE)


def _finished(
    dataset: xr.Dataset, name: str, attributes: dict[str, Any], report: list[str], steps: dict[str, float]
) -> xr.Dataset:
    finished = dataset.assign({variable: dataset[variable] + step for variable, step in steps.items()})
    finished.attrs = {**attributes, "import_report": "\n".join(report)}
    return contract.describe(finished, name)
