"""The plan of a run: which devices go into which job, and what each job's result depends on."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from anechain.campaign.choices import Target
from anechain.campaign.file import Campaign, Device, load_campaign
from anechain.data.store import is_current, read_receipt, sha256_file, write_artefact
from anechain.errors import InputError, Problem
from anechain.receipts.canonical_json import canonical
from anechain.receipts.receipt import Input, make_receipt, sha256_hex

__all__ = [
    "DEVICE_STAGES",
    "WHOLE_STAGES",
    "Plan",
    "entry_of",
    "load_plan",
    "manifest_text",
    "open_plan",
    "prepare",
    "prepare_results",
    "read_manifest",
    "resolve_files",
    "texts_in",
    "unfinished_job",
]

DEVICE_STAGES = ("ingest", "derive", "distortion", "compression", "numbers", "draw")
"""Stages that work device by device, in batches."""
WHOLE_STAGES = ("compare", "report", "crate")
"""Stages that work on the whole campaign."""
_MOST_JOBS_PER_STAGE = 50


@dataclass(frozen=True)
class Plan:
    """A campaign, its folder, and the consents of this run.

    Attributes
    ----------
    folder : Path
        The campaign's folder.
    campaign : Campaign
        The campaign.
    trust_importers : bool
        Whether the user consented to load the campaign's private importers.
    keep_going : bool
        Whether comparison and page are made from the devices that worked when others failed.
    """

    folder: Path
    campaign: Campaign
    trust_importers: bool = False
    keep_going: bool = False

    @property
    def results(self) -> Path:
        """Folder of the results."""
        return self.folder / "results"

    @cached_property
    def batches(self) -> dict[str, tuple[str, ...]]:
        """Devices of each batch; sized so that a stage has at most fifty jobs."""
        devices = sorted(self.campaign.devices)
        size = self.campaign.batch_size or max(2, -(-len(devices) // _MOST_JOBS_PER_STAGE))
        return {f"{i // size + 1:04d}": tuple(devices[i : i + size]) for i in range(0, len(devices), size)}

    def batch_of(self, device: str) -> str:
        """Name of the batch a device is in."""
        return next(batch for batch, devices in self.batches.items() if device in devices)

    def manifest(self, stage: str, batch: str) -> Path:
        """Path of a job's manifest: which outputs it made for which device, or why not."""
        return self.results / ".chain" / stage / f"{batch}.json"

    def private_importers(self) -> list[Path]:
        """Files of private importers, if the user consented to run them.

        Raises
        ------
        InputError
            If the campaign names some and there is no consent.
        """
        files = [self.folder / name for name in self.campaign.importers]
        if files and not self.trust_importers:
            raise InputError.single(
                "importers",
                f"the campaign brings its own code: {', '.join(self.campaign.importers)}",
                "code that you have read and trust",
                "read it, then run again with --trust-importers",
            )
        return files

    def depends(self, stage: str, batch: str = "") -> dict[str, Any]:
        """Everything but the tracked files that a job's result depends on: method versions, parameters, raw hashes.

        Snakemake keeps this beside the job's output and runs the job again when it changes.
        """
        from anechain.methods import use_method_versions
        from anechain.stages import stage_versions

        with use_method_versions(self.campaign.method_versions):
            known: dict[str, Any] = {"methods": stage_versions(stage)}
        if stage == "ingest":
            known["devices"] = {
                device: sha256_hex(
                    canonical([self.ingest_parameters(device), self.raw_hashes(device), self.importer_versions])
                )
                for device in self.batches[batch]
            }
        else:
            known["parameters"] = sha256_hex(canonical(self.parameters(stage)))
        return known

    def made_from(self, stage: str, batch: str) -> str:
        """Digest of everything that a job's result depends on, the manifests of earlier stages included.

        It stands in the job's manifest, so that a result is known to be out of date from content alone: Snakemake goes
        by dates, and by a record of its own that may be lost.
        """
        earlier = [
            self.manifest(one, each)
            for one in DEVICE_STAGES
            if stage in WHOLE_STAGES or DEVICE_STAGES.index(one) < DEVICE_STAGES.index(stage)
            for each in (self.batches if stage in WHOLE_STAGES else [batch])
        ]
        if stage in WHOLE_STAGES:
            earlier += [self.manifest(one, "all") for one in WHOLE_STAGES[: WHOLE_STAGES.index(stage)]]
        read = {
            path.relative_to(self.results).as_posix(): sha256_file(path) if path.is_file() else None for path in earlier
        }
        return sha256_hex(canonical({"depends": self.depends(stage, batch), "manifests": read}))

    @cached_property
    def importer_versions(self) -> dict[str, Any]:
        """Version of every usable importer and of the methods it uses."""
        from anechain.importing.importers import find_importers
        from anechain.methods import use_method_versions, versions

        try:
            private = self.private_importers()
        except InputError:
            private = []
        with use_method_versions(self.campaign.method_versions):
            return {
                name: [one.description.version, versions(one.description.methods)]
                for name, one in find_importers(private)[0].items()
            }

    def ingest_parameters(self, device: str) -> dict[str, Any]:
        """Parameters of a device's import; its notes and other prose are not among them."""
        one = self.campaign.devices[device]
        return {
            "device": device,
            "title": one.title,
            **{name: source.model_dump(mode="json") for name, source in one.sources.items()},
            "setup": one.setup.model_dump(mode="json"),
            "private_importers": list(self.campaign.importers),
            "checks": {id_: list(limits) for id_, limits in self.campaign.checks.limits().items()},
        }

    def parameters(self, stage: str) -> dict[str, Any]:
        """Parameters of a stage that works on earlier outputs."""
        if stage == "derive":
            own = {name: self.uncertainty(name) for name, one in self.campaign.devices.items() if one.uncertainty}
            return {
                **self.campaign.derivation.model_dump(mode="json"),
                "uncertainty": self.campaign.uncertainty.model_dump(mode="json", exclude_none=True),
                "uncertainty_of": own,
            }
        if stage == "distortion":
            return self.campaign.distortion.model_dump(mode="json")
        if stage == "compression":
            return {
                "compression": self.campaign.compression.model_dump(mode="json"),
                "usable_limits": self.campaign.usable_limits.model_dump(mode="json"),
                "distortion": self.campaign.distortion.model_dump(mode="json", include={"noise_margin", "orders"}),
            }
        if stage == "numbers":
            return {
                "devices": {device: self.numbers_parameters(device) for device in self.campaign.devices},
                "targets": self._target_hashes(),
            }
        if stage == "draw":
            return self.campaign.figures.model_dump(mode="json")
        if stage == "compare":
            return {"formats": list(self.campaign.figures.formats), "keep_going": self.keep_going}
        if stage in ("report", "crate"):
            prose = self.campaign.model_dump(mode="json", exclude={"batch_size"})
            return {"campaign": prose, "keep_going": self.keep_going}
        raise ValueError(f"no stage {stage}")

    def uncertainty(self, device: str) -> dict[str, Any]:
        """What is stated of the uncertainty of a device's measurement: its own, or the campaign's."""
        stated = self.campaign.devices[device].uncertainty or self.campaign.uncertainty
        return stated.model_dump(mode="json", exclude_none=True)

    def numbers_parameters(self, device: str) -> dict[str, Any]:
        """Choices in the numbers of a device: the campaign's, and its own in their place."""
        chosen = self.campaign.numbers.model_dump(mode="json")
        own = self.campaign.devices[device].numbers.model_dump(mode="json")
        merged = {name: {**chosen[name], **own[name]} for name in ("own_trends", "targets")}
        return {
            **chosen,
            **merged,
            "rated_impedance": own["rated_impedance"],
            "derivation": self.campaign.derivation.model_dump(mode="json"),
            "stated_uncertainty": self.uncertainty(device),
        }

    def targets(self, device: str) -> dict[str, Target]:
        """Target curves of a device by curve."""
        both = self.campaign.numbers.targets | self.campaign.devices[device].numbers.targets
        return {str(curve): target for curve, target in both.items()}

    def _target_hashes(self) -> dict[str, str]:
        files = {one.file for device in self.campaign.devices for one in self.targets(device).values()}
        there = {name: self.folder / name for name in files}
        return {name: sha256_file(path) if _is_file(path) else "unreadable" for name, path in there.items()}

    def raw_hashes(self, device: str) -> dict[str, str]:
        """SHA-256 of each raw file of a device by its path in the campaign; "unreadable" where there is none."""
        hashes = {}
        sources = self.campaign.devices[device].sources.values()
        companions = [text for one in sources for text in texts_in(one.options)]
        patterns = [pattern for one in sources for pattern in one.files]
        paths = [path for pattern in (*patterns, *self.campaign.importers) for path in _glob(self.folder, pattern)]
        # A text that happens to name a file elsewhere is no companion: the importer's options would be refused.
        beside = [self.folder / name for name in companions]
        paths += [path for path in beside if path.is_relative_to(self.folder) and _is_file(path)]
        for path in paths:
            try:
                hashes[path.relative_to(self.folder).as_posix()] = sha256_file(path)
            except OSError:
                hashes[path.relative_to(self.folder).as_posix()] = "unreadable"
        return hashes


def texts_in(options: object) -> Iterator[str]:
    """All texts in an importer's options, any of which may name a file."""
    if isinstance(options, str):
        yield options
    elif isinstance(options, Mapping | list | tuple):
        for value in options.values() if isinstance(options, Mapping) else options:
            yield from texts_in(value)


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _glob(folder: Path, pattern: str) -> list[Path]:
    # A file that is really called "alder [2].txt" is meant as it stands.
    if not any(sign in pattern for sign in "*?[") or _is_file(folder / pattern):
        return [folder / pattern]
    try:
        return sorted(path for path in folder.glob(pattern) if not path.is_dir())
    except ValueError:  # such as "**" with something beside it: not a pattern, so it matches nothing
        return []


def resolve_files(folder: Path, device: Device) -> dict[str, list[Path]]:
    """Return the raw files of a device by what they are of, each list sorted.

    Raises
    ------
    InputError
        For every pattern that matches nothing and every file that is absent, empty or not readable.
    """
    problems: list[Problem] = []
    found: dict[str, dict[Path, None]] = {name: {} for name in device.sources}
    for name, pattern in ((name, pattern) for name, source in device.sources.items() for pattern in source.files):
        paths = _glob(folder, pattern)
        if not paths:
            problems.append(Problem(pattern, "matches no file", fix=f"check the pattern; it starts at {folder.name}/"))
        for path in paths:
            shown = path.relative_to(folder).as_posix()
            try:
                with path.open("rb") as file:
                    empty = not file.read(1)
            except OSError as error:
                problems.append(
                    Problem(shown, f"cannot be read: {error.strerror}", fix="check the file and its rights")
                )
                continue
            if empty:
                problems.append(Problem(shown, "is empty", "an export with data", "export it again"))
            found[name][path] = None
    if problems:
        raise InputError(problems)
    return {name: sorted(paths) for name, paths in found.items()}


def manifest_text(stage: str, batch: str, devices: dict[str, Any], made_from: str) -> bytes:
    """Text of a job's manifest, with a hash of itself in it, so that a change by hand does not go unseen."""
    manifest = {"stage": stage, "batch": batch, "devices": devices, "made_from": made_from}
    return canonical({**manifest, "seal": sha256_hex(canonical(manifest))}) + b"\n"


def read_manifest(path: Path) -> dict[str, Any] | None:
    """Return a job's manifest, or None if it is not there, not whole, or altered."""
    try:
        manifest = json.loads(path.read_bytes())
        if not isinstance(manifest, dict) or not isinstance(manifest.get("devices"), dict):
            return None
        if any(not isinstance(entry, dict) for entry in manifest["devices"].values()):
            return None
        bare = {key: value for key, value in manifest.items() if key != "seal"}
        # Manifests of earlier versions have no seal.
        return manifest if manifest.get("seal") in (None, sha256_hex(canonical(bare))) else None
    except (OSError, ValueError):
        return None


def entry_of(plan: Plan, stage: str, device: str) -> dict[str, Any]:
    """Return what a stage's manifest says of a device.

    Raises
    ------
    InputError
        If it says nothing: the stage has not been run.
    """
    manifest = read_manifest(plan.manifest(stage, plan.batch_of(device)))
    if manifest is None or device not in manifest["devices"]:
        raise InputError.single(device, f"stage {stage} has not been run for it", fix="run the whole campaign")
    entry: dict[str, Any] = manifest["devices"][device]
    return entry


def unfinished_job(plan: Plan) -> tuple[str, list[str]]:
    """Name the first stage that has no manifest, and its devices; the last stage if all have one."""
    for stage in DEVICE_STAGES:
        devices = [
            device
            for batch, devices in plan.batches.items()
            if read_manifest(plan.manifest(stage, batch)) is None
            for device in devices
        ]
        if devices:
            return stage, devices
    return next((one for one in WHOLE_STAGES if read_manifest(plan.manifest(one, "all")) is None), WHOLE_STAGES[-1]), []


def prepare(campaign_file: Path, trust_importers: bool = False, keep_going: bool = False, clean: bool = True) -> Plan:
    """Check a campaign and lay out its results folder.

    Parameters
    ----------
    campaign_file : Path
        The YAML file.
    trust_importers, keep_going : bool
        See :class:`Plan`.
    clean : bool
        Forget manifests of jobs in which a device failed, whose outputs are gone or altered, or that worked from
        something else than what is there now, so that they are done again; and remove half-written files of an
        interrupted run.

    Raises
    ------
    InputError
        If the campaign is wrong or the results folder cannot be written.
    """
    plan = load_plan(campaign_file, trust_importers, keep_going)
    prepare_results(plan, campaign_file, clean)
    return plan


def load_plan(campaign_file: Path, trust_importers: bool = False, keep_going: bool = False) -> Plan:
    """Check a campaign, and write nothing.

    Raises
    ------
    InputError
        If the campaign is wrong.
    """
    plan = Plan(campaign_file.resolve().parent, load_campaign(campaign_file), trust_importers, keep_going)
    plan.private_importers()
    _check_versions(plan, campaign_file)
    _check_targets(plan)
    return plan


def prepare_results(plan: Plan, campaign_file: Path, clean: bool = True) -> None:
    """Lay out the results folder of a checked campaign; see :func:`prepare`.

    Nobody else may be at work on it: half-written files, which a run may be writing, are removed.

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
        content = canonical(resolved)
        # The same file by other software may mean other defaults.
        if not is_current(target, receipt["stamp"]) or read_receipt(target)["content"] != sha256_hex(content):
            write_artefact(target, content, receipt)
        if clean:
            _forget_unfinished(plan)
    except OSError as error:
        raise InputError.single(
            plan.results, f"cannot be written: {error.strerror}", "a folder with room that you may write to"
        ) from None


def _check_targets(plan: Plan) -> None:
    targets = {one.file: one for device in plan.campaign.devices for one in plan.targets(device).values()}
    if not targets:
        return
    from anechain.stages.numbers import read_target

    problems: list[Problem] = []
    for one in targets.values():
        try:
            read_target(plan.folder, one)
        except InputError as input_error:
            problems += input_error.problems
    if problems:
        raise InputError(problems)


def _check_versions(plan: Plan, campaign_file: Path) -> None:
    if not plan.campaign.method_versions:
        return
    import difflib

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
            kept = ", ".join(str(one) for one in known[id_])
            problems.append(
                Problem(
                    str(campaign_file),
                    f"method_versions.{id_} is {version}",
                    f"a version that is kept: {kept}",
                    "choose one of these, or remove it for the newest",
                )
            )
    if problems:
        raise InputError(problems)


def open_plan(folder: Path, trust_importers: bool = False, keep_going: bool = False) -> Plan:
    """Open the plan that :func:`prepare` laid out; what a job starts with.

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


def _forget_unfinished(plan: Plan) -> None:
    for part in plan.results.rglob(".*.part"):
        part.unlink(missing_ok=True)
    known = {plan.manifest(stage, batch) for stage in DEVICE_STAGES for batch in plan.batches}
    known |= {plan.manifest(stage, "all") for stage in WHOLE_STAGES}
    for path in (plan.results / ".chain").glob("*/*.json"):
        if path not in known:
            path.unlink(missing_ok=True)
    for position, stage in enumerate(DEVICE_STAGES):
        for batch in plan.batches:
            if not _job_stands(plan, stage, batch, plan.batches[batch]):
                # Snakemake does not miss a file whose successors are there, so the successors have to go too.
                for later in DEVICE_STAGES[position:]:
                    plan.manifest(later, batch).unlink(missing_ok=True)
                for later in WHOLE_STAGES:
                    plan.manifest(later, "all").unlink(missing_ok=True)
    for position, stage in enumerate(WHOLE_STAGES):
        if not _job_stands(plan, stage, "all", ["all"]):
            for later in WHOLE_STAGES[position:]:
                plan.manifest(later, "all").unlink(missing_ok=True)


def _job_stands(plan: Plan, stage: str, batch: str, devices: Sequence[str]) -> bool:
    manifest = read_manifest(plan.manifest(stage, batch))
    if manifest is None:
        return False
    # Every output of every device is looked at, not only up to the first that is wrong.
    whole = sum(not _stands(plan, entry) for entry in manifest["devices"].values()) == 0
    # Manifests of earlier versions do not tell what they were made from.
    return (
        whole
        and manifest["devices"].keys() == set(devices)
        and ("made_from" not in manifest or manifest["made_from"] == plan.made_from(stage, batch))
    )


def _stands(plan: Plan, entry: dict[str, Any]) -> bool:
    """Say whether all outputs are as they were made; one that was altered is removed, so that nothing builds on it."""
    outputs = entry.get("outputs")
    if not isinstance(outputs, dict):
        return False
    whole = True
    for name, sha256 in outputs.items():
        path = plan.results / name
        try:
            if not path.resolve().is_relative_to(plan.results.resolve()):
                whole = False
            elif sha256_file(path) != sha256:
                path.unlink()
                whole = False
        except OSError:
            whole = False
    return whole
