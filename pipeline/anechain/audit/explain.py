"""Explain why two results differ: find the files to compare, compare them, and number the causes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from anechain.audit.contents import MULTI_DEVICE_FILES, Content, empty_like, read_contents
from anechain.audit.device_change import device_change
from anechain.audit.evidence import Evidence, ReceiptPair, receipt_device
from anechain.audit.explanation import DEFAULT_TOLERANCE, Explanation
from anechain.audit.harmless_changes import add_causes_of_other_files, presentation_changes
from anechain.data.changes import COMPARISON, DeviceChange
from anechain.errors import InputError
from anechain.running.results_folder import ResultsFolder

__all__ = ["explain", "explain_files", "explain_folders"]


def explain(old: Path, new: Path, tolerance: float = DEFAULT_TOLERANCE) -> Explanation:
    """Compare two results folders, two campaign folders or two output files.

    Parameters
    ----------
    old, new : Path
        Two folders or two files. A campaign folder has its results in `results`.
    tolerance : float
        dB up to which two levels count as the same.

    Raises
    ------
    InputError
        If one cannot be read, or the two cannot be compared.
    """
    for path in (old, new):
        if not path.exists():
            raise InputError.single(path, "there is no such file or folder", fix="name a results folder or an output")
    if old.is_dir() != new.is_dir():
        raise InputError.single(
            old,
            f"cannot be compared with {new}: one is a folder, the other a file",
            "two folders, or two files",
            "name two of the same kind",
        )
    return explain_folders(old, new, tolerance) if old.is_dir() else explain_files(old, new, tolerance)


def explain_folders(old: Path, new: Path, tolerance: float = DEFAULT_TOLERANCE) -> Explanation:
    """Compare two results folders or campaign folders; see :func:`explain`."""
    sides = (ResultsFolder(old), ResultsFolder(new))
    evidence = Evidence(tolerance)
    files = [side.files() for side in sides]
    common = [name for name in files[0] if name in set(files[1])]
    different = {name for name in common if not _same_bytes(sides[0].folder / name, sides[1].folder / name)}
    comparisons = _comparisons(evidence, sides) if COMPARISON in different else None
    devices = [
        _folder_change(evidence, device, sides, comparisons)
        for device in sides[0].devices
        if device in sides[1].devices
    ]
    only_old, only_new = (
        {device: other.absence(device, label) for device in side.devices if device not in other.devices}
        for side, other, label in ((*sides, "NEW"), (*sides[::-1], "OLD"))
    )
    for cause in presentation_changes(sides):
        evidence.add_cause(cause, "")
    if not any(device.differences for device in devices):
        add_causes_of_other_files(evidence, sides, sorted(different))
    for side, label in zip(sides, ("OLD", "NEW"), strict=True):
        for remark in side.remarks:
            evidence.add_note(f"{label}: {remark}")
    unpaired = len(files[0]) - len(common), len(files[1]) - len(common)
    counts = len(common) - len(different), len(different)
    return _explanation(evidence, old, new, devices, (only_old, only_new), counts, unpaired)


def explain_files(old: Path, new: Path, tolerance: float = DEFAULT_TOLERANCE) -> Explanation:
    """Compare two output files; see :func:`explain`."""
    evidence = Evidence(tolerance)
    same = _same_bytes(old, new)
    sides = [{content.device: content for content in read_contents(path)} for path in (old, new)]
    kinds = [next(iter(side.values())).file_kind for side in sides]
    if kinds[0] != kinds[1]:
        raise InputError.single(old, f"holds {kinds[0]}, {new} holds {kinds[1]}", "two outputs of one kind")
    pair = ReceiptPair(evidence, "", (old, new), (f"old/{old.name}", f"new/{new.name}"))
    stamps = [receipt["stamp"] for receipt in pair.receipts if receipt is not None]
    if len(stamps) == 2 and stamps[0] == stamps[1] and not same:
        evidence.add_note("both files come from the same step with the same inputs")
    only: tuple[dict[str, str], dict[str, str]] = ({}, {})
    compared: list[tuple[str, Content, Content]]
    if kinds[0] in MULTI_DEVICE_FILES:
        only = (
            {device: "" for device in sides[0] if device not in sides[1]},
            {device: "" for device in sides[1] if device not in sides[0]},
        )
        compared = [(device, sides[0][device], sides[1][device]) for device in sides[0] if device in sides[1]]
    else:
        # Each file has one device: they are compared even if the devices have different names.
        (before,), (after,) = (side.values() for side in sides)
        names = [
            content.device or receipt_device(receipt)
            for content, receipt in zip((before, after), pair.receipts, strict=True)
        ]
        if all(names) and names[0] != names[1]:
            evidence.add_note(f"the files belong to two devices: {names[0]} and {names[1]}")
        compared = [(names[1] or names[0], before, after)]
    devices = [
        DeviceChange(device, "")
        if same
        else device_change(evidence, device, "", {old.name: (before, after)}, {old.name: pair})
        for device, before, after in compared
    ]
    return _explanation(evidence, old, new, devices, only, (int(same), int(not same)), (0, 0))


def _same_bytes(old: Path, new: Path) -> bool:
    return old.stat().st_size == new.stat().st_size and old.read_bytes() == new.read_bytes()


_Comparisons = tuple[dict[str, Content], dict[str, Content], ReceiptPair]


def _comparisons(evidence: Evidence, sides: tuple[ResultsFolder, ResultsFolder]) -> _Comparisons:
    """Return the contents of the comparison of all devices by device, old and new, and its receipts."""
    old, new = (side.folder / COMPARISON for side in sides)
    before, after = ({content.device: content for content in read_contents(path)} for path in (old, new))
    return before, after, ReceiptPair(evidence, "", (old, new), (f"old/{COMPARISON}", f"new/{COMPARISON}"))


def _folder_change(
    evidence: Evidence, device: str, sides: tuple[ResultsFolder, ResultsFolder], comparisons: _Comparisons | None
) -> DeviceChange:
    """Compare all files of a device in two results folders."""
    contents: dict[str, tuple[Content, Content]] = {}
    receipts: dict[str, ReceiptPair] = {}
    before, after = (side.data(device) for side in sides)
    for name in dict.fromkeys([*before, *after]):
        old, new = before.get(name), after.get(name)
        if old is not None and new is not None and _same_bytes(old, new):
            continue
        read = [None if path is None else read_contents(path)[0] for path in (old, new)]
        present = next(content for content in read if content is not None)
        contents[name] = (read[0] or empty_like(present), read[1] or empty_like(present))
        receipts[name] = ReceiptPair(evidence, device, (old, new), (f"old/{device}/{name}", f"new/{device}/{name}"))
    if comparisons is not None and device in comparisons[0] and device in comparisons[1]:
        contents[COMPARISON] = (comparisons[0][device], comparisons[1][device])
        receipts[COMPARISON] = comparisons[2]
    title = sides[1].title(device)
    if not contents:
        return DeviceChange(device, title)
    direction_files = sides[0].folder / device / "responses.nc", sides[1].folder / device / "responses.nc"
    return device_change(evidence, device, title, contents, receipts, direction_files)


def _explanation(
    evidence: Evidence,
    old: Path,
    new: Path,
    devices: Sequence[DeviceChange],
    only: tuple[Mapping[str, str], Mapping[str, str]],
    file_counts: tuple[int, int],
    unpaired: tuple[int, int],
) -> Explanation:
    """Number the causes that have an effect from 1, and put everything together."""
    causes = list(evidence.causes.items())
    effective = [index for index, (key, _) in enumerate(causes) if key in evidence.effective]
    number = {index: position for position, index in enumerate(effective, 1)}
    renumbered = [
        replace(
            device,
            differences=tuple(
                replace(difference, causes=tuple(sorted(number[cause] for cause in difference.causes)))
                for difference in device.differences
            ),
        )
        for device in devices
    ]
    with_devices = [(cause, tuple(cause_devices)) for _, (cause, cause_devices) in causes]
    return Explanation(
        old,
        new,
        evidence.tolerance,
        tuple(renumbered),
        tuple(with_devices[index] for index in effective),
        tuple(item for index, item in enumerate(with_devices) if index not in number),
        tuple(evidence.software.values()),
        *only,
        *file_counts,
        unpaired,
        tuple(evidence.notes),
        tuple(evidence.inputs),
    )
