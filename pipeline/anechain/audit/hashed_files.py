"""The files of a results folder as they are: their hashes, and what their receipts state."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from anechain.audit.records import CAMPAIGN, Records
from anechain.data.store import ReceiptCheck, check_receipt, sha256_file
from anechain.errors import InputError
from anechain.receipts.receipt import RAW

__all__ = ["NO_RECEIPT", "HashedFiles", "hash_file", "input_outputs", "output_device", "receipt_problems"]

NO_RECEIPT = ("the file carries no receipt",)
"""Problems of a file without a receipt; see :func:`anechain.data.store.check_receipt`."""
_STAGES_WITHOUT_RECEIPTS = ("crate",)
"""Stages whose outputs have no receipt and are checked by their manifest only."""


@dataclass
class HashedFiles:
    """What is known of the files that have been read; keys are paths in the results.

    Attributes
    ----------
    sha256 : dict of str to (str or None)
        None for a file that does not exist, empty for one that cannot be read.
    problems : dict of str to tuple of str
        What is wrong with a file in itself.
    stamp : dict of str to str
        Stamps of the files' receipts.
    last_step : dict of str to dict
        The step that made each file.
    raw : dict of str to dict
        By path of a raw file and hash: the outputs that were made from it.
    """

    sha256: dict[str, str | None] = field(default_factory=dict)
    problems: dict[str, tuple[str, ...]] = field(default_factory=dict)
    stamp: dict[str, str] = field(default_factory=dict)
    last_step: dict[str, dict[str, Any]] = field(default_factory=dict)
    raw: dict[str, dict[str, list[str]]] = field(default_factory=dict)


def hash_file(records: Records, files: HashedFiles, name: str) -> None:
    """Hash a file and read its receipt; the results go into `files`."""
    path = records.results / name
    try:
        files.sha256[name] = sha256_file(path)
    except FileNotFoundError:
        files.sha256[name] = None
        return
    except OSError as error:
        files.sha256[name] = ""
        files.problems[name] = (f"it cannot be read: {error.strerror or error}",)
        return
    output = records.outputs.get(name)
    try:
        examined = check_receipt(path)
    except InputError:
        examined = ReceiptCheck(None, "", NO_RECEIPT)
    receipt = examined.receipt
    needs_none = output is not None and output.stage in _STAGES_WITHOUT_RECEIPTS and receipt is None
    files.problems[name] = () if needs_none else examined.wrong
    if receipt is None or receipt["stamp"] not in receipt["steps"]:
        return
    files.stamp[name] = receipt["stamp"]
    files.last_step[name] = receipt["steps"][receipt["stamp"]]
    own = output.sha256 == files.sha256[name] if output else name == CAMPAIGN or not records.complete
    # Raw files are compared with files of this campaign only, not with files that somebody copied here.
    if own and not examined.wrong:
        for step in receipt["steps"].values():
            for entry in step["inputs"]:
                if entry["role"].startswith(RAW):
                    hashes = files.raw.setdefault(entry["role"].removeprefix(RAW), {})
                    hashes.setdefault(entry["sha256"], []).append(name)


def input_outputs(records: Records, name: str, step: Mapping[str, Any]) -> Iterator[tuple[str, str, str | None]]:
    """Yield path in the results, hash and maker's stamp of each input of a step that is itself an output."""
    device = output_device(records, name, step)
    for entry in step["inputs"]:
        role = entry["role"]
        if not role.startswith(RAW):
            path = role if "/" in role or not device else f"{device}/{role}"
            yield path, entry["sha256"], step["made_by"].get(role)


def output_device(records: Records, name: str, step: Mapping[str, Any]) -> str:
    """Return the device of an output; empty for one of the whole campaign."""
    output = records.outputs.get(name)
    if output is not None:
        return "" if output.device == "all" else output.device
    folder, _, file = name.rpartition("/")
    figure = step["parameters"].get("figure")
    if step["method"] == "figure" and isinstance(figure, str):
        stem = _stem(file)
        return stem.removesuffix(f"-{figure}") if stem.endswith(f"-{figure}") else ""
    return folder


def _stem(file: str) -> str:
    return file.removesuffix(".vl.json") if file.endswith(".vl.json") else file.rpartition(".")[0]


def _figure_name(parameters: Mapping[str, Any]) -> str:
    """Return the name of a figure, without its device, from the parameters of its step."""
    from anechain.figures.device_figure import level_slug

    parts = [str(parameters.get("figure"))]
    if "what" in parameters:
        parts.append(str(parameters["what"]))
    if isinstance(level := parameters.get("level"), int | float):
        parts.append(level_slug(level))
    return "-".join(parts)


def receipt_problems(records: Records, files: HashedFiles, name: str) -> list[str]:
    """Return what in a file's receipt contradicts its place in this campaign."""
    step = files.last_step.get(name)
    if step is None:
        return []
    problems = []
    parameters, device = step["parameters"], output_device(records, name, step)
    if step["method"] == "figure":
        figure = _figure_name(parameters)
        if _stem(name.rpartition("/")[2]) != (f"{device}-{figure}" if device else figure):
            problems.append(f"its receipt belongs to the figure {figure}")
    if isinstance(receipt_device := parameters.get("device"), str) and device and receipt_device != device:
        problems.append(f"its receipt belongs to device {receipt_device}")
    for source, sha256, maker in input_outputs(records, name, step):
        output = records.outputs.get(source)
        # An altered input is reported itself, and is no problem of the files that were made from it.
        expected = output.sha256 if output else None if files.problems.get(source) else files.sha256.get(source)
        if not expected:
            continue
        if sha256 != expected:
            actual = records.output_with(sha256, source)
            if actual:
                problems.append(f"it was made from {records.show(actual)}, not from {records.show(source)}")
            else:
                problems.append(f"it was made from another version of {records.show(source)}")
        elif maker is not None and files.sha256.get(source) == expected and files.stamp.get(source, maker) != maker:
            problems.append(f"its receipt and that of {records.show(source)} name different steps that made the latter")
    return problems
