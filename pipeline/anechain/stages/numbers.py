"""Stage numbers: figures of merit of a device, each with its method and uncertainty, or the reason of a gap."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain.arrays import Floats
from anechain.campaign.derivation import Derivation
from anechain.campaign.numbers import DeviceNumbers
from anechain.campaign.numbers import Numbers as Options
from anechain.campaign.target_file import read_target
from anechain.data import contract
from anechain.data.numbers import number_to_json
from anechain.data.store import is_current, read_dataset, sha256_file, write_artefact, write_dataset
from anechain.figure_of_merit import metric_inputs
from anechain.figure_of_merit.groups import GROUPS, GroupResult, all_numbers
from anechain.figure_of_merit.metric_inputs import gather
from anechain.methods import versions
from anechain.receipts.canonical_json import canonical_json
from anechain.receipts.receipt import Input, make_receipt
from anechain.registry.stages import stages_before
from anechain.running.plan import Plan
from anechain.stages.batch import Outcome, inputs_of

if TYPE_CHECKING:
    import xarray as xr

VERSION = 3
USES = tuple(sorted({*metric_inputs.USES, *(id_ for group in GROUPS for id_ in group.uses)}))
DATASETS = ("directivity", "aim", "impedance_uncertainty", "trends")
"""Contracts of the datasets that are written with the numbers, if they can be computed."""

_READ = ("curves", "responses", *dict.fromkeys(name for group in GROUPS for name in group.reads))


def parameters(plan: Plan) -> dict[str, Any]:
    """Return everything in the campaign that the numbers depend on."""
    return {
        "devices": {device: plan.numbers_parameters(device) for device in plan.campaign.devices},
        "targets": plan.target_hashes(),
    }


def run(plan: Plan, device: str) -> Outcome:
    """Compute the numbers of a device: results/<device>/numbers.json and the datasets of :data:`DATASETS`."""
    earlier = {
        name: file for stage in stages_before("numbers") for name, file in inputs_of(plan, device, stage).items()
    }
    inputs = {name: earlier[f"{name}.nc"] for name in _READ if f"{name}.nc" in earlier}
    targets = plan.targets(device)
    raw = {
        f"raw:{name}": plan.folder / name for name in sorted({curve_target.file for curve_target in targets.values()})
    }
    target_curves = {curve: read_target(plan.folder, curve_target) for curve, curve_target in targets.items()}
    derivation = plan.campaign.derivation
    stated = plan.uncertainty(device)
    settings = plan.numbers_parameters(device) | {
        "methods": versions(USES),
        "contract": " ".join(contract.load(name).name for name in DATASETS),
    }
    receipt = make_receipt(
        "numbers",
        VERSION,
        settings,
        [*inputs.values(), *(Input(role, sha256_file(path)) for role, path in raw.items())],
    )
    folder = plan.results / device
    target = folder / "numbers.json"
    paths = {name: folder / f"{name}.nc" for name in DATASETS}
    present = [path for path in paths.values() if path.is_file()]
    if all(is_current(path, receipt["stamp"]) for path in (target, *present)) and _names(target) == set(present):
        return Outcome(receipt["stamp"], (target, *present), made=False)
    result = numbered(
        plan.campaign.numbers,
        plan.campaign.devices[device].numbers,
        {name: read_dataset(folder / f"{name}.nc") for name in inputs},
        derivation,
        target_curves,
        stated,
    )
    for name, dataset in result.datasets.items():
        contract.validate(dataset, name, device)
    # Removed first: a run that is killed here must not leave outdated files next to the new numbers.
    for name, path in paths.items():
        if name not in result.datasets:
            path.unlink(missing_ok=True)
    for name, dataset in result.datasets.items():
        write_dataset(paths[name], dataset, receipt)
    # Written last, because it names the others.
    write_artefact(target, canonical_json(document(device, result)), receipt)
    return Outcome(receipt["stamp"], (target, *(paths[name] for name in result.datasets)), made=True)


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
        Options of the campaign and of the device.
    datasets : mapping of str to xarray.Dataset
        "curves", "responses", and those datasets that the groups read and that exist.
    derivation : Derivation
        How the curves were derived.
    targets : mapping of str to (numpy.ndarray, numpy.ndarray), optional
        Target curves, Hz and dB, by curve.
    stated : mapping, optional
        The campaign's section `uncertainty` as plain values.
    """
    return all_numbers(gather(options, own, datasets, derivation, targets, stated))


def document(device: str, result: GroupResult) -> dict[str, Any]:
    """Return the document numbers.json: each number by its id, the lists, and the names of the datasets."""
    return {
        "device": device,
        "datasets": sorted(f"{name}.nc" for name in result.datasets),
        **result.lists,
        **{number.id: number_to_json(number) for number in result.numbers},
        "order": [number.id for number in result.numbers],
    }


def _names(target: Path) -> set[Path]:
    """Return the datasets that numbers.json names."""
    from anechain.receipts.canonical_json import parse_json

    return {target.with_name(name) for name in parse_json(target.read_text(encoding="utf-8"))["datasets"]}
