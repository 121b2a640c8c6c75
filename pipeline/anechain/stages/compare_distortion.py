"""Part of stage compare: the distortion of several devices at equal levels, and a figure for each level."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from anechain.data import contract
from anechain.data.store import read_dataset, read_receipt, sha256_file
from anechain.figure_of_merit.distortion_comparison import USES, distortion_comparison
from anechain.figures.device_figure import level_slug
from anechain.figures.files import figure_paths, update_figure
from anechain.methods import versions
from anechain.receipts.receipt import Input, make_receipt
from anechain.running.plan import Plan
from anechain.stages.batch import inputs_of, update_dataset
from anechain.stages.draw import VERSION as DRAW_VERSION

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["USES", "VERSION", "compare_distortion", "compared_distortion_figures", "distortion_comparison"]

VERSION = 2


def compare_distortion(plan: Plan, devices: Sequence[str]) -> tuple[list[Path], bool]:
    """Compare the distortion of the devices that have it: results/comparison-distortion.nc and a figure per level.

    Returns
    -------
    outputs : list of Path
        Empty if fewer than two devices have it.
    made : bool
        False if all outputs were current.
    """
    from anechain.figures.distortion_comparison import distortion_comparison_figure

    files = {device: inputs_of(plan, device, "distortion", f"{device}/") for device in devices}
    inputs = {device: outputs["distortion.nc"] for device, outputs in files.items() if "distortion.nc" in outputs}
    target = plan.results / "comparison-distortion.nc"
    if len(inputs) < 2:
        target.unlink(missing_ok=True)
        return [], False
    titles = {device: plan.campaign.devices[device].title for device in devices}
    contract_name = contract.load("distortion-comparison").name
    settings = {"devices": titles, "methods": versions(USES), "contract": contract_name}
    receipt = make_receipt("compare-distortion", VERSION, settings, inputs.values())
    made = update_dataset(
        target,
        receipt,
        "distortion-comparison",
        "comparison-distortion",
        lambda: distortion_comparison(
            {device: read_dataset(plan.results / device / "distortion.nc") for device in inputs}, titles
        ),
    )
    comparison = read_dataset(target)
    outputs = [target]
    source = Input("comparison-distortion.nc", sha256_file(target), read_receipt(target))
    formats = plan.campaign.figures.formats
    for name, level in compared_distortion_figures(comparison).items():
        paths = figure_paths(plan.results, name, formats)
        figure_settings = {"figure": "comparison-distortion", "level": level, "formats": list(formats)}
        figure_receipt = make_receipt("figure", DRAW_VERSION, figure_settings, [source])
        made |= update_figure(paths, figure_receipt, partial(distortion_comparison_figure, comparison, level))
        outputs.extend(paths.values())
    return outputs, made


def compared_distortion_figures(comparison: xr.Dataset) -> dict[str, float]:
    """Return the figures by name, with their levels: those at which at least two devices can be compared."""
    percent = np.asarray(comparison["percent"].transpose("level", "device", "frequency").values)
    counts = np.isfinite(percent).any(axis=-1).sum(axis=-1)
    levels = [float(level) for level in comparison["level"].values]
    return {
        f"comparison-distortion-{level_slug(level)}": level
        for level, count in zip(levels, counts, strict=True)
        if count > 1
    }
