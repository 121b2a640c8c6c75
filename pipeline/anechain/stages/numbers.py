"""Stage numbers: figures of merit of a device, each with its method and uncertainty, or why it is missing."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.arrays import Floats
from anechain.campaign.choices import Derivation, DeviceNumbers, Target
from anechain.campaign.choices import Numbers as Options
from anechain.data import contract
from anechain.data.numbers import number_to_json
from anechain.data.store import is_current, read_dataset, sha256_file, write_artefact, write_dataset
from anechain.errors import InputError, Problem
from anechain.figure_of_merit import metric_inputs
from anechain.figure_of_merit.groups import GROUPS, GroupResult, everything
from anechain.figure_of_merit.metric_inputs import gather
from anechain.methods import versions
from anechain.receipts.canonical_json import canonical
from anechain.receipts.receipt import Input, make_receipt
from anechain.running.plan import DEVICE_STAGES, Plan
from anechain.stages.batch import Outcome, inputs_of

if TYPE_CHECKING:
    import xarray as xr

VERSION = 2
USES = tuple(sorted({*metric_inputs.USES, *(id_ for group in GROUPS for id_ in group.uses)}))
DATASETS = ("directivity", "aim", "impedance_uncertainty", "trends")
"""Contracts of the arrays by frequency that are written beside the numbers, where they can be had."""

_READ = ("curves", "responses", *dict.fromkeys(name for group in GROUPS for name in group.reads))
_BEFORE = DEVICE_STAGES[: DEVICE_STAGES.index("numbers")]
"""Stages whose outputs are read."""


def run(plan: Plan, device: str) -> Outcome:
    """Make the numbers of one device: results/<device>/numbers.json, and the datasets of :data:`DATASETS` beside it."""
    found = {name: one for stage in _BEFORE for name, one in inputs_of(plan, device, stage).items()}
    inputs = {name: found[f"{name}.nc"] for name in _READ if f"{name}.nc" in found}
    targets = plan.targets(device)
    raw = {f"raw:{name}": plan.folder / name for name in sorted({one.file for one in targets.values()})}
    read = {curve: read_target(plan.folder, one) for curve, one in targets.items()}
    derivation = plan.campaign.derivation
    stated = plan.uncertainty(device)
    parameters = plan.numbers_parameters(device) | {
        "methods": versions(USES),
        "contract": " ".join(contract.load(name).name for name in DATASETS),
    }
    receipt = make_receipt(
        "numbers",
        VERSION,
        parameters,
        [*inputs.values(), *(Input(role, sha256_file(path)) for role, path in raw.items())],
    )
    folder = plan.results / device
    target = folder / "numbers.json"
    beside = {name: folder / f"{name}.nc" for name in DATASETS}
    there = [path for path in beside.values() if path.is_file()]
    if all(is_current(path, receipt["stamp"]) for path in (target, *there)) and _names(target) == set(there):
        return Outcome(receipt["stamp"], (target, *there), made=False)
    made = numbered(
        plan.campaign.numbers,
        plan.campaign.devices[device].numbers,
        {name: read_dataset(folder / f"{name}.nc") for name in inputs},
        derivation,
        read,
        stated,
    )
    for name, dataset in made.datasets.items():
        contract.validate(dataset, name, device)
    # What is no longer made goes first: a run that is killed here must not leave it beside the new numbers.
    for name, path in beside.items():
        if name not in made.datasets:
            path.unlink(missing_ok=True)
    for name, dataset in made.datasets.items():
        write_dataset(beside[name], dataset, receipt)
    # Written last, since it names the others.
    write_artefact(target, canonical(document(device, made)), receipt)
    return Outcome(receipt["stamp"], (target, *(beside[name] for name in made.datasets)), made=True)


def numbered(
    options: Options,
    own: DeviceNumbers,
    datasets: Mapping[str, xr.Dataset],
    derivation: Derivation,
    targets: Mapping[str, tuple[Floats, Floats]] | None = None,
    stated: Mapping[str, Any] | None = None,
) -> GroupResult:
    """Return the numbers of a device, with the datasets and lists that belong to them.

    Parameters
    ----------
    options, own
        Choices of the campaign and of the device.
    datasets : mapping of str to xarray.Dataset
        "curves" and "responses", and of what the groups read what is there.
    derivation : Derivation
        How the curves were derived.
    targets : mapping of str to (numpy.ndarray, numpy.ndarray), optional
        Target curves, Hz and dB, by curve.
    stated : mapping, optional
        The campaign's section `uncertainty` as plain values.
    """
    return everything(gather(options, own, datasets, derivation, targets, stated))


def document(device: str, made: GroupResult) -> dict[str, Any]:
    """What numbers.json holds: a member for each number by its id, the lists, and which datasets belong to it."""
    return {
        "device": device,
        "datasets": sorted(f"{name}.nc" for name in made.datasets),
        **made.lists,
        **{one.id: number_to_json(one) for one in made.numbers},
        "order": [one.id for one in made.numbers],
    }


def _names(target: Path) -> set[Path]:
    """Datasets that the numbers name as theirs."""
    from anechain.receipts.canonical_json import parsed

    return {target.with_name(name) for name in parsed(target.read_text(encoding="utf-8"))["datasets"]}


def read_target(folder: Path, target: Target) -> tuple[Floats, Floats]:
    """Read a target curve: two columns, Hz and dB.

    Columns are parted by white space, commas, semicolons or tabs; lines that begin with # and one line of titles are
    left out.

    Raises
    ------
    InputError
        If the file cannot be read; naming every line that is not two numbers, frequencies that do not rise, or fewer
        than two points.
    """
    path = folder / target.file
    problems: list[Problem] = []
    rows: list[tuple[float, float]] = []
    allowed = "two columns, Hz and dB, with decimal points"
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except OSError as error:
        raise InputError.single(
            target.file,
            f"the target curve cannot be read: {error.strerror}",
            "a text file with two columns, Hz and dB",
            "check the path, which starts at the campaign's folder",
        ) from None
    except UnicodeDecodeError as error:
        raise InputError.single(target.file, f"byte {error.start} is not UTF-8", allowed, "save it in UTF-8") from None
    filled = [
        (at, line.strip()) for at, line in enumerate(lines, 1) if line.strip() and not line.lstrip().startswith("#")
    ]
    for place, (at, line) in enumerate(filled):
        cells = [cell for cell in re.split(r"[\s,;]+", line) if cell]
        try:
            hz, level = (float(cell) for cell in cells)
        except ValueError:
            if place > 0 or any(sign.isdigit() for sign in cells[0][:1]):
                problems.append(Problem(target.file, f"line {at}: {line[:60]!r}", allowed, "correct the line"))
            continue
        if not (0 < hz < np.inf and np.isfinite(level)) or (rows and hz <= rows[-1][0]):
            problems.append(
                Problem(
                    target.file,
                    f"line {at}: {line[:60]!r}",
                    "frequencies above zero that rise, finite levels",
                    "correct the line",
                )
            )
            continue
        rows.append((hz, level))
    if not problems and len(rows) < 2:
        problems.append(Problem(target.file, f"{len(rows)} points", "two or more", "give the corners of the target"))
    if problems:
        raise InputError(problems)
    table = np.array(rows)
    return table[:, 0], table[:, 1]
