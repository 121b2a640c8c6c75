"""The dataset `distortion-comparison`: the distortion of several devices at equal levels."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.comparison import common_grid
from anechain.acoustics.curve.frequencies import resample
from anechain.acoustics.nonlinear.distortion_at_level import MeasurementConditions, comparable_devices
from anechain.acoustics.nonlinear.harmonic_sums import harmonic_sum, percent_of_level
from anechain.arrays import Floats
from anechain.data import contract

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["USES", "distortion_comparison"]

USES = ("common-grid", "distortion-comparability", "harmonic-sum", "resample-log-frequency")


def distortion_comparison(distortions: Mapping[str, xr.Dataset], titles: Mapping[str, str]) -> xr.Dataset:
    """Return the dataset `distortion-comparison` of several devices, at the levels that at least two of them reach.

    Parameters
    ----------
    distortions : mapping of str to xarray.Dataset
        Datasets of the contract `distortion` by device; at least one, all of one campaign. Their levels may differ.
    titles : mapping of str to str
        Names in print of all devices of the campaign: those without a dataset are reported as not measured.
    """
    import xarray as xr

    first = next(iter(distortions.values()))
    levels = _compared_levels(distortions)
    grid = common_grid([distortion["frequency"].values for distortion in distortions.values()])
    shape = (len(levels), len(titles), grid.size)
    upper, lower = np.full(shape, np.nan), np.full(shape, np.nan)
    limit, highest = np.zeros(shape, dtype=np.int8), np.zeros((len(levels), grid.size), dtype=np.int64)
    refused: dict[str, dict[str, str]] = {}
    notes: dict[str, list[str]] = {}
    not_measured = dict.fromkeys((device for device in titles if device not in distortions), "it was not measured")
    for level_row, level in enumerate(levels):
        key = f"{level:g}"
        chosen, reasons = comparable_devices(
            {device: _conditions(distortion, level) for device, distortion in distortions.items()}
        )
        reasons |= not_measured
        refused[key] = {device: reasons[device] for device in titles if device in reasons}
        if not chosen:
            continue
        orders = {device: _orders_on_grid(distortions[device].sel(level=level), grid) for device in chosen}
        last = np.min([_highest_contiguous_order(values) for values, _ in orders.values()], axis=0)
        highest[level_row] = last
        for device, (values, bounds) in orders.items():
            row = list(titles).index(device)
            for order in np.unique(last[last >= 2]):
                columns = last == order
                part = slice(0, order - 1), columns
                total = harmonic_sum(values[part], bounds[part], range(2, order + 1), 2, order)
                upper[level_row, row, columns] = percent_of_level(total.upper_db)
                lower[level_row, row, columns] = percent_of_level(total.lower_db)
                limit[level_row, row, columns] = total.bound
        notes[key] = _notes({device: distortions[device].sel(level=level) for device in chosen}, last)
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


def _compared_levels(distortions: Mapping[str, xr.Dataset]) -> list[float]:
    """Return the levels that at least two devices reach; all levels if there are none."""
    reached: dict[float, int] = {}
    for distortion in distortions.values():
        gaps = json.loads(str(distortion.attrs["gaps"]))
        for level in (float(value) for value in distortion["level"].values):
            reached[level] = reached.get(level, 0) + (f"{level:g}" not in gaps)
    return sorted(level for level, count in reached.items() if count > 1) or sorted(reached)


def _conditions(distortion: xr.Dataset, level: float) -> MeasurementConditions:
    attributes = distortion.attrs
    gap = json.loads(str(attributes["gaps"])).get(f"{level:g}", "")
    if not gap and level not in distortion["level"].values:
        gap = _not_reached(distortion, level)
    distance = float(attributes["distance"]) if "distance" in attributes else None
    return MeasurementConditions(str(attributes["level_kind"]), distance, str(attributes.get("environment", "")), gap)


def _not_reached(distortion: xr.Dataset, level: float) -> str:
    """Return why a device has no distortion at a level at which others have it."""
    known = [float(value) for value in distortion["take_level"].values if np.isfinite(value)]
    if not known:
        return next(iter(json.loads(str(distortion.attrs["gaps"])).values()), "no take has a level")
    return f"{level:g} dB is outside what was measured: takes from {min(known):.1f} to {max(known):.1f} dB"


def _orders_on_grid(distortion: xr.Dataset, grid: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Return orders 2 and up on the grid, NaN where not measured, and which values are upper limits.

    A value that is interpolated between an upper limit and a value is an upper limit.
    """
    frequency = np.asarray(distortion["frequency"].values)
    harmonic, is_limit = np.asarray(distortion["harmonic"].values), np.asarray(distortion["harmonic_limit"].values)
    low, high = float(distortion.attrs.get("valid_low", 0.0)), float(distortion.attrs.get("valid_high", np.inf))
    measured_orders = [int(order) for order in distortion["order"].values]
    values = np.full((measured_orders[-1] - 1, grid.size), np.nan)
    bounds = np.zeros(values.shape, dtype=bool)
    for row, order in enumerate(measured_orders):
        values[order - 2] = resample(frequency, harmonic[row], grid)
        bounds[order - 2] = np.interp(np.log(grid), np.log(frequency), is_limit[row]) > 0
    values[:, (grid < low * (1 - 1e-9)) | (grid > high * (1 + 1e-9))] = np.nan
    return values, bounds


def _highest_contiguous_order(values: Floats) -> NDArray[np.int64]:
    """Return the highest order by frequency; 0 if there is none, or if a lower order is missing."""
    present = np.isfinite(values)
    count = np.cumprod(present, axis=0).sum(axis=0)
    return np.where((count > 0) & (present.sum(axis=0) == count), count + 1, 0)


def _notes(distortions: Mapping[str, xr.Dataset], last: NDArray[np.int64]) -> list[str]:
    attributes = next(iter(distortions.values())).attrs
    notes = [f"Measured in: {attributes['environment']}." if "environment" in attributes else "Environment not stated."]
    distances = {float(distortion.attrs.get("measured_distance", np.nan)) for distortion in distortions.values()}
    if len(distances) > 1:
        listed = ", ".join(f"{distance:g} m" for distance in sorted(distances))
        notes.append(f"Measured at different distances ({listed}), all referred to 1 m.")
    nearest = {
        str(distortion.attrs["title"]): float(distortion["reached"].values)
        for distortion in distortions.values()
        if float(distortion["reached"].values) != float(distortion["level"].values)
    }
    if nearest:
        notes.append("Nearest takes: " + ", ".join(f"{title} {level:.1f} dB" for title, level in nearest.items()) + ".")
    if last.max(initial=0) >= 2:
        notes.append(f"Orders up to {int(last.max())}, at each frequency those that all devices have.")
    return notes
