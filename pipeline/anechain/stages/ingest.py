"""Stage ingest: raw exports to validated datasets on common terms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain.acoustics.curve.levels import REFERENCE_DISTANCE, REFERENCE_DRIVE, referred_level_step
from anechain.campaign.file import Setup
from anechain.data import contract
from anechain.data.checks import Check, Limits, check_to_json, report_line, with_limits
from anechain.data.store import is_current, read_dataset, sha256_file, write_artefact, write_dataset
from anechain.errors import InputError, Problem
from anechain.importing.hooks import Options
from anechain.importing.identify import choose_importer
from anechain.importing.importers import BrokenImporter, Importer, find_importers
from anechain.importing.options import parse_options
from anechain.importing.read import read
from anechain.importing.response_checks import METHODS, check_responses
from anechain.methods import versions
from anechain.receipts.canonical_json import canonical_json
from anechain.receipts.receipt import Input, make_receipt
from anechain.registry.sources import COMPANIONS
from anechain.running.plan import Plan
from anechain.running.raw_files import resolve_files
from anechain.stages.batch import Outcome

if TYPE_CHECKING:
    import xarray as xr

VERSION = 4
USES = ("level-reference", *METHODS)

_IN_DECIBELS = ("level", "noise", "tones", "between", "tone_level")
"""Variables of harmonics and of other tones that hold a sound pressure level."""
_FROM_FILE = {"licence": "source_licence", "origin": "source_origin", "source_convention": "source_convention"}


@dataclass(frozen=True)
class Source:
    """Raw files of one kind, who reads them, and how."""

    name: str
    paths: list[Path]
    importer: Importer
    options: Options
    setup: Setup | None


@dataclass(frozen=True)
class Imported:
    """What the raw files of a device gave: who read them, the validated datasets by their contracts, and the checks."""

    sources: tuple[Source, ...]
    datasets: dict[str, xr.Dataset]
    checks: tuple[Check, ...] = ()


def run(plan: Plan, device: str) -> Outcome:
    """Import one device: responses.nc, beside it what else the raw files give (see COMPANIONS), and checks.json."""
    one = plan.campaign.devices[device]
    sources = chosen_sources(plan, device)
    companions = [path for source in sources for path in source.options.companion_files()]
    raw = [*(path for source in sources for path in source.paths), *companions, *plan.private_importers()]
    # By the name in the campaign's folder, also where that is a link to somewhere else.
    roles = {f"raw:{path.relative_to(plan.folder).as_posix()}": path for path in raw}
    parameters = {
        **plan.ingest_parameters(device),
        "importers": {source.name: [source.importer.name, source.importer.description.version] for source in sources},
        "methods": versions({*USES, *(id_ for source in sources for id_ in source.importer.description.methods)}),
        "reference_distance": REFERENCE_DISTANCE,
        "reference_drive": REFERENCE_DRIVE,
        "contract": contract.load("responses").name,
    }
    receipt = make_receipt(
        "ingest", VERSION, parameters, [Input(role, sha256_file(path)) for role, path in roles.items()]
    )
    target = plan.results / device / "responses.nc"
    beside = {name: target.with_name(f"{name}.nc") for name in COMPANIONS}
    if is_current(target, receipt["stamp"]):
        named = str(read_dataset(target).attrs["datasets"]).split()
        given = (*(path for name, path in beside.items() if name in named), target.with_name("checks.json"))
        if all(is_current(path, receipt["stamp"]) for path in given):
            return Outcome(receipt["stamp"], (target, *given), made=False)
    before = {role: entry["sha256"] for role, entry in zip(sorted(roles), _inputs(receipt), strict=True)}
    checks: list[Check] = []
    finished = read_sources(sources, one.setup, device, one.title, checks, plan.campaign.checks.limits())
    _refuse_changes(roles, before)
    # What is no longer made goes first: a run that is killed here must not leave it beside the new responses.
    for name, path in beside.items():
        if name not in finished:
            path.unlink(missing_ok=True)
    outputs = {
        target: finished["responses"],
        **{beside[name]: finished[name] for name in COMPANIONS if name in finished},
    }
    for path, dataset in outputs.items():
        write_dataset(path, dataset, receipt)
    told = {"device": device, "title": one.title, "checks": [check_to_json(check) for check in checks]}
    checked = target.with_name("checks.json")
    write_artefact(checked, canonical_json(told), receipt)
    return Outcome(receipt["stamp"], (*outputs, checked), made=True)


def import_device(plan: Plan, device: str) -> Imported:
    """Import one device as :func:`run` does, and write nothing.

    Raises
    ------
    InputError
        With everything that is wrong with its files, options or values.
    """
    one = plan.campaign.devices[device]
    sources = chosen_sources(plan, device)
    raw = [*(path for source in sources for path in (*source.paths, *source.options.companion_files()))]
    roles = {f"raw:{path.relative_to(plan.folder).as_posix()}": path for path in raw}
    before = {role: sha256_file(path) for role, path in roles.items()}
    checks: list[Check] = []
    datasets = read_sources(sources, one.setup, device, one.title, checks, plan.campaign.checks.limits())
    _refuse_changes(roles, before)
    return Imported(tuple(sources), datasets, tuple(checks))


def read_sources(
    sources: Sequence[Source],
    setup: Setup,
    device: str,
    title: str,
    checks: list[Check] | None = None,
    limits: Mapping[str, Limits] | None = None,
) -> dict[str, xr.Dataset]:
    """Let the importers of a device read its files, and bring what they give to validated datasets on common terms.

    Parameters
    ----------
    sources : sequence of Source
        The responses, if there are any, first.
    setup : Setup
        What the campaign says of the whole device.
    device, title : str
        Its id and its name in print.
    checks : list of Check, optional
        What the importers' own checks and those of the responses found is added to it.
    limits : dict of str to (float or None, float or None), optional
        Limits by kind of check, where they are not the usual ones.

    Returns
    -------
    dict of str to xarray.Dataset
        By their contracts, each valid; levels are referred to the reference distance and drive.

    Raises
    ------
    InputError
        If a file cannot be read, or a dataset is not what its contract describes.
    """
    finished: dict[str, xr.Dataset] = {}
    problems: list[Problem] = []
    found: list[Check] = []
    for source in sources:
        try:
            finished |= _read_source(source, finished, setup, {"device": device, "title": title}, found)
        except InputError as input_error:
            problems.extend(input_error.problems)
    if "responses" in finished:
        others = [name for name in COMPANIONS if name in finished]
        finished["responses"].attrs["datasets"] = " ".join(others) or "none"
    for name, data in finished.items():
        try:
            contract.validate(data, name, device)
        except InputError as input_error:
            problems.extend(input_error.problems)
    if problems:
        raise InputError(problems)
    if "responses" in finished:
        found += check_responses(finished["responses"])
        found = [with_limits(check, limits or {}) for check in found]
        attributes = finished["responses"].attrs
        attributes["import_report"] = "\n".join([attributes["import_report"], *map(report_line, found)]).strip("\n")
    if checks is not None:
        checks += found
    return finished


def _read_source(
    source: Source, before: Mapping[str, xr.Dataset], setup: Setup, who: Mapping[str, str], checks: list[Check]
) -> dict[str, xr.Dataset]:
    """Datasets of one source, on common terms and not validated yet; `before` holds those of the sources before it.

    What the importer's own checks found is added to `checks`.
    """
    device = who["device"]
    reading = read(source.importer, source.paths, source.options, device)
    # Takes on the axis come with the responses or, where those are from elsewhere, with the harmonics.
    beside = {"responses": COMPANIONS, "harmonics": ("takes",)}
    wanted = (source.name, *beside.get(source.name, ()))
    found = {name: data for name in wanted if (data := getattr(reading, name, None)) is not None}
    if source.name not in found:
        fix = "check the files named"
        raise InputError.single(device, f"importer {source.importer.name} found no {source.name}", fix=fix)
    if twice := sorted(found.keys() & before.keys()):
        raise InputError.single(
            f"devices.{device}.{source.name}",
            f"the files of the responses give {' and '.join(twice)} too",
            "one source of each",
            f"take out {source.name}, or do not ask for it in the options of the responses",
        )
    # What holds of the sound does not hold of the impedance, least of all the drive.
    own = _joined(Setup() if source.name == "impedance" else setup, source.setup)
    checks += [replace(check, source=source.name) for check in reading.checks]
    return _on_common_terms(found, source, own, list(reading.report), who)


def _refuse_changes(roles: Mapping[str, Path], before: Mapping[str, str]) -> None:
    changed = [role for role, path in roles.items() if sha256_file(path) != before[role]]
    if changed:
        raise InputError.single(
            changed[0].removeprefix("raw:"), "changed while it was read", "raw files that stay as they are", "run again"
        )


def chosen_sources(plan: Plan, device: str) -> list[Source]:
    """Raw files of a device with the importer that reads them and its options, which are checked.

    Raises
    ------
    InputError
        With everything that is wrong.
    """
    one = plan.campaign.devices[device]
    installed, broken = find_importers(plan.private_importers())
    files = resolve_files(plan.folder, one)
    chosen: list[Source] = []
    problems: list[Problem] = []
    for name, source in one.sources.items():
        where = f"devices.{device}.{name}"
        able = {id_: importer for id_, importer in installed.items() if name in importer.description.sources}
        try:
            if source.importer is None:
                importer = choose_importer(files[name], able, broken, device)
            elif source.importer in able:
                importer = able[source.importer]
            else:
                raise InputError.single(
                    f"{where}.importer",
                    f"{source.importer}{_why_not(source.importer, installed, broken, name)}",
                    ", ".join(able) or "none is installed",
                    "correct it, or name another",
                )
            options = parse_options(importer, source.options, "campaign", f"{where}.options.", plan.folder)
        except InputError as input_error:
            problems.extend(input_error.problems)
        else:
            chosen.append(Source(name, files[name], importer, options, source.setup))
    if problems:
        raise InputError(problems)
    return chosen


def _why_not(name: str, installed: Mapping[str, Importer], broken: Sequence[BrokenImporter], what: str) -> str:
    if name in installed:
        return f" does not read {what}"
    return next((f" cannot be used: {bad.reason}" for bad in broken if bad.name == name), " is not installed")


def _joined(setup: Setup, own: Setup | None) -> Setup:
    """The setup of a device with what one of its sources states for itself."""
    if own is None:
        return setup
    return setup.model_copy(update=own.model_dump(exclude_unset=True, exclude_none=True))


def _on_common_terms(
    found: Mapping[str, xr.Dataset], source: Source, setup: Setup, report: list[str], who: Mapping[str, str]
) -> dict[str, xr.Dataset]:
    """Refer levels to the reference distance and drive, and say in the attributes what was done."""
    attributes = _attributes(source, found[source.name].attrs, setup, report, who["device"])
    attributes |= who
    step, distance_step = _level_steps(attributes, source.name, report)
    # Harmonics and other tones stand at the drives they were measured at: only the distance is referred.
    steps = {"responses": {"level": step}, "sphere": {"level": step}, "impedance": {}}
    finished = {}
    for name, data in found.items():
        by = steps.get(name, {variable: distance_step for variable in _IN_DECIBELS if variable in data})
        finished[name] = _finished(data, name, attributes, report, by)
        if name != "responses":
            known = contract.load(name).attributes
            finished[name].attrs = {key: value for key, value in finished[name].attrs.items() if key in known}
    return finished


def _inputs(receipt: dict[str, Any]) -> list[dict[str, str]]:
    inputs: list[dict[str, str]] = receipt["steps"][receipt["stamp"]]["inputs"]
    return inputs


def _attributes(source: Source, said: dict[str, Any], setup: Setup, report: list[str], device: str) -> dict[str, Any]:
    """Join what the raw files say with what the campaign says; the campaign wins, and the report tells."""
    importer = source.importer
    kept = (*_FROM_FILE, "level_kind", "distance", "drive", "valid_low", "valid_high")
    attributes: dict[str, Any] = {_FROM_FILE.get(name, name): value for name, value in said.items() if name in kept}
    if attributes.get("level_kind") == "relative" and setup.level_kind == "spl":
        raise InputError.single(
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
    if "level_kind" not in attributes and source.name != "impedance":
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


def _level_steps(attributes: dict[str, Any], what: str, report: list[str]) -> tuple[float, float]:
    """Steps that refer an absolute level to the reference distance and drive, and to the distance alone.

    Both are said in attributes and report.
    """
    if attributes.get("level_kind") != "spl" or "distance" not in attributes:
        return 0.0, 0.0
    distance = float(attributes["distance"])
    distance_step = referred_level_step(distance, REFERENCE_DRIVE)
    if what != "responses":
        attributes["measured_distance"], attributes["distance"] = distance, REFERENCE_DISTANCE
        if distance_step:
            report.append(
                f"level referred from {distance:g} m to {REFERENCE_DISTANCE:g} m: {distance_step:+.2f} dB "
                "(inverse distance law)"
            )
        return 0.0, distance_step
    if "drive" not in attributes:
        return 0.0, 0.0
    drive = float(attributes["drive"])
    step = referred_level_step(distance, drive)
    attributes["measured_distance"], attributes["measured_drive"] = distance, drive
    attributes["distance"], attributes["drive"] = REFERENCE_DISTANCE, REFERENCE_DRIVE
    if step:
        report.append(
            f"level referred from {distance:g} m and {drive:g} V to {REFERENCE_DISTANCE:g} m and "
            f"{REFERENCE_DRIVE:g} V: {step:+.2f} dB (inverse distance law, linear device)"
        )
    return step, distance_step


def _finished(
    dataset: xr.Dataset, name: str, attributes: dict[str, Any], report: list[str], steps: dict[str, float]
) -> xr.Dataset:
    finished = dataset.assign({variable: dataset[variable] + step for variable, step in steps.items()})
    finished.attrs = {**attributes, "import_report": "\n".join(report)}
    return contract.describe(finished, name)
