"""Stage draw: the figures of each device, one chart specification each, rendered to the formats asked for."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain.embedding import canonical
from anechain.methods import versions
from anechain.plan import Plan
from anechain.receipts import Input, issue
from anechain.stages.batch import Outcome, inputs_of
from anechain.store import is_current, read_dataset, write_artefact

if TYPE_CHECKING:
    import xarray as xr

VERSION = 1
USES = ("band-means",)

DEVICE_FIGURES = ("curves", "planes", "bounces", "map-horizontal", "map-vertical")
"""Figures of one device, in the order they are shown."""


def run(plan: Plan, device: str) -> Outcome:
    """Draw the figures of one device: results/figures/<device>-<figure>.vl.json and the formats asked for."""
    derived, ingested = inputs_of(plan, device, "derive"), inputs_of(plan, device, "ingest")
    curves_input, responses_input = derived["curves.nc"], ingested["responses.nc"]
    formats = plan.campaign.figures.formats
    curves = read_dataset(plan.results / device / "curves.nc")
    responses = read_dataset(plan.results / device / "responses.nc")
    outputs: list[Path] = []
    made = False
    stamp = ""
    for figure in device_figures(curves, responses):
        inputs = [responses_input, curves_input] if figure.startswith("map-") else [curves_input]
        parameters: dict[str, Any] = {"figure": figure, "formats": list(formats)}
        if figure.startswith("map-"):
            parameters["methods"] = versions(USES)
        receipt = issue("figure", VERSION, parameters, inputs)
        stamp = receipt["stamp"]
        paths = figure_paths(plan, f"{device}-{figure}", formats)
        if not all(is_current(path, stamp) for path in paths.values()):
            write_figure(paths, specification(figure, curves, responses), receipt)
            made = True
        outputs.extend(paths.values())
    return Outcome(stamp, tuple(outputs), made)


def device_figures(curves: xr.Dataset, responses: xr.Dataset) -> Iterator[str]:
    """Which figures a device's data allow; what is missing is named in the curve set's gaps."""
    for figure in DEVICE_FIGURES:
        if figure.startswith("map-"):
            plane = figure.removeprefix("map-")
            if plane in responses["plane"].values and "on_axis" in curves["curve"].values:
                yield figure
        elif figure == "planes":
            if any(str(name).endswith(("_horizontal", "_vertical")) for name in curves["index"].values):
                yield figure
        elif figure == "bounces":
            if any(str(name).endswith("_bounce") for name in curves["curve"].values):
                yield figure
        elif curves.sizes["curve"]:
            yield figure


def specification(figure: str, curves: xr.Dataset, responses: xr.Dataset) -> dict[str, Any]:
    """Return the chart specification of one figure of a device."""
    from anechain.figures.curve_set import bounces_figure, curve_set_figure, planes_figure
    from anechain.figures.directivity_map import directivity_map_figure

    if figure == "curves":
        return curve_set_figure(curves)
    if figure == "planes":
        return planes_figure(curves)
    if figure == "bounces":
        return bounces_figure(curves)
    return directivity_map_figure(responses, figure.removeprefix("map-"))


def figure_paths(plan: Plan, name: str, formats: Sequence[str]) -> dict[str, Path]:
    """Files of a figure by format; the chart specification is always among them."""
    return {ending: plan.results / "figures" / f"{name}.{ending}" for ending in ("vl.json", *formats)}


def write_figure(paths: Mapping[str, Path], specification: dict[str, Any], receipt: Mapping[str, Any]) -> None:
    """Render a figure and write each format with its receipt."""
    from anechain.figures.render import render

    # From the very bytes that are kept, so that the pictures can be re-made from the specification alone.
    kept = canonical(specification)
    rendered = {"vl.json": kept, **render(json.loads(kept), [ending for ending in paths if ending != "vl.json"])}
    for ending, path in paths.items():
        write_artefact(path, rendered[ending], receipt)


def figure_input(path: Path, role: str) -> Input:
    """A figure's chart specification as an input of a page."""
    from anechain.store import read_receipt, sha256_file

    return Input(role, sha256_file(path), read_receipt(path))
