"""Why two sets of results differ: which values, by how much, and because of what."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from anechain.audit.causes import (
    Cause,
    Scope,
    differing_steps,
    parameter_differences,
    reached_by_directions,
    reaches,
)
from anechain.audit.differences import (
    OF_ALL_DEVICES,
    Content,
    Difference,
    block_differences,
    empty_like,
    number_differences,
    read_contents,
    rows_of,
    shifted,
)
from anechain.errors import InputError
from anechain.running.results_folder import ResultsFolder

__all__ = [
    "COMPARISON",
    "DeviceChange",
    "Explanation",
    "Finding",
    "ending_of",
    "explain",
    "explain_files",
    "explain_folders",
    "write_change",
]

VERSION = 1
"""Raised whenever the same two results would be explained, or drawn, differently."""

LEAST = 0.01
"""dB up to which two levels count as the same unless told otherwise: what a figure rounds to."""

COMPARISON = "comparison.nc"
"""The file of a results folder that holds all devices side by side."""

_WORDS = ("title", "about", "licence", "people", "figures", "batch_size")
_DEVICE_WORDS = ("kind", "about", "listening")


@dataclass(frozen=True)
class Finding:
    """A difference with what it may come from.

    Attributes
    ----------
    file : str
        The file it was found in, within the device's folder; "comparison.nc" for the file of all devices.
    difference : Difference
        What differs and by how much.
    title : str
        Its name in print.
    causes : tuple of int
        Numbers of the causes that can reach it. With several, their shares could not be separated.
    reason : str
        For a value that one side lacks: what that side says it needs.
    method : tuple of (str, str)
        "id@version" of the method behind it on either side, as far as the files say.
    """

    file: str
    difference: Difference
    title: str
    causes: tuple[int, ...] = ()
    reason: str = ""
    method: tuple[str, str] = ("", "")


@dataclass(frozen=True)
class DeviceChange:
    """What differs of one device.

    Attributes
    ----------
    device, title : str
        Its id and its name in print.
    findings : tuple of Finding
        Empty if all its values are the same.
    counts : dict of str to int
        How many curves, indices and directions either side has.
    remarks : tuple of str
        How its values were compared, where that is not plain.
    valid_band : tuple of float, or None
        The band in Hz that is valid on both sides.
    """

    device: str
    title: str
    findings: tuple[Finding, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    valid_band: tuple[float, float] | None = None

    @property
    def shown(self) -> tuple[Finding, ...]:
        """The findings without those that the comparison of all devices repeats; its own where there are no others."""
        return tuple(one for one in self.findings if one.file != COMPARISON) or self.findings


@dataclass(frozen=True)
class Explanation:
    """What differs between two results, and why.

    Attributes
    ----------
    old, new : Path
        What was compared.
    least : float
        dB up to which values count as the same.
    devices : tuple of DeviceChange
        Every device that both sides have.
    causes : tuple of (Cause, tuple of str)
        What the findings come from, and the devices it holds for; numbered from 1.
    idle : tuple of (Cause, tuple of str)
        What differs too, but reaches no value that does.
    software : tuple of Cause
        Versions of software that differ: a possible cause only.
    only_old, only_new : dict of str to str
        Devices that one side alone has, and why as far as that can be said.
    same_bytes, other_bytes : int
        Files of one name that are the same byte for byte, and that are not.
    lone_files : tuple of (int, int)
        Files that only the old or only the new side has.
    remarks : tuple of str
        What a reader has to know beside.
    inputs : tuple of (str, Path)
        The compared files that differ, with their role in a receipt.
    """

    old: Path
    new: Path
    least: float
    devices: tuple[DeviceChange, ...]
    causes: tuple[tuple[Cause, tuple[str, ...]], ...]
    idle: tuple[tuple[Cause, tuple[str, ...]], ...]
    software: tuple[Cause, ...]
    only_old: Mapping[str, str]
    only_new: Mapping[str, str]
    same_bytes: int
    other_bytes: int
    lone_files: tuple[int, int]
    remarks: tuple[str, ...]
    inputs: tuple[tuple[str, Path], ...]

    @property
    def differs(self) -> bool:
        """Whether any value differs, or a device is on one side only."""
        return bool(self.only_old or self.only_new or any(one.findings for one in self.devices))


@dataclass
class _Gathered:
    """What is found while the files are gone through."""

    least: float
    causes: dict[bytes, tuple[Cause, dict[str, None]]] = field(default_factory=dict)
    numbers: dict[bytes, int] = field(default_factory=dict)
    reaching: set[bytes] = field(default_factory=set)
    software: dict[bytes, Cause] = field(default_factory=dict)
    inputs: list[tuple[str, Path]] = field(default_factory=list)
    remarks: dict[str, None] = field(default_factory=dict)

    def note(self, cause: Cause, device: str) -> None:
        self.numbers.setdefault(cause.key, len(self.numbers))
        _, devices = self.causes.setdefault(cause.key, (cause, {}))
        if device:
            devices[device] = None


# Finding what there is to compare.


def explain(old: Path, new: Path, least: float = LEAST) -> Explanation:
    """Compare two results folders, two campaign folders or two outputs.

    Parameters
    ----------
    old, new : Path
        Both folders or both files. The results of a campaign's folder are in its `results`.
    least : float
        dB up to which two levels count as the same.

    Raises
    ------
    InputError
        If one cannot be read, or the two cannot be compared.
    """
    for path in (old, new):
        if not path.exists():
            raise InputError.single(path, "there is no such file or folder", fix="give a results folder or an output")
    if old.is_dir() != new.is_dir():
        raise InputError.single(
            old, f"cannot be compared with {new}: one is a folder", "two folders, or two files", "give two of a kind"
        )
    return explain_folders(old, new, least) if old.is_dir() else explain_files(old, new, least)


def explain_folders(old: Path, new: Path, least: float = LEAST) -> Explanation:
    """Compare two results folders or campaign folders; see :func:`explain`."""
    sides = (ResultsFolder(old), ResultsFolder(new))
    gathered = _Gathered(least)
    files = [side.files() for side in sides]
    both = [name for name in files[0] if name in set(files[1])]
    apart = {name for name in both if not _same_bytes(sides[0].folder / name, sides[1].folder / name)}
    compared = _compared(gathered, sides) if "comparison.nc" in apart else None
    changes = [
        _device_change(gathered, device, sides, compared) for device in sides[0].devices if device in sides[1].devices
    ]
    only_old, only_new = (
        {device: there.absence(device, called) for device in here.devices if device not in there.devices}
        for here, there, called in ((*sides, "NEW"), (*sides[::-1], "OLD"))
    )
    for cause in _presentation(sides):
        gathered.note(cause, "")
    if not any(one.findings for one in changes):
        _look_at_the_rest(gathered, sides, sorted(apart))
    for side, name in zip(sides, ("OLD", "NEW"), strict=True):
        gathered.remarks |= dict.fromkeys(f"{name}: {line}" for line in side.remarks)
    lone = len(files[0]) - len(both), len(files[1]) - len(both)
    return _finished(gathered, old, new, changes, only_old, only_new, (len(both) - len(apart), len(apart)), lone)


def explain_files(old: Path, new: Path, least: float = LEAST) -> Explanation:
    """Compare two outputs; see :func:`explain`."""
    gathered = _Gathered(least)
    same = _same_bytes(old, new)
    sides = [{content.device: content for content in read_contents(path)} for path in (old, new)]
    abouts = [next(iter(side.values())).about for side in sides]
    if abouts[0] != abouts[1]:
        raise InputError.single(old, f"holds {abouts[0]}, {new} holds {abouts[1]}", "two outputs of one kind")
    receipts = _Receipts(gathered, "", (old, new), (f"old/{old.name}", f"new/{new.name}"))
    stamps = [receipt["stamp"] for receipt in receipts.both if receipt is not None]
    if len(stamps) == 2 and stamps[0] == stamps[1] and not same:
        gathered.remarks["both files come from the same step with the same inputs"] = None
    changes: list[DeviceChange] = []
    lone: list[dict[str, str]] = [{}, {}]
    if abouts[0] in OF_ALL_DEVICES:
        lone = [{device: "" for device in sides[at] if device not in sides[1 - at]} for at in (0, 1)]
        pairs = [(device, sides[0][device], sides[1][device]) for device in sides[0] if device in sides[1]]
    else:
        # One device each, whatever it is called: who gives two files wants these two compared.
        (before,), (after,) = (side.values() for side in sides)
        names = [
            content.device or _device_of(receipt)
            for content, receipt in zip((before, after), receipts.both, strict=True)
        ]
        if all(names) and names[0] != names[1]:
            gathered.remarks[f"the files are of two devices: {names[0]} and {names[1]}"] = None
        pairs = [(names[1] or names[0], before, after)]
    for device, before, after in pairs:
        changes.append(_change_of(gathered, device, "", {old.name: (before, after)}, {old.name: receipts}, same))
    return _finished(gathered, old, new, changes, lone[0], lone[1], (int(same), int(not same)), (0, 0))


def _same_bytes(old: Path, new: Path) -> bool:
    return old.stat().st_size == new.stat().st_size and old.read_bytes() == new.read_bytes()


# Comparing one device.


class _Receipts:
    """The receipts of two files, and what differs on the way back."""

    def __init__(
        self, gathered: _Gathered, device: str, paths: tuple[Path | None, Path | None], roles: tuple[str, str]
    ):
        self.found: list[tuple[Cause, str]] = []
        self.software: list[Cause] = []
        self.known = False
        both: list[dict[str, Any] | None] = []
        for path, role in zip(paths, roles, strict=True):
            both.append(self._one(path, role) if path is not None else None)
            if path is not None and (role, path) not in gathered.inputs:
                gathered.inputs.append((role, path))
        self.both = tuple(both)
        old, new = self.both
        if old is not None and new is not None:
            self.known = True
            found, self.software = differing_steps(old, new, device)
            self.found += found
        for path, role, receipt in zip(paths, roles, self.both, strict=True):
            if path is not None and receipt is None:
                gathered.remarks[
                    f"{_side(role)} carries no receipt that can be read: what it was made from is not known"
                ] = None
        for cause, of in self.found:
            gathered.note(cause, of)
        gathered.software |= {one.key: one for one in self.software}

    def _one(self, path: Path, role: str) -> dict[str, Any] | None:
        from anechain.data.store import examine

        examined = examine(path)
        if examined.receipt is not None and examined.wrong:
            self.found.append((Cause("file", _side(role), "as it was made", "; ".join(examined.wrong)), ""))
        return examined.receipt

    def parameters(self, step: str, device: str) -> tuple[Mapping[str, Any], Mapping[str, Any]]:
        """Parameters of a kind of step on either side; empty where they are not known."""
        old, new = (self._parameters(receipt, step, device) for receipt in self.both)
        return old, new

    @staticmethod
    def _parameters(receipt: Mapping[str, Any] | None, step: str, device: str) -> Mapping[str, Any]:
        for one in (receipt or {"steps": {}})["steps"].values():
            parameters: Mapping[str, Any] = one["parameters"]
            if one["method"] == step and (not device or parameters.get("device", device) == device):
                return parameters
        return {}


def _side(role: str) -> str:
    side, _, name = role.partition("/")
    return f"{side.upper()} {name}"


def _device_of(receipt: Mapping[str, Any] | None) -> str:
    if receipt is None:
        return ""
    names = {str(step["parameters"].get("device", "")) for step in receipt["steps"].values()} - {""}
    return names.pop() if len(names) == 1 else ""


_Compared = tuple[dict[str, Content], dict[str, Content], "_Receipts"]


def _compared(gathered: _Gathered, sides: tuple[ResultsFolder, ResultsFolder]) -> _Compared:
    """The comparisons of all devices on either side, and their receipts."""
    old, new = (side.folder / COMPARISON for side in sides)
    before, after = ({one.device: one for one in read_contents(path)} for path in (old, new))
    return before, after, _Receipts(gathered, "", (old, new), (f"old/{COMPARISON}", f"new/{COMPARISON}"))


def _device_change(
    gathered: _Gathered, device: str, sides: tuple[ResultsFolder, ResultsFolder], compared: _Compared | None
) -> DeviceChange:
    contents: dict[str, tuple[Content, Content]] = {}
    receipts: dict[str, _Receipts] = {}
    before, after = (side.data(device) for side in sides)
    for name in dict.fromkeys([*before, *after]):
        old, new = before.get(name), after.get(name)
        if old is not None and new is not None and _same_bytes(old, new):
            continue
        found = [None if path is None else read_contents(path)[0] for path in (old, new)]
        there = next(one for one in found if one is not None)
        contents[name] = (found[0] or empty_like(there), found[1] or empty_like(there))
        receipts[name] = _Receipts(gathered, device, (old, new), (f"old/{device}/{name}", f"new/{device}/{name}"))
    if compared is not None and device in compared[0] and device in compared[1]:
        contents[COMPARISON] = (compared[0][device], compared[1][device])
        receipts[COMPARISON] = compared[2]
    directions = sides[0].folder / device / "responses.nc", sides[1].folder / device / "responses.nc"
    return _change_of(gathered, device, sides[1].title(device), contents, receipts, not contents, directions)


def _change_of(
    gathered: _Gathered,
    device: str,
    title: str,
    contents: Mapping[str, tuple[Content, Content]],
    receipts: Mapping[str, _Receipts],
    same: bool,
    directions: tuple[Path, Path] | None = None,
) -> DeviceChange:
    if same:
        return DeviceChange(device, title)
    scope = _scope(device, contents, receipts, directions)
    every = [one for of in receipts.values() for one in of.found]
    findings: list[Finding] = []
    remarks: dict[str, None] = {}
    counts: dict[str, int] = {}
    for name, (old, new) in contents.items():
        title = title or new.title or old.title
        for kind in ("curve", "index", "direction"):
            if name != COMPARISON or len(contents) == 1:
                counts[kind] = counts.get(kind, 0) + rows_of((old, new), kind)
        own = receipts[name].found if receipts[name].known else every
        own = list({c.key: (c, d) for c, d in [*own, *receipts[name].found] if d in ("", device)}.values())
        for difference in _differences(old, new, receipts[name].parameters("ingest", device), gathered.least, remarks):
            key = difference.name
            if difference.kind == "reference" and any(f.difference.kind == "reference" for f in findings):
                continue  # one file of the device has said it
            labels = old.methods.get(key, ""), new.methods.get(key, "")
            found = own
            if all(labels) and labels[0] != labels[1] and not receipts[name].known:
                id_, was, is_ = labels[0].partition("@")[0], *(label.partition("@")[2] for label in labels)
                cause = Cause("method", id_, int(was), int(is_), "derive")
                gathered.note(cause, device)
                found = [*own, (cause, device)]
            reaching = [cause for cause, _ in found if reaches(cause, difference.kind, key, scope)]
            gathered.reaching |= {cause.key for cause in reaching}
            gap = (new if difference.state == "gone" else old).gaps.get(key, "")
            findings.append(
                Finding(
                    name,
                    difference,
                    _title(difference.name),
                    tuple(gathered.numbers[cause.key] for cause in reaching),
                    gap if difference.state != "changed" else "",
                    labels,
                )
            )
    band = _valid_band(device, receipts)
    return DeviceChange(device, title or device, tuple(findings), counts, tuple(remarks), band)


def _title(name: str) -> str:
    from anechain.acoustics.directivity.curve_titles import TITLES

    return TITLES.get(name, name)


def _differences(
    old: Content,
    new: Content,
    imports: tuple[Mapping[str, Any], Mapping[str, Any]],
    least: float,
    remarks: dict[str, None],
) -> list[Difference]:
    found: list[Difference] = []
    kinds = [
        content.level_kind or str(parameters.get("setup", {}).get("level_kind") or "")
        for content, parameters in zip((old, new), imports, strict=True)
    ]
    skipped: set[str] = set()
    if all(kinds) and kinds[0] != kinds[1]:
        words = {"spl": "dB re 20 µPa", "relative": "relative"}
        said = f"levels of OLD are {words.get(kinds[0], kinds[0])}, of NEW {words.get(kinds[1], kinds[1])}"
        was, is_ = words.get(kinds[0], kinds[0]), words.get(kinds[1], kinds[1])
        found.append(Difference("reference", "reference of the levels", "", old=was, new=is_))
        skipped = {"direction"}
        steps = [_alignment(content) for content in (old, new)]
        if any(math.isnan(step) for step in steps):
            skipped |= {"curve"}
            if any(block.kind == "curve" for block in old.blocks.values()):
                remarks[f"{said}: not compared (no on-axis curve all across 300 to 3000 Hz to align them by)"] = None
        else:
            old, new = shifted(old, steps[0]), shifted(new, steps[1])
            remarks[
                f"{said}: both set to a mean of 0 dB on axis from 300 to 3000 Hz, so only their shapes are compared"
            ] = None
    for variable in dict.fromkeys([*old.blocks, *new.blocks]):
        a, b = (one.blocks.get(variable) for one in (old, new))
        a, b = a or empty_like(new).blocks[variable], b or empty_like(old).blocks[variable]
        if a.kind in skipped:
            continue
        differences, remark = block_differences(a, b, least)
        found += differences
        if remark:
            remarks[remark] = None
    return [*found, *number_differences(old.numbers, new.numbers, least)]


def _alignment(content: Content) -> float:
    from anechain.acoustics.curve.comparison import alignment_step

    for block in content.blocks.values():
        if block.kind == "curve" and "on_axis" in block.names:
            return alignment_step(block.frequency, block.values[block.names.index("on_axis")])
    return math.nan


def _scope(
    device: str,
    contents: Mapping[str, tuple[Content, Content]],
    receipts: Mapping[str, _Receipts],
    directions: tuple[Path, Path] | None,
) -> Scope:
    known = [of.parameters("derive", device) for of in receipts.values()]
    options = next((both for both in known if all(both)), ())
    smoothed = any(one.get("smoothing") for one in options) or not options
    interpolated = any(one.get("interpolate_angles") for one in options) or not options
    methods = {key: label for old, new in contents.values() for key, label in {**old.methods, **new.methods}.items()}
    reached = None
    if directions is not None and options and not interpolated:
        reached = _reached(contents, options, directions)
    return Scope(reached, bool(smoothed), bool(interpolated), methods)


def _reached(
    contents: Mapping[str, tuple[Content, Content]],
    options: Sequence[Mapping[str, Any]],
    directions: tuple[Path, Path],
) -> frozenset[str] | None:
    from anechain.data.store import read_dataset

    if not all(path.is_file() for path in directions):
        return None
    differing: set[str] = set()
    for name in ("responses.nc", "sphere.nc"):
        if name in contents:
            old, new = (content.blocks.get("level") for content in contents[name])
            if old is None or new is None:
                return None
            differences, remark = block_differences(old, new, 0.0)
            if remark:
                return None
            if name == "sphere.nc" and (differences or contents[name][0].numbers != contents[name][1].numbers):
                differing.add("sphere")
            elif name == "responses.nc":
                differing |= {one.name for one in differences}
    reached = reached_by_directions([read_dataset(path) for path in directions], options, differing)
    of_sphere = {"sphere_power", "sphere_index", "two_orbit_error"} if "sphere" in differing else set()
    through = {"on_axis": "sphere_index", "sound_power": "two_orbit_error"}
    return reached | of_sphere | {index for curve, index in through.items() if curve in reached}


def _valid_band(device: str, receipts: Mapping[str, _Receipts]) -> tuple[float, float] | None:
    bands = [
        parameters["setup"]["valid_band"]
        for of in receipts.values()
        for parameters in of.parameters("ingest", device)
        if isinstance(parameters.get("setup"), Mapping) and parameters["setup"].get("valid_band")
    ]
    return (max(float(b[0]) for b in bands), min(float(b[1]) for b in bands)) if bands else None


# What changes no value.


def _presentation(sides: tuple[ResultsFolder, ResultsFolder]) -> Iterable[Cause]:
    """What the campaigns say in words, and what they ask to be drawn."""
    told = []
    for side in sides:
        if not side.campaign:
            return
        shared = [
            name for name in side.campaign["devices"] if all(name in one.campaign.get("devices", {}) for one in sides)
        ]
        words = {name: side.campaign.get(name) for name in _WORDS}
        words["devices"] = {n: {w: side.campaign["devices"][n].get(w) for w in _DEVICE_WORDS} for n in shared}
        told.append(words)
    for path, old, new in parameter_differences(told[0], told[1]):
        yield Cause("presentation", ".".join(path), old, new)


def _look_at_the_rest(gathered: _Gathered, sides: tuple[ResultsFolder, ResultsFolder], apart: Sequence[str]) -> None:
    """Where no value differs, let the figures, the page and the comparison say why their bytes do."""
    for name in apart:
        if not name.endswith((".vl.json", ".html", "comparison.nc")):
            continue
        from anechain.data.store import examine

        old, new = (examine(side.folder / name).receipt for side in sides)
        if old is not None and new is not None:
            found, software = differing_steps(_root(old), _root(new), "")
            for cause, _ in found:
                # The page's receipt holds the whole campaign, which is told from the campaign itself.
                if not (cause.step == "report" and cause.name.startswith("campaign.")):
                    gathered.note(cause, "")
            gathered.software |= {one.key: one for one in software}


def _root(receipt: Mapping[str, Any]) -> dict[str, Any]:
    """The receipt with its last step only; what is before it is told by the files of the devices."""
    step = receipt["steps"][receipt["stamp"]]
    return {"stamp": receipt["stamp"], "steps": {receipt["stamp"]: {**step, "made_by": {}}}}


def _finished(
    gathered: _Gathered,
    old: Path,
    new: Path,
    changes: Sequence[DeviceChange],
    only_old: Mapping[str, str],
    only_new: Mapping[str, str],
    byte_counts: tuple[int, int],
    lone: tuple[int, int],
) -> Explanation:
    ordered = list(gathered.causes.items())
    kept = [at for at, (key, _) in enumerate(ordered) if key in gathered.reaching]
    number = {at: position for position, at in enumerate(kept, 1)}
    renumbered = [
        DeviceChange(
            one.device,
            one.title,
            tuple(
                Finding(f.file, f.difference, f.title, tuple(sorted(number[c] for c in f.causes)), f.reason, f.method)
                for f in one.findings
            ),
            one.counts,
            one.remarks,
            one.valid_band,
        )
        for one in changes
    ]
    told_causes = [(cause, tuple(devices)) for _, (cause, devices) in ordered]
    return Explanation(
        old,
        new,
        gathered.least,
        tuple(renumbered),
        tuple(told_causes[at] for at in kept),
        tuple(one for at, one in enumerate(told_causes) if at not in number),
        tuple(gathered.software.values()),
        only_old,
        only_new,
        *byte_counts,
        lone,
        tuple(gathered.remarks),
        tuple(gathered.inputs),
    )


def write_change(explanation: Explanation, path: Path) -> bool:
    """Draw the change of every curve that differs, with a receipt that names both sides' files.

    Parameters
    ----------
    explanation : Explanation
        From :func:`explain`.
    path : Path
        Its ending says the format: svg, png, pdf or vl.json.

    Returns
    -------
    bool
        Whether it was written: False if no curve differs, so that there is nothing to draw.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    from anechain.data.store import examine, sha256_file
    from anechain.figures.change import change_figure, drawn_devices
    from anechain.methods import versions
    from anechain.receipts.receipt import RAW, Input, make_receipt
    from anechain.stages.draw import write_figure

    specification = change_figure(explanation.devices, explanation.least)
    if specification is None:
        return False
    drawn = drawn_devices(explanation.devices)
    files = {(one.device, finding.file) for one in explanation.devices if one.device in drawn for finding in one.shown}
    inputs = []
    for role, file in explanation.inputs:
        _, *place = role.split("/")
        if (len(place) == 2 and (place[0], place[1]) in files) or file in (explanation.old, explanation.new):
            examined = examine(file)
            receipt = None if examined.wrong else examined.receipt
            inputs.append(Input(role if receipt else f"{RAW}{role}", sha256_file(file), receipt))
    parameters = {"least": explanation.least, "methods": versions(["resample-log-frequency", "level-alignment"])}
    write_figure({ending_of(path): path}, specification, make_receipt("explain", VERSION, parameters, inputs))
    return True


def ending_of(path: Path) -> str:
    """Format of a figure by the ending of its file.

    Raises
    ------
    InputError
        If it is none that figures are drawn in.
    """
    endings = ("vl.json", "svg", "png", "pdf")
    for ending in endings:
        if path.name.lower().endswith(f".{ending}") and path.name.lower() != f".{ending}":
            return ending
    raise InputError.single(path, "says no format of a figure", ", ".join(f".{ending}" for ending in endings))
