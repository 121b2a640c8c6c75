"""Part of stage compare: the figure of the usable limits of all devices that can be compared."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from anechain.data.store import read_dataset
from anechain.figure_of_merit.comparable_limits import comparable_limits
from anechain.figures.files import figure_paths, update_figure
from anechain.methods import versions
from anechain.receipts.receipt import make_receipt
from anechain.running.plan import Plan
from anechain.stages.batch import inputs_of
from anechain.stages.draw import VERSION as DRAW_VERSION

__all__ = ["FIGURE", "USES", "compare_limits"]

FIGURE = "comparison-usable"
USES = ("distortion-comparability",)


def compare_limits(plan: Plan, devices: Sequence[str]) -> tuple[list[Path], bool]:
    """Draw level against lowest usable frequency of the devices that can be compared.

    Returns
    -------
    outputs : list of Path
        Empty if fewer than two devices can be compared.
    made : bool
        False if all outputs were current.
    """
    from anechain.figures.usable_limits import usable_comparison_figure

    files = {device: inputs_of(plan, device, "compression", f"{device}/") for device in devices}
    inputs = {device: outputs["compression.nc"] for device, outputs in files.items() if "compression.nc" in outputs}
    titles = {device: plan.campaign.devices[device].title for device in devices}
    compressions = {device: read_dataset(plan.results / device / "compression.nc") for device in inputs}
    limits = comparable_limits(compressions, titles)
    formats = plan.campaign.figures.formats
    paths = figure_paths(plan.results, FIGURE, formats)
    if len(limits.devices) < 2:
        for path in paths.values():
            path.unlink(missing_ok=True)
        return [], False
    settings = {"figure": FIGURE, "devices": titles, "formats": list(formats), "methods": versions(USES)}
    receipt = make_receipt("figure", DRAW_VERSION, settings, inputs.values())
    chosen = [compressions[device] for device in limits.devices]
    made = update_figure(paths, receipt, lambda: usable_comparison_figure(chosen, limits.left_out, limits.notes))
    return list(paths.values()), made
