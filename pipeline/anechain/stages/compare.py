"""Stage compare: the curve sets of all devices on one frequency grid, and figures of several devices."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.data import contract
from anechain.data.store import is_current, read_dataset, read_receipt, sha256_file, write_artefact
from anechain.figure_of_merit.comparison_dataset import COMPARED, comparison_dataset, with_values_in_valid_bands
from anechain.figure_of_merit.comparison_dataset import USES as CURVE_USES
from anechain.figures.files import figure_paths, update_figure
from anechain.methods import versions
from anechain.receipts.receipt import Input, make_receipt
from anechain.report.number_table import number_rows, numbers_csv
from anechain.report.numbers import read_numbers
from anechain.running.plan import Plan
from anechain.stages.batch import Outcome, inputs_of, update_dataset
from anechain.stages.compare_compression import USES as LIMIT_USES
from anechain.stages.compare_compression import compare_limits
from anechain.stages.compare_distortion import USES as DISTORTION_USES
from anechain.stages.compare_distortion import compare_distortion
from anechain.stages.draw import VERSION as DRAW_VERSION

if TYPE_CHECKING:
    import xarray as xr

VERSION = 2
USES = tuple(dict.fromkeys((*CURVE_USES, *DISTORTION_USES, *LIMIT_USES)))


def parameters(plan: Plan) -> dict[str, Any]:
    """Return everything in the campaign that the comparison depends on."""
    return {
        "comparison": plan.campaign.comparison.model_dump(mode="json"),
        "formats": list(plan.campaign.figures.formats),
        "keep_going": plan.keep_going,
    }


def run(plan: Plan, devices: Sequence[str], failed: Mapping[str, tuple[str, list[str]]]) -> Outcome:
    """Compare the devices that did not fail: results/comparison.nc, numbers.csv and a figure per curve."""
    from anechain.figures.comparison import comparison_figure

    del failed
    inputs = [inputs_of(plan, device, "derive", f"{device}/")["curves.nc"] for device in devices]
    formats = plan.campaign.figures.formats
    contract_name = contract.load("comparison").name
    options = plan.campaign.comparison
    settings = {
        "devices": list(devices),
        **options.model_dump(mode="json"),
        "methods": versions(CURVE_USES),
        "contract": contract_name,
    }
    receipt = make_receipt("compare", VERSION, settings, inputs)
    target = plan.results / "comparison.nc"
    made = update_dataset(
        target,
        receipt,
        "comparison",
        "comparison",
        lambda: comparison_dataset(
            {device: read_dataset(plan.results / device / "curves.nc") for device in devices}, options.alignment_band
        ),
    )
    comparison = read_dataset(target)
    table, made_table = _write_numbers(plan, devices)
    made |= made_table
    outputs = [target, table]
    source = Input("comparison.nc", sha256_file(target), read_receipt(target))
    for curve in compared_figures(comparison):
        paths = figure_paths(plan.results, f"comparison-{curve}", formats)
        figure_settings = {"figure": "comparison", "what": curve, "formats": list(formats)}
        figure_receipt = make_receipt("figure", DRAW_VERSION, figure_settings, [source])
        made |= update_figure(paths, figure_receipt, partial(comparison_figure, comparison, curve))
        outputs.extend(paths.values())
    distortion, made_distortion = compare_distortion(plan, devices)
    limits, made_limits = compare_limits(plan, devices)
    return Outcome(receipt["stamp"], (*outputs, *distortion, *limits), made or made_distortion or made_limits)


def _write_numbers(plan: Plan, devices: Sequence[str]) -> tuple[Path, bool]:
    """Write the numbers of all devices as one table, results/numbers.csv; return also whether it was not current."""
    inputs = [inputs_of(plan, device, "numbers", f"{device}/")["numbers.json"] for device in devices]
    receipt = make_receipt("numbers-table", 2, {"devices": list(devices)}, inputs)
    target = plan.results / "numbers.csv"
    if is_current(target, receipt["stamp"]):
        return target, False
    rows = [
        (device, plan.campaign.devices[device].title, number_rows(*read_numbers(plan, device))) for device in devices
    ]
    write_artefact(target, numbers_csv(rows), receipt)
    return target, True


def compared_figures(comparison: xr.Dataset) -> list[str]:
    """Return the curves of which at least one device has a value in its valid band, of those in COMPARED."""
    shown = with_values_in_valid_bands(comparison)["level"].transpose("curve", ...)
    known = {
        str(name): bool(np.isfinite(rows).any()) for name, rows in zip(shown["curve"].values, shown.values, strict=True)
    }
    return [curve for curve in COMPARED if known.get(curve, False)]
