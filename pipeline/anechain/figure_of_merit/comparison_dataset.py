"""The dataset `comparison`: the curve sets of several devices on one frequency grid."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.comparison import ALIGNMENT_BAND, alignment_step, common_grid
from anechain.acoustics.curve.frequencies import resample
from anechain.data import contract
from anechain.errors import InputError

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["USES", "comparison_dataset"]

USES = ("common-grid", "level-alignment", "resample-log-frequency")


def comparison_dataset(curves: Mapping[str, xr.Dataset]) -> xr.Dataset:
    """Return the dataset `comparison` of several devices.

    Parameters
    ----------
    curves : mapping of str to xarray.Dataset
        Datasets of the contract `curves`, by device.

    Raises
    ------
    InputError
        If levels must be aligned, and a device has no data in the whole alignment band.
    """
    import xarray as xr

    notes: list[str] = []
    level_kinds = {device: str(curve_set.attrs["level_kind"]) for device, curve_set in curves.items()}
    absolute = set(level_kinds.values()) == {"spl"}
    if not absolute:
        low, high = ALIGNMENT_BAND
        relative = ", ".join(
            str(curves[device].attrs["title"]) for device, kind in level_kinds.items() if kind == "relative"
        )
        notes.append(
            f"only relative levels are known of {relative}: all devices are set to a mean of 0 dB on axis from "
            f"{low:g} to {high:g} Hz; their sensitivities are not compared"
        )
    grid = common_grid([curve_set["frequency"].values for curve_set in curves.values()])
    names = {
        dimension: list(dict.fromkeys(name for curve_set in curves.values() for name in curve_set[dimension].values))
        for dimension in ("curve", "index")
    }
    variables: dict[str, Any] = {}
    for variable, dimension in (("level", "curve"), ("directivity_index", "index")):
        values = np.full((len(curves), len(names[dimension]), grid.size), np.nan)
        for row, (device, curve_set) in enumerate(curves.items()):
            frequency = np.asarray(curve_set["frequency"].values)
            step = _alignment_step(device, curve_set) if variable == "level" and not absolute else 0.0
            for name in curve_set[dimension].values:
                curve = np.asarray(curve_set[variable].sel({dimension: name}).values)
                values[row, names[dimension].index(name)] = resample(frequency, curve, grid) + step
        variables[variable] = (("device", dimension, "frequency"), values)
    titles = [str(curve_set.attrs["title"]) for curve_set in curves.values()]
    dataset = xr.Dataset(
        variables,
        coords={
            "device": ("device", np.array(list(curves), dtype=object)),
            "title": ("device", np.array(titles, dtype=object)),
            "curve": ("curve", np.array(names["curve"], dtype=object)),
            "index": ("index", np.array(names["index"], dtype=object)),
            "frequency": grid,
        },
        attrs={"level_kind": "spl" if absolute else "relative", "notes": "\n".join(notes)},
    )
    # All devices of a campaign are derived in the same way, and all absolute levels refer to one distance and drive.
    attributes = next(iter(curves.values())).attrs
    dataset.attrs["smoothing"] = attributes["smoothing"]
    if absolute:
        dataset.attrs |= {"distance": attributes["distance"], "drive": attributes["drive"]}
    return contract.describe(dataset, "comparison")


def _alignment_step(device: str, curve_set: xr.Dataset) -> float:
    """Return the step in dB that sets the mean level on axis in the alignment band to 0 dB."""
    if "on_axis" not in curve_set["curve"].values:
        gap = json.loads(curve_set.attrs["gaps"]).get("on_axis", "no on-axis curve")
        raise InputError.single(device, f"cannot be aligned in level: {gap}")
    frequency = np.asarray(curve_set["frequency"].values)
    step = alignment_step(frequency, curve_set["level"].sel(curve="on_axis").values)
    if np.isnan(step):
        low, high = ALIGNMENT_BAND
        raise InputError.single(device, f"cannot be aligned in level: no data all across {low:g} to {high:g} Hz")
    return step
