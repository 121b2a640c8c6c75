"""Stage draw: the figures of each device, one chart specification each, rendered to the formats asked for."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from anechain.data.store import is_current, write_artefact
from anechain.figures.device_figures import USES, device_figures, read_outputs
from anechain.methods import versions
from anechain.receipts.canonical_json import canonical
from anechain.receipts.receipt import Input, make_receipt
from anechain.running.plan import DEVICE_STAGES, Plan
from anechain.stages.batch import Outcome, inputs_of

__all__ = ["BEFORE", "USES", "VERSION", "figure_paths", "keep_figure", "outputs_before", "run", "write_figure"]

VERSION = 3
BEFORE = DEVICE_STAGES[: DEVICE_STAGES.index("draw")]
"""Stages whose outputs are drawn."""


def outputs_before(plan: Plan, device: str) -> dict[str, Input]:
    """Outputs of a device that figures may show, by the name of their file."""
    return {name: one for stage in BEFORE for name, one in inputs_of(plan, device, stage).items()}


def run(plan: Plan, device: str) -> Outcome:
    """Draw the figures of one device: results/figures/<device>-<figure>.vl.json and the formats asked for."""
    inputs = outputs_before(plan, device)
    data = read_outputs({name: plan.results / device / name for name in inputs})
    formats = plan.campaign.figures.formats
    outputs: list[Path] = []
    made = False
    stamp = ""
    for figure in device_figures(data, plan.campaign.figures.of_devices):
        parameters: dict[str, Any] = {"figure": figure.name, "formats": list(formats)}
        if figure.methods:
            parameters["methods"] = versions(figure.methods)
        receipt = make_receipt("figure", VERSION, parameters, [inputs[name] for name in figure.reads])
        stamp = receipt["stamp"]
        paths = figure_paths(plan, f"{device}-{figure.name}", formats)
        made |= keep_figure(paths, receipt, partial(figure.make, *(data[name] for name in figure.reads)))
        outputs.extend(paths.values())
    return Outcome(stamp, tuple(outputs), made)


def figure_paths(plan: Plan, name: str, formats: Sequence[str]) -> dict[str, Path]:
    """Files of a figure by format; the chart specification is always among them."""
    return {ending: plan.results / "figures" / f"{name}.{ending}" for ending in ("vl.json", *formats)}


def keep_figure(paths: Mapping[str, Path], receipt: Mapping[str, Any], make: Callable[[], dict[str, Any]]) -> bool:
    """Draw a figure, unless it is there as it would be drawn; say whether it had to be."""
    if all(is_current(path, receipt["stamp"]) for path in paths.values()):
        return False
    write_figure(paths, make(), receipt)
    return True


def write_figure(paths: Mapping[str, Path], specification: dict[str, Any], receipt: Mapping[str, Any]) -> None:
    """Render a figure and write each format with its receipt."""
    from anechain.figures.render import render

    # From the very bytes that are kept, so that the pictures can be re-made from the specification alone.
    kept = canonical(specification)
    rendered = {"vl.json": kept, **render(json.loads(kept), [ending for ending in paths if ending != "vl.json"])}
    for ending, path in paths.items():
        write_artefact(path, rendered[ending], receipt)
