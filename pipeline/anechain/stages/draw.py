"""Stage draw: the figures of each device, as chart specifications and in the formats asked for."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Any

from anechain.figures.device_figures import USES, device_figures, read_outputs
from anechain.figures.files import figure_paths, update_figure
from anechain.methods import versions
from anechain.receipts.receipt import Input, make_receipt
from anechain.registry.stages import stages_before
from anechain.running.plan import Plan
from anechain.stages.batch import Outcome, inputs_of

__all__ = ["USES", "VERSION", "outputs_before", "parameters", "run"]

VERSION = 3


def parameters(plan: Plan) -> dict[str, Any]:
    """Return everything in the campaign that the figures depend on."""
    return plan.campaign.figures.model_dump(mode="json")


def outputs_before(plan: Plan, device: str) -> dict[str, Input]:
    """Return the outputs of a device that figures may show, by file name."""
    return {name: output for stage in stages_before("draw") for name, output in inputs_of(plan, device, stage).items()}


def run(plan: Plan, device: str) -> Outcome:
    """Draw the figures of a device: results/figures/<device>-<figure>.vl.json and the formats asked for."""
    inputs = outputs_before(plan, device)
    data = read_outputs({name: plan.results / device / name for name in inputs})
    formats = plan.campaign.figures.formats
    outputs: list[Path] = []
    drawn = False
    stamp = ""
    for figure in device_figures(data, plan.campaign.figures.of_devices):
        settings: dict[str, Any] = {"figure": figure.name, "formats": list(formats)}
        if figure.methods:
            settings["methods"] = versions(figure.methods)
        receipt = make_receipt("figure", VERSION, settings, [inputs[name] for name in figure.reads])
        stamp = receipt["stamp"]
        paths = figure_paths(plan.results, f"{device}-{figure.name}", formats)
        drawn |= update_figure(paths, receipt, partial(figure.make, *(data[name] for name in figure.reads)))
        outputs.extend(paths.values())
    return Outcome(stamp, tuple(outputs), drawn)
