"""Part of stage compare: the distortion of several devices at equal levels, as far as they can be compared."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.comparison import common_grid
from anechain.acoustics.curve.frequencies import resample
from anechain.acoustics.nonlinear.distortion_at_level import MeasurementConditions, comparable_devices
from anechain.acoustics.nonlinear.harmonic_sums import harmonic_sum, percent_of_level
from anechain.arrays import Floats
from anechain.data import contract
from anechain.data.store import read_dataset, read_receipt, sha256_file
from anechain.figures.device_figure import level_slug
from anechain.figures.files import figure_paths, update_figure
from anechain.methods import versions
from anechain.receipts.receipt import Input, make_receipt
from anechain.running.plan import Plan
from anechain.stages.batch import inputs_of, keep_dataset
from anechain.stages.draw import VERSION as DRAW_VERSION

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["USES", "VERSION", "compare_distortion", "compared_distortion", "compared_distortion_figures"]

VERSION = 1
USES = ("common-grid", "distortion-comparability", "harmonic-sum", "resample-log-frequency")


def compare_distortion(plan: Plan, devices: Sequence[str]) -> tuple[list[Path], bool]:
    """Compare the distortion of the devices that have it: results/comparison-distortion.nc and a figure per level.

    Returns
    -------
    outputs : list of Path
        None, where fewer than two devices have it.
    made : bool
        Whether anything had to be made.
    """
    from anechain.figures.distortion_comparison import distortion_comparison_figure

    named = {device: inputs_of(plan, device, "distortion", f"{device}/").get("distortion.nc") for device in devices}
    inputs = {device: one for device, one in named.items() if one is not None}
    target = plan.results / "comparison-distortion.nc"
    if len(inputs) < 2:
        target.unlink(missing_ok=True)
        return [], False
    titles = {device: plan.campaign.devices[device].title for device in devices}
    contract_name = contract.load("distortion-comparison").name
    parameters = {"devices": titles, "methods": versions(USES), "contract": contract_name}
    receipt = make_receipt("compare-distortion", VERSION, parameters, inputs.values())
    made = keep_dataset(
        target,
        receipt,
        "distortion-comparison",
        "comparison-distortion",
        lambda: compared_distortion(
            {device: read_dataset(plan.results / device / "distortion.nc") for device in inputs}, titles
        ),
    )
    comparison = read_dataset(target)
    outputs = [target]
    source = Input("comparison-distortion.nc", sha256_file(target), read_receipt(target))
    formats = plan.campaign.figures.formats
    for name, level in compared_distortion_figures(comparison).items():
        paths = figure_paths(plan.results, name, formats)
        stamp = {"figure": "comparison-distortion", "level": level, "formats": list(formats)}
        figure_receipt = make_receipt("figure", DRAW_VERSION, stamp, [source])
        made |= update_figure(paths, figure_receipt, partial(distortion_comparison_figure, comparison, level))
        outputs.extend(paths.values())
    return outputs, made


def compared_distortion_figures(comparison: xr.Dataset) -> dict[str, float]:
    """Figures of a comparison of distortion by name, with their levels: those at which two devices can be compared."""
    percent = np.asarray(comparison["percent"].transpose("level", "device", "frequency").values)
    counts = np.isfinite(percent).any(axis=-1).sum(axis=-1)
    levels = [float(level) for level in comparison["level"].values]
    return {
        f"comparison-distortion-{level_slug(level)}": level
        for level, count in zip(levels, counts, strict=True)
        if count > 1
    }


def compared_distortion(distortions: Mapping[str, xr.Dataset], titles: Mapping[str, str]) -> xr.Dataset:
    """Return the `distortion-comparison` dataset of several `distortion` datasets.

    Parameters
    ----------
    distortions : mapping of str to xarray.Dataset
        By device; at least one, all of one campaign and so at the same levels.
    titles : mapping of str to str
        Names in print of all devices of the campaign: those without a dataset are named as not measured.
    """
    import xarray as xr

    first = next(iter(distortions.values()))
    levels = [float(level) for level in first["level"].values]
    grid = common_grid([one["frequency"].values for one in distortions.values()])
    shape = (len(levels), len(titles), grid.size)
    upper, lower = np.full(shape, np.nan), np.full(shape, np.nan)
    limit, highest = np.zeros(shape, dtype=np.int8), np.zeros((len(levels), grid.size), dtype=np.int64)
    refused: dict[str, dict[str, str]] = {}
    notes: dict[str, list[str]] = {}
    for at, level in enumerate(levels):
        key = f"{level:g}"
        chosen, why_not = comparable_devices({device: _conditions(one, key) for device, one in distortions.items()})
        absent = dict.fromkeys((device for device in titles if device not in distortions), "it was not measured")
        why_not |= absent
        refused[key] = {device: why_not[device] for device in titles if device in why_not}
        if not chosen:
            continue
        orders = {device: _on_grid(distortions[device].isel(level=at), grid) for device in chosen}
        last = np.min([_contiguous(one) for one in orders.values()], axis=0)
        highest[at] = last
        for device, (values, bounds) in orders.items():
            row = list(titles).index(device)
            for order in np.unique(last[last >= 2]):
                here = last == order
                part = slice(0, order - 1), here
                summed = harmonic_sum(values[part], bounds[part], range(2, order + 1), 2, order)
                upper[at, row, here] = percent_of_level(summed.upper_db)
                lower[at, row, here] = percent_of_level(summed.lower_db)
                limit[at, row, here] = summed.bound
        notes[key] = _notes({device: distortions[device] for device in chosen}, at, last)
    dataset = xr.Dataset(
        {
            "percent": (("level", "device", "frequency"), upper),
            "percent_least": (("level", "device", "frequency"), lower),
            "limit": (("level", "device", "frequency"), limit),
            "highest_order": (("level", "frequency"), highest),
        },
        coords={
            "device": ("device", np.array(list(titles), dtype=object)),
            "title": ("device", np.array(list(titles.values()), dtype=object)),
            "level": levels,
            "frequency": grid,
        },
        attrs={
            "refused": json.dumps(refused, sort_keys=True, ensure_ascii=False),
            "notes": json.dumps(notes, sort_keys=True, ensure_ascii=False),
            "band_low": float(first.attrs["band_low"]),
            "band_high": float(first.attrs["band_high"]),
        },
    )
    return contract.describe(dataset, "distortion-comparison")


def _conditions(distortion: xr.Dataset, level: str) -> MeasurementConditions:
    attrs = distortion.attrs
    gap = json.loads(str(attrs["gaps"])).get(level, "")
    distance = float(attrs["distance"]) if "distance" in attrs else None
    return MeasurementConditions(str(attrs["level_kind"]), distance, str(attrs.get("environment", "")), gap)


def _on_grid(one: xr.Dataset, grid: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Orders 2 and up on the grid, those not measured NaN; what lies between a limit and a value is a limit."""
    frequency = np.asarray(one["frequency"].values)
    harmonic, marked = np.asarray(one["harmonic"].values), np.asarray(one["harmonic_limit"].values)
    low, high = float(one.attrs.get("valid_low", 0.0)), float(one.attrs.get("valid_high", np.inf))
    measured = [int(order) for order in one["order"].values]
    values = np.full((measured[-1] - 1, grid.size), np.nan)
    bounds = np.zeros(values.shape, dtype=bool)
    for row, order in enumerate(measured):
        values[order - 2] = resample(frequency, harmonic[row], grid)
        bounds[order - 2] = np.interp(np.log(grid), np.log(frequency), marked[row]) > 0
    values[:, (grid < low * (1 - 1e-9)) | (grid > high * (1 + 1e-9))] = np.nan
    return values, bounds


def _contiguous(orders: tuple[Floats, NDArray[np.bool_]]) -> NDArray[np.int64]:
    """Highest order up to which all are there, by frequency; 0 where one is missing below another, or all are."""
    there = np.isfinite(orders[0])
    count = np.cumprod(there, axis=0).sum(axis=0)
    return np.where((count > 0) & (there.sum(axis=0) == count), count + 1, 0)


def _notes(chosen: Mapping[str, xr.Dataset], at: int, last: NDArray[np.int64]) -> list[str]:
    found: list[str] = []
    attrs = next(iter(chosen.values())).attrs
    found.append(f"Measured in: {attrs['environment']}." if "environment" in attrs else "Environment not stated.")
    distances = {float(one.attrs.get("measured_distance", np.nan)) for one in chosen.values()}
    if len(distances) > 1:
        listed = ", ".join(f"{distance:g} m" for distance in sorted(distances))
        found.append(f"Measured at different distances ({listed}), all referred to 1 m.")
    exact = {
        str(one.attrs["title"]): float(one["reached"].values[at])
        for one in chosen.values()
        if float(one["reached"].values[at]) != float(one["level"].values[at])
    }
    if exact:
        found.append("Nearest takes: " + ", ".join(f"{title} {level:.1f} dB" for title, level in exact.items()) + ".")
    if last.max(initial=0) >= 2:
        found.append(f"Orders up to {int(last.max())}, at each frequency those that all devices have.")
    return found
