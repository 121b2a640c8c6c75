"""Stage compare: the curve sets of all devices on common terms, and figures of them side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.comparison import ALIGNMENT_BAND, alignment_step, common_grid
from anechain.acoustics.curve.frequencies import resample
from anechain.data import contract
from anechain.data.store import is_current, read_dataset, read_receipt, sha256_file, write_artefact
from anechain.errors import InputError
from anechain.figures.files import figure_paths, update_figure
from anechain.methods import versions
from anechain.receipts.receipt import Input, make_receipt
from anechain.report.number_table import number_rows, numbers_csv
from anechain.report.numbers import read_numbers
from anechain.running.plan import Plan
from anechain.stages.batch import Outcome, inputs_of, keep_dataset
from anechain.stages.compare_compression import USES as LIMIT_USES
from anechain.stages.compare_compression import compare_limits
from anechain.stages.compare_distortion import USES as DISTORTION_USES
from anechain.stages.compare_distortion import compare_distortion
from anechain.stages.draw import VERSION as DRAW_VERSION

if TYPE_CHECKING:
    import xarray as xr

VERSION = 1
_CURVE_USES = ("common-grid", "level-alignment", "resample-log-frequency")
USES = tuple(dict.fromkeys((*_CURVE_USES, *DISTORTION_USES, *LIMIT_USES)))
COMPARED = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
"""What is drawn side by side, a figure each."""


def parameters(plan: Plan) -> dict[str, Any]:
    """Return everything in the campaign that the comparison depends on."""
    return {"formats": list(plan.campaign.figures.formats), "keep_going": plan.keep_going}


def run(plan: Plan, devices: Sequence[str], failed: Mapping[str, tuple[str, list[str]]]) -> Outcome:
    """Compare the devices that worked: results/comparison.nc, numbers.csv and a figure for each compared curve."""
    from anechain.figures.comparison import comparison_figure

    del failed
    inputs = [
        one
        for device in devices
        for name, one in inputs_of(plan, device, "derive", f"{device}/").items()
        if name == "curves.nc"
    ]
    formats = plan.campaign.figures.formats
    contract_name = contract.load("comparison").name
    settings = {"devices": list(devices), "methods": versions(_CURVE_USES), "contract": contract_name}
    receipt = make_receipt("compare", VERSION, settings, inputs)
    target = plan.results / "comparison.nc"
    made = keep_dataset(
        target,
        receipt,
        "comparison",
        "comparison",
        lambda: compared({device: read_dataset(plan.results / device / "curves.nc") for device in devices}),
    )
    comparison = read_dataset(target)
    table, made_table = _write_numbers(plan, devices)
    outputs, made = [target, table], made or made_table
    source = Input("comparison.nc", sha256_file(target), read_receipt(target))
    for what in compared_figures(comparison):
        paths = figure_paths(plan.results, f"comparison-{what}", formats)
        stamp = {"figure": "comparison", "what": what, "formats": list(formats)}
        figure_receipt = make_receipt("figure", DRAW_VERSION, stamp, [source])
        made |= update_figure(paths, figure_receipt, partial(comparison_figure, comparison, what))
        outputs.extend(paths.values())
    distortion, made_too = compare_distortion(plan, devices)
    limits, made_also = compare_limits(plan, devices)
    return Outcome(receipt["stamp"], (*outputs, *distortion, *limits), made or made_too or made_also)


def _write_numbers(plan: Plan, devices: Sequence[str]) -> tuple[Path, bool]:
    """Write the numbers of all devices as one table, results/numbers.csv; say whether it had to be made."""
    inputs = [
        one
        for device in devices
        for name, one in inputs_of(plan, device, "numbers", f"{device}/").items()
        if name == "numbers.json"
    ]
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
    """Which comparisons can be drawn: those for which at least one device has the curve."""
    return [what for what in COMPARED if what in comparison["curve"].values]


def compared(curves: Mapping[str, xr.Dataset]) -> xr.Dataset:
    """Return the `comparison` dataset of several `curves` datasets.

    Raises
    ------
    InputError
        If levels must be aligned and a device's data do not reach across the band for it.
    """
    import xarray as xr

    notes: list[str] = []
    kinds = {device: str(one.attrs["level_kind"]) for device, one in curves.items()}
    absolute = set(kinds.values()) == {"spl"}
    if not absolute:
        low, high = ALIGNMENT_BAND
        relative = ", ".join(str(curves[device].attrs["title"]) for device, kind in kinds.items() if kind == "relative")
        notes.append(
            f"only relative levels are known of {relative}: all devices are set to a mean of 0 dB on axis from "
            f"{low:g} to {high:g} Hz; their sensitivities are not compared"
        )
    grid = common_grid([one["frequency"].values for one in curves.values()])
    names = {
        dim: list(dict.fromkeys(n for one in curves.values() for n in one[dim].values)) for dim in ("curve", "index")
    }
    data: dict[str, Any] = {}
    for variable, dim in (("level", "curve"), ("directivity_index", "index")):
        values = np.full((len(curves), len(names[dim]), grid.size), np.nan)
        for row, (device, one) in enumerate(curves.items()):
            frequency = np.asarray(one["frequency"].values)
            step = 0.0
            if variable == "level" and not absolute:
                if "on_axis" not in one["curve"].values:
                    raise InputError.single(device, f"cannot be aligned in level: {_gap(one)}")
                step = alignment_step(frequency, one["level"].sel(curve="on_axis").values)
                if np.isnan(step):
                    raise InputError.single(
                        device, f"cannot be aligned in level: no data all across {low:g} to {high:g} Hz"
                    )
            for name in one[dim].values:
                at = names[dim].index(name)
                values[row, at] = resample(frequency, np.asarray(one[variable].sel({dim: name}).values), grid) + step
        data[variable] = (("device", dim, "frequency"), values)
    dataset = xr.Dataset(
        data,
        coords={
            "device": ("device", np.array(list(curves), dtype=object)),
            "title": ("device", np.array([str(one.attrs["title"]) for one in curves.values()], dtype=object)),
            "curve": ("curve", np.array(names["curve"], dtype=object)),
            "index": ("index", np.array(names["index"], dtype=object)),
            "frequency": grid,
        },
        attrs={"level_kind": "spl" if absolute else "relative", "notes": "\n".join(notes)},
    )
    first = next(iter(curves.values())).attrs
    # One campaign derives all its devices alike, and all absolute levels are referred to one distance and drive.
    dataset.attrs["smoothing"] = first["smoothing"]
    if absolute:
        dataset.attrs |= {"distance": first["distance"], "drive": first["drive"]}
    return contract.describe(dataset, "comparison")


def _gap(curves: xr.Dataset) -> str:
    import json

    return str(json.loads(curves.attrs["gaps"]).get("on_axis", "no on-axis curve"))
