"""Part of stage compare: how loud against how low, of the devices that can be compared, and why others cannot."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from anechain.data.store import read_dataset
from anechain.figure_of_merit.comparable_limits import comparable_limits
from anechain.figures.files import figure_paths, update_figure
from anechain.methods import versions
from anechain.receipts.receipt import make_receipt
from anechain.running.plan import Plan
from anechain.stages.batch import inputs_of
from anechain.stages.draw import VERSION as DRAW_VERSION

if TYPE_CHECKING:
    pass

__all__ = ["FIGURE", "USES", "compare_limits"]

FIGURE = "comparison-usable"
USES = ("distortion-comparability",)


def compare_limits(plan: Plan, devices: Sequence[str]) -> tuple[list[Path], bool]:
    """Draw how loud against how low of the devices that can be compared."""
    from anechain.figures.usable_limits import usable_comparison_figure

    named = {device: inputs_of(plan, device, "compression", f"{device}/").get("compression.nc") for device in devices}
    inputs = {device: one for device, one in named.items() if one is not None}
    titles = {device: plan.campaign.devices[device].title for device in devices}
    data = {device: read_dataset(plan.results / device / "compression.nc") for device in inputs}
    found = comparable_limits(data, titles)
    formats = plan.campaign.figures.formats
    paths = figure_paths(plan.results, FIGURE, formats)
    if len(found.devices) < 2:
        for path in paths.values():
            path.unlink(missing_ok=True)
        return [], False
    stamp = {"figure": FIGURE, "devices": titles, "formats": list(formats), "methods": versions(USES)}
    receipt = make_receipt("figure", DRAW_VERSION, stamp, inputs.values())
    chosen = [data[device] for device in found.devices]
    made = update_figure(paths, receipt, lambda: usable_comparison_figure(chosen, found.left_out, found.notes))
    return list(paths.values()), made
