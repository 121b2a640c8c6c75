"""Stage ingest: raw exports to validated datasets, with levels at one distance and drive."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain.acoustics.curve.levels import REFERENCE_DISTANCE, REFERENCE_DRIVE
from anechain.data import contract
from anechain.data.checks import Check, check_to_json
from anechain.data.store import is_current, read_dataset, sha256_file, write_artefact, write_dataset
from anechain.errors import InputError, Problem
from anechain.importing.identify import choose_importer
from anechain.importing.importers import BrokenImporter, Importer, find_importers
from anechain.importing.options import parse_options
from anechain.importing.response_checks import METHODS
from anechain.importing.size_limit import size_limit
from anechain.importing.source_datasets import Source, read_sources
from anechain.methods import versions
from anechain.receipts.canonical_json import canonical_json
from anechain.receipts.receipt import Input, make_receipt
from anechain.registry.sources import COMPANIONS
from anechain.running.plan import Plan
from anechain.running.raw_files import resolve_files
from anechain.stages.batch import Outcome

if TYPE_CHECKING:
    import xarray as xr

VERSION = 6
USES = ("level-reference", *METHODS)


@dataclass(frozen=True)
class ImportedSource:
    """Raw files of one kind: how many, and the name of their importer."""

    name: str
    files: int
    importer: str


@dataclass(frozen=True)
class Imported:
    """An imported device: its sources, the validated datasets by their contracts, and the measurement checks."""

    sources: tuple[ImportedSource, ...]
    datasets: dict[str, xr.Dataset]
    checks: tuple[Check, ...] = ()


def run(plan: Plan, device: str) -> Outcome:
    """Import a device: responses.nc, the other datasets of its raw files (see COMPANIONS), and checks.json."""
    settings = plan.campaign.devices[device]
    sources = chosen_sources(plan, device)
    companions = [path for source in sources for path in source.options.companion_files()]
    raw = [*(path for source in sources for path in source.paths), *companions, *plan.private_importers()]
    # Paths within the campaign's folder, also for links to other folders.
    roles = {f"raw:{path.relative_to(plan.folder).as_posix()}": path for path in raw}
    parameters = {
        **plan.ingest_parameters(device),
        "importers": {
            source.name: [source.importer.name, source.importer.description.version, source.importer.code]
            for source in sources
        },
        "methods": versions({*USES, *(id_ for source in sources for id_ in source.importer.description.methods)}),
        "reference_distance": REFERENCE_DISTANCE,
        "reference_drive": REFERENCE_DRIVE,
        "contract": contract.load("responses").name,
    }
    receipt = make_receipt(
        "ingest", VERSION, parameters, [Input(role, sha256_file(path)) for role, path in roles.items()]
    )
    target = plan.results / device / "responses.nc"
    companion_paths = {name: target.with_name(f"{name}.nc") for name in COMPANIONS}
    if is_current(target, receipt["stamp"]):
        names = str(read_dataset(target).attrs["datasets"]).split()
        others = (*(path for name, path in companion_paths.items() if name in names), target.with_name("checks.json"))
        if all(is_current(path, receipt["stamp"]) for path in others):
            return Outcome(receipt["stamp"], (target, *others), made=False)
    before = {role: entry["sha256"] for role, entry in zip(sorted(roles), _inputs(receipt), strict=True)}
    datasets, checks = _read(plan, device, sources, roles, before)
    # Removed first: a run that is killed here must not leave outdated files next to the new responses.
    for name, path in companion_paths.items():
        if name not in datasets:
            path.unlink(missing_ok=True)
    outputs = {
        target: datasets["responses"],
        **{companion_paths[name]: datasets[name] for name in COMPANIONS if name in datasets},
    }
    for path, dataset in outputs.items():
        write_dataset(path, dataset, receipt)
    document = {"device": device, "title": settings.title, "checks": [check_to_json(check) for check in checks]}
    checks_path = target.with_name("checks.json")
    write_artefact(checks_path, canonical_json(document), receipt)
    return Outcome(receipt["stamp"], (*outputs, checks_path), made=True)


def import_device(plan: Plan, device: str) -> Imported:
    """Import a device as :func:`run` does, and write nothing.

    Raises
    ------
    InputError
        With all problems of its files, options and values.
    """
    sources = chosen_sources(plan, device)
    raw = [*(path for source in sources for path in (*source.paths, *source.options.companion_files()))]
    roles = {f"raw:{path.relative_to(plan.folder).as_posix()}": path for path in raw}
    before = {role: sha256_file(path) for role, path in roles.items()}
    datasets, checks = _read(plan, device, sources, roles, before)
    imported = tuple(ImportedSource(source.name, len(source.paths), source.importer.name) for source in sources)
    return Imported(imported, datasets, tuple(checks))


def _read(
    plan: Plan, device: str, sources: Sequence[Source], roles: Mapping[str, Path], before: Mapping[str, str]
) -> tuple[dict[str, xr.Dataset], list[Check]]:
    """Read the datasets of a device, and compare its raw files with their hashes, also if the importer has failed."""
    settings, checks = plan.campaign.devices[device], list[Check]()
    problems: list[Problem] = []
    datasets: dict[str, xr.Dataset] = {}
    try:
        with size_limit(plan.campaign.importing.largest_file):
            datasets = read_sources(
                sources, settings.setup, device, settings.title, checks, plan.campaign.checks.limits()
            )
    except InputError as error:
        problems += error.problems
    for role, path in roles.items():
        if not path.is_file() or sha256_file(path) != before[role]:
            importers = ", ".join(dict.fromkeys(source.importer.name for source in sources))
            problems.append(
                Problem(
                    role.removeprefix("raw:"),
                    f"changed while importer {importers} read it",
                    "raw files that do not change",
                    "restore the file and run again; if an importer changes it, do not use that importer",
                )
            )
    if problems:
        raise InputError(problems)
    return datasets, checks


def chosen_sources(plan: Plan, device: str) -> list[Source]:
    """Return the raw files of a device by source, with their importer and its checked options.

    Raises
    ------
    InputError
        With all problems.
    """
    settings = plan.campaign.devices[device]
    private = plan.private_importers()
    installed, broken = find_importers(private)
    stems = {path.stem for path in private}
    if faulty := [each for each in broken if each.name in stems]:
        # First of all, whichever importer would claim the files in its place.
        raise InputError(
            Problem(
                each.origin,
                f"the private importer cannot be used: {each.reason}",
                "a file that implements the three functions of an importer",
                f"correct it; `anechain importers --private {each.origin} --traceback` shows where it fails",
            )
            for each in faulty
        )
    files = resolve_files(plan.folder, settings)
    chosen: list[Source] = []
    problems: list[Problem] = []
    for name, source in settings.sources.items():
        where = f"devices.{device}.{name}"
        usable = {id_: importer for id_, importer in installed.items() if name in importer.description.sources}
        try:
            if source.importer is None:
                importer = choose_importer(files[name], usable, broken, device)
            elif source.importer in usable:
                importer = usable[source.importer]
            else:
                raise InputError.single(
                    f"{where}.importer",
                    f"{source.importer}{_unusable_text(source.importer, installed, broken, name)}",
                    ", ".join(usable) or "none is installed",
                    "correct it, or use another importer",
                )
            options = parse_options(importer, source.options, "campaign", f"{where}.options.", plan.folder)
        except InputError as input_error:
            problems.extend(input_error.problems)
        else:
            chosen.append(Source(name, files[name], importer, options, source.setup))
    if problems:
        raise InputError(problems)
    return chosen


def _unusable_text(
    name: str, installed: Mapping[str, Importer], broken: Sequence[BrokenImporter], source_name: str
) -> str:
    if name in installed:
        return f" does not read {source_name}"
    return next((f" cannot be used: {bad.reason}" for bad in broken if bad.name == name), " is not installed")


def _inputs(receipt: dict[str, Any]) -> list[dict[str, str]]:
    inputs: list[dict[str, str]] = receipt["steps"][receipt["stamp"]]["inputs"]
    return inputs
