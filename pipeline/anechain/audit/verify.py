"""Whether results are what they were when they were made: every file hashed again, and held against every record of it.

There are three records of a file: its own receipt, the manifest of the job that made it, and the receipts of all that
was made from it. A file is intact if all that are at hand agree.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from anechain.campaign.file import Campaign
from anechain.data.store import Examined, examine, sha256_file
from anechain.errors import InputError
from anechain.receipts.receipt import RAW, raw_inputs
from anechain.registry.stages import CAMPAIGN_STAGES, DEVICE_STAGES
from anechain.running.lock import lock_owner
from anechain.running.manifests import read_manifest
from anechain.running.plan import Plan
from anechain.running.raw_files import resolve_files

__all__ = ["CAMPAIGN", "Finding", "Verification", "plan_of", "results_of", "text_shown", "verify", "verify_folder"]

State = Literal["intact", "altered", "missing", "untracked"]
Progress = Callable[[int], None]

CAMPAIGN = "campaign.json"
_CHAIN = ".chain"
_LOCK = "lock"
_BARE_STAGES = ("crate",)
"""Stages whose outputs carry no receipt; the manifest alone vouches for them."""
_TELL = 3
"""How many files a cause names before it only counts them."""


@dataclass(frozen=True)
class Finding:
    """What is to be said of one file.

    Attributes
    ----------
    file : str
        Its path from the campaign's folder.
    state : str
        "intact", "altered", "missing" (a manifest or a receipt names it) or "untracked" (no job of this campaign made
        it, or not from this campaign's files).
    causes : tuple of str
        Empty for an intact file.
    """

    file: str
    state: State
    causes: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.state:8} {text_shown(self.file)}: {'; '.join(map(text_shown, self.causes)) or 'as it was made'}"


@dataclass(frozen=True)
class Verification:
    """What came of verifying.

    Attributes
    ----------
    findings : tuple of Finding
        One for each file looked at, sorted by name.
    notes : tuple of str
        What could not be looked at, and what else a reader should know.
    """

    findings: tuple[Finding, ...]
    notes: tuple[str, ...] = ()

    @property
    def problems(self) -> tuple[Finding, ...]:
        """The findings that are not "intact"."""
        return tuple(one for one in self.findings if one.state != "intact")

    @property
    def counts(self) -> dict[str, int]:
        """How many files are in each state."""
        found = Counter(one.state for one in self.findings)
        return {state: found[state] for state in ("intact", "altered", "missing", "untracked")}

    def lines(self, verbose: bool = False) -> list[str]:
        """What is to be said, a line each; files of one folder of which the same is to be said share one."""
        groups: dict[tuple[Any, ...], list[Finding]] = {}
        for one in self.findings if verbose else self.problems:
            alone = () if one.state == "missing" else one.file
            groups.setdefault((one.file.rpartition("/")[0], one.state, one.causes, alone), []).append(one)
        lines: list[str] = []
        for (folder, state, causes, _), group in groups.items():
            if len(group) <= _TELL:
                lines += map(str, group)
            else:
                files = f"{folder}/: {len(group)} files, from {group[0].file.rpartition('/')[2]} on"
                lines.append(f"{state:8} {text_shown(files)}: {'; '.join(map(text_shown, causes))}")
        lines += [f"note: {text_shown(note)}" for note in self.notes]
        counts = ", ".join(f"{count} {state}" for state, count in self.counts.items() if count or state == "intact")
        return [*lines, f"{len(self.findings)} {'file' if len(self.findings) == 1 else 'files'}: {counts}"]

    def as_json(self) -> dict[str, Any]:
        """The same for programs."""
        files = [{"file": one.file, "state": one.state, "causes": list(one.causes)} for one in self.findings]
        return {"counts": self.counts, "files": files, "notes": list(self.notes)}


@dataclass(frozen=True)
class _Named:
    """What a manifest says of an output."""

    sha256: str
    stage: str
    device: str
    manifest: str


@dataclass
class _Records:
    """What the manifests say.

    Attributes
    ----------
    plan : Plan or None
        None if results/campaign.json is not readable.
    named : dict of str to _Named
        By path in the results.
    whole : bool
        Whether all manifests that the plan asks for are there and unaltered.
    findings, notes : list
        On the manifests themselves.
    """

    results: Path
    plan: Plan | None
    named: dict[str, _Named] = field(default_factory=dict)
    whole: bool = True
    findings: list[Finding] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def show(self, name: str) -> str:
        """Path of an output as it is shown."""
        return f"{self.results.name}/{name}"


@dataclass
class _Seen:
    """What the files themselves say, as far as they have been looked at; names are paths in the results."""

    sha256: dict[str, str | None] = field(default_factory=dict)
    wrong: dict[str, tuple[str, ...]] = field(default_factory=dict)
    stamp: dict[str, str] = field(default_factory=dict)
    root: dict[str, dict[str, Any]] = field(default_factory=dict)
    raw: dict[str, dict[str, list[str]]] = field(default_factory=dict)  # path -> hash -> outputs made from it


def verify(path: Path, progress: Progress | None = None) -> Verification:
    """Verify a single output, a results folder, or a campaign by its folder or file.

    Parameters
    ----------
    path : Path
        What is to be verified.
    progress : callable, optional
        Called with the number of files looked at so far.

    Raises
    ------
    InputError
        If it is none of these.
    """
    results = results_of(path)
    if path.is_dir() or path.suffix.lower() in (".yaml", ".yml"):
        if results is None:
            raise InputError.single(
                path, "has no results", "an output, a results folder, or a campaign that has been run", "run it first"
            )
        return _verify(results, None, progress)
    absolute = Path(os.path.abspath(path))  # noqa: PTH100 - a link keeps its own name
    if results is None:
        return _verify_alone(path)
    if absolute.is_relative_to(results) and not absolute.is_relative_to(results / _CHAIN):
        return _verify(results, absolute.relative_to(results).as_posix(), progress)
    everything = _verify(results, None, progress)
    name = absolute.relative_to(results.parent).as_posix()
    if found := tuple(one for one in everything.findings if one.file == name):
        return Verification(found)
    return _verify_alone(path)


def results_of(path: Path) -> Path | None:
    """The results folder that a path is, holds, or lies in or beside; None if there is none."""
    absolute = Path(os.path.abspath(path))  # noqa: PTH100
    if absolute.is_dir():
        around = [absolute / "results", absolute]
    else:
        around = [one for parent in absolute.parents for one in (parent, parent / "results")]
    return next((one for one in around if (one / CAMPAIGN).is_file() or (one / _CHAIN).is_dir()), None)


def verify_folder(folder: Path, progress: Progress | None = None) -> Verification:
    """Verify everything of a campaign: its results and, as far as they are there, the raw files around them.

    Parameters
    ----------
    folder : Path
        The folder that holds `results` and the raw files.
    progress : callable, optional
        Called with the number of files looked at so far.
    """
    return _verify(folder / "results", None, progress)


def _verify_alone(path: Path) -> Verification:
    """Verify an output that no campaign is around."""
    examined = examine(path)
    if examined.receipt is None and examined.wrong == ("the file carries no receipt",):
        return Verification((Finding(str(path), "untracked", ("it carries no receipt: no output of this software",)),))
    note = "only the file itself was looked at: no results folder is around it, so nothing it was made from is at hand"
    if examined.receipt is not None:
        note += f" ({len(raw_inputs(examined.receipt))} raw files, by way of {len(examined.receipt['steps'])} steps)"
    return Verification((Finding(str(path), "altered" if examined.wrong else "intact", examined.wrong),), (note,))


def _verify(results: Path, only: str | None, progress: Progress | None) -> Verification:
    """Verify a results folder, or one output in it with what it was made from."""
    records = _records(results)
    seen = _Seen()
    names = [only] if only is not None else [*_files(results), *records.named, CAMPAIGN]
    ahead = list(dict.fromkeys(names))
    while ahead:
        name = ahead.pop(0)
        if name not in seen.sha256:
            _look(records, seen, name)
            if progress:
                progress(len(seen.sha256))
            if only is not None and name in seen.root:
                ahead += [
                    source
                    for source, _, _ in _sources(records, name, seen.root[name])
                    if source in records.named or (results / source).is_file()
                ]
    findings = [_judge(records, seen, name) for name in seen.sha256]
    if only is None:
        findings += records.findings
    about_raw, notes = _judge_raw(records, seen, only is None, progress)
    notes = [*records.notes, *notes] if only is None else notes
    if process := lock_owner(results):
        notes.append(f"a run is at work on this campaign ({process}): what it is making now may be told as missing")
    return Verification(tuple(sorted([*findings, *about_raw], key=lambda one: one.file)), tuple(notes))


# The records.


def _records(results: Path) -> _Records:
    plan = plan_of(results)
    records = _Records(results, plan)
    wanted: dict[str, tuple[str, ...]] = {}
    if plan is not None:
        for stage in DEVICE_STAGES:
            wanted |= {f"{stage}/{batch}.json": devices for batch, devices in plan.batches.items()}
        wanted |= {f"{stage}/all.json": ("all",) for stage in CAMPAIGN_STAGES}
    there = {path.relative_to(results / _CHAIN).as_posix() for path in (results / _CHAIN).glob("*/*.json")}
    for name in sorted(there | wanted.keys()):
        shown = records.show(f"{_CHAIN}/{name}")
        stage = name.partition("/")[0]
        if plan is not None and name not in wanted:
            records.findings.append(
                Finding(shown, "untracked", ("the record of a job that this campaign does not have",))
            )
            continue
        if name not in there:
            what = f"{stage} of {', '.join(wanted[name])}" if stage in DEVICE_STAGES else f"stage {stage}"
            cause = f"the record of {what}: it was not finished, or its record was removed"
            records.findings.append(Finding(shown, "missing", (cause,)))
            records.whole = False
            continue
        manifest = read_manifest(results / _CHAIN / name)
        if manifest is None or (wanted and manifest["devices"].keys() != set(wanted[name])):
            cause = f"the record of stage {stage} is cut short or was changed; what it made is judged by receipts alone"
            records.findings.append(Finding(shown, "altered", (cause,)))
            records.whole = False
            continue
        records.findings.append(Finding(shown, "intact"))
        _take(records, manifest, shown, stage)
    return records


def plan_of(results: Path) -> Plan | None:
    """The plan of some results, which may have been given another name; None if it cannot be read."""
    try:
        resolved = json.loads((results / CAMPAIGN).read_bytes())
        devices = {device: resolved["campaign"]["devices"][device] for device in resolved["order"]}
        return Plan(results.parent.resolve(), Campaign.model_validate({**resolved["campaign"], "devices": devices}))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _take(records: _Records, manifest: Mapping[str, Any], shown: str, stage: str) -> None:
    for device, entry in manifest["devices"].items():
        if "failed" in entry:
            causes = " ".join(str(cause).splitlines()[0] for cause in entry["failed"])
            records.notes.append(f"{device} failed at {stage} and has no results from there on: {causes}")
        for name, sha256 in (entry.get("outputs") or {}).items():
            records.named[name] = _Named(sha256, stage, device, shown)


def _files(results: Path) -> Iterator[str]:
    for path in sorted(results.rglob("*")):
        name = path.relative_to(results).as_posix()
        if name == f"{_CHAIN}/{_LOCK}" or (name.startswith(f"{_CHAIN}/") and path.match("*/*.json")):
            continue
        if not path.is_dir():
            yield name


# The files.


def _look(records: _Records, seen: _Seen, name: str) -> None:
    """Hash a file, and keep what its receipt says."""
    path = records.results / name
    try:
        seen.sha256[name] = sha256_file(path)
    except FileNotFoundError:
        seen.sha256[name] = None
        return
    except OSError as error:
        seen.sha256[name] = ""
        seen.wrong[name] = (f"it cannot be read: {error.strerror or error}",)
        return
    named = records.named.get(name)
    try:
        examined = examine(path)
    except InputError:
        examined = Examined(None, "", ("the file carries no receipt",))
    bare = named is not None and named.stage in _BARE_STAGES and examined.receipt is None
    seen.wrong[name] = () if bare else examined.wrong
    receipt = examined.receipt
    if receipt is None or receipt["stamp"] not in receipt["steps"]:
        return
    seen.stamp[name] = receipt["stamp"]
    seen.root[name] = receipt["steps"][receipt["stamp"]]
    # Raw files are held against what is known to be of this campaign, not against what somebody put here.
    if not examined.wrong and (named.sha256 == seen.sha256[name] if named else name == CAMPAIGN or not records.whole):
        for step in receipt["steps"].values():
            for entry in step["inputs"]:
                if entry["role"].startswith(RAW):
                    of = seen.raw.setdefault(entry["role"].removeprefix(RAW), {})
                    of.setdefault(entry["sha256"], []).append(name)


def _sources(records: _Records, name: str, step: Mapping[str, Any]) -> Iterator[tuple[str, str, str | None]]:
    """Path in the results, hash and maker's stamp of each input of a step that is itself an output."""
    device = _device(records, name, step)
    for entry in step["inputs"]:
        role = entry["role"]
        if not role.startswith(RAW):
            path = role if "/" in role or not device else f"{device}/{role}"
            yield path, entry["sha256"], step["made_by"].get(role)


def _device(records: _Records, name: str, step: Mapping[str, Any]) -> str:
    """The device an output is of; empty for one of the whole campaign."""
    named = records.named.get(name)
    if named is not None:
        return "" if named.device == "all" else named.device
    folder, _, file = name.rpartition("/")
    figure = step["parameters"].get("figure")
    if step["method"] == "figure" and isinstance(figure, str):
        stem = _stem(file)
        return stem.removesuffix(f"-{figure}") if stem.endswith(f"-{figure}") else ""
    return folder


def _stem(file: str) -> str:
    return file.removesuffix(".vl.json") if file.endswith(".vl.json") else file.rpartition(".")[0]


def _figure(parameters: Mapping[str, Any]) -> str:
    """Name of a figure, without its device, from the parameters it was drawn by."""
    from anechain.figures.device_figure import level_slug

    parts = [str(parameters.get("figure"))]
    if "what" in parameters:
        parts.append(str(parameters["what"]))
    if isinstance(level := parameters.get("level"), int | float):
        parts.append(level_slug(level))
    return "-".join(parts)


def _misfits(records: _Records, seen: _Seen, name: str) -> list[str]:
    """What in a file's receipt does not fit its place in this campaign."""
    step = seen.root.get(name)
    if step is None:
        return []
    causes = []
    parameters, device = step["parameters"], _device(records, name, step)
    if step["method"] == "figure":
        figure = _figure(parameters)
        if _stem(name.rpartition("/")[2]) != (f"{device}-{figure}" if device else figure):
            causes.append(f"its receipt is that of the figure {figure}")
    if isinstance(of := parameters.get("device"), str) and device and of != device:
        causes.append(f"its receipt is that of device {of}")
    for source, sha256, maker in _sources(records, name, step):
        named = records.named.get(source)
        # An input that is not what it was is told itself, and speaks against nothing made from it.
        there = named.sha256 if named else seen.sha256.get(source) if not seen.wrong.get(source) else None
        if not there:
            continue
        if sha256 != there:
            real = _owner(records, sha256, source)
            causes.append(
                f"it was made from {records.show(real)}"
                if real
                else f"it was made from another {records.show(source)} than that of this campaign"
            )
        elif maker is not None and seen.sha256.get(source) == there and seen.stamp.get(source, maker) != maker:
            causes.append(f"its receipt tells another origin of {records.show(source)} than that file does")
    return causes


def _owner(records: _Records, sha256: str, but: str) -> str | None:
    """The output that a hash belongs to."""
    return next((name for name, one in records.named.items() if one.sha256 == sha256 and name != but), None)


def _judge(records: _Records, seen: _Seen, name: str) -> Finding:
    shown, sha256 = records.show(name), seen.sha256[name]
    named, wrong = records.named.get(name), list(seen.wrong.get(name, ()))
    if sha256 is None:
        if named is not None:
            return Finding(shown, "missing", (f"{named.manifest} names it",))
        return Finding(shown, "missing", ("it should tell the campaign that the results were made for",))
    misfits = _misfits(records, seen, name)
    if name == CAMPAIGN or (named is not None and named.sha256 == sha256):
        if wrong:
            return Finding(shown, "altered", (*wrong, *misfits))
        return Finding(shown, "untracked", tuple(misfits)) if misfits else Finding(shown, "intact")
    owner = _owner(records, sha256, name)
    if named is not None:
        if owner:
            return Finding(shown, "altered", (f"it holds what belongs in {records.show(owner)}",))
        if wrong or not misfits:
            whole = "it is whole, but" if name in seen.root else "it is"
            own = [f"{whole} not the file that the run made"] * (not wrong)
            return Finding(shown, "altered", (*wrong, *own, *misfits))
        return Finding(shown, "untracked", ("it is not the file that the run made", *misfits))
    if name.endswith(".part"):
        return Finding(shown, "untracked", ("a half-written file of an interrupted run; the next run removes it",))
    if owner:
        return Finding(shown, "untracked", (f"a copy of {records.show(owner)}",))
    if name not in seen.root:
        told = "" if wrong == ["the file carries no receipt"] else f" ({'; '.join(wrong)})"
        made = "no job of this campaign made it" if records.whole else "no record that is there and whole names it"
        return Finding(shown, "untracked", (f"{made}, and it carries no receipt{told}",))
    if records.whole:
        cause = "no job of this campaign made it: left from an earlier state of the campaign, or brought here"
        return Finding(shown, "untracked", (cause, *wrong))
    # Its job's record is missing, which is told of the record; the file can still be held against its own receipt.
    if wrong:
        return Finding(shown, "altered", (*wrong, *misfits))
    return Finding(shown, "untracked", tuple(misfits)) if misfits else Finding(shown, "intact")


# The raw files.


def _judge_raw(
    records: _Records, seen: _Seen, everything: bool, progress: Progress | None
) -> tuple[list[Finding], list[str]]:
    folder = records.results.parent
    # Where receipts tell different hashes, those that do not fit were told of their own files.
    expected = {path: max(of, key=lambda one: len(of[one])) for path, of in seen.raw.items()}
    if expected and not any((folder / path).exists() for path in expected):
        return [], [f"raw files are not at hand, and were not looked at: {_some(sorted(expected))}"]
    owners: dict[str, str] = {}
    for path, sha256 in expected.items():
        owners.setdefault(sha256, path)
    findings = []
    for number, (path, sha256) in enumerate(sorted(expected.items())):
        made = _first_of(records, seen, path, sha256)
        try:
            found = sha256_file(folder / path)
        except FileNotFoundError:
            findings.append(Finding(path, "missing", (f"the receipt of {made} names it",)))
            continue
        except OSError as error:
            findings.append(Finding(path, "missing", (f"it cannot be read: {error.strerror or error}",)))
            continue
        if progress:
            progress(len(seen.sha256) + number)
        if found == sha256:
            findings.append(Finding(path, "intact"))
        elif found in owners:
            findings.append(Finding(path, "altered", (f"it holds what belongs in {owners[found]}",)))
        else:
            findings.append(Finding(path, "altered", (f"it is not the file that the receipt of {made} names",)))
    if everything and records.plan is not None:
        findings += _new_raw(records, expected)
    return findings, []


def _first_of(records: _Records, seen: _Seen, path: str, sha256: str) -> str:
    """The output that a raw file was read for, and how many more go back to it."""

    def far(name: str) -> tuple[bool, str]:
        return all(entry["role"] != RAW + path for entry in seen.root[name]["inputs"]), name

    first, *more = sorted(seen.raw[path][sha256], key=far)
    return records.show(first) + (f" (and of {len(more)} more)" if more else "")


def _new_raw(records: _Records, known: Iterable[str]) -> Iterator[Finding]:
    """Files that the campaign finds now, though no result was made from them."""
    assert records.plan is not None
    held, folder = set(known), records.results.parent
    for device, one in records.plan.campaign.devices.items():
        if not any(named.stage == DEVICE_STAGES[0] and named.device == device for named in records.named.values()):
            continue
        try:
            paths = [path for paths in resolve_files(folder, one).values() for path in paths]
        except InputError:
            continue  # what is missing or not readable has been told
        for path in paths:
            name = path.relative_to(folder).as_posix()
            if name not in held:
                yield Finding(
                    name, "untracked", (f"the campaign reads it for {device}, but no result was made from it",)
                )


def _some(names: Sequence[str]) -> str:
    listed = ", ".join(names[:_TELL])
    return listed + (f" and {len(names) - _TELL} more" if len(names) > _TELL else "")


def text_shown(text: str) -> str:
    """A text with signs that would act on a terminal as escapes."""
    return "".join(one if one.isprintable() else json.dumps(one)[1:-1] for one in text)
