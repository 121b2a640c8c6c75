"""The dataset `comparison`: the curve sets of several devices on one frequency grid."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.comparison import ALIGNMENT_BAND, alignment_step, common_grid
from anechain.acoustics.curve.frequencies import resample
from anechain.acoustics.curve.frequency_text import format_frequency, format_hertz
from anechain.arrays import Floats
from anechain.data import contract
from anechain.figure_of_merit.comparison_notes import comparison_notes

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["COMPARED", "USES", "comparison_dataset", "valid_bands", "with_values_in_valid_bands"]

USES = ("common-grid", "level-alignment", "resample-log-frequency")
COMPARED = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
"""Curves of which a figure shows all devices."""
MIN_OCTAVES = 1.0
"""Smallest width in octaves of a proposed alignment band. Common practice, no source."""


def comparison_dataset(
    curves: Mapping[str, xr.Dataset], alignment_band: tuple[float, float] = ALIGNMENT_BAND
) -> xr.Dataset:
    """Return the dataset `comparison` of several devices.

    Parameters
    ----------
    curves : mapping of str to xarray.Dataset
        Datasets of the contract `curves`, by device.
    alignment_band : tuple of float
        Hz. If a device has relative levels, all devices are set to a mean of 0 dB on axis in this band.

    Returns
    -------
    xarray.Dataset
        A device that cannot be aligned has no levels, and the reason in the attribute `gaps`.
    """
    import xarray as xr

    absolute = all(str(curve_set.attrs["level_kind"]) == "spl" for curve_set in curves.values())
    steps, not_aligned = ({}, {}) if absolute else _alignment(curves, alignment_band)
    grid = common_grid([curve_set["frequency"].values for curve_set in curves.values()])
    names = {
        dimension: list(dict.fromkeys(name for curve_set in curves.values() for name in curve_set[dimension].values))
        for dimension in ("curve", "index")
    }
    variables: dict[str, Any] = {}
    for variable, dimension in (("level", "curve"), ("directivity_index", "index")):
        values = np.full((len(curves), len(names[dimension]), grid.size), np.nan)
        for row, (device, curve_set) in enumerate(curves.items()):
            if variable == "level" and device in not_aligned:
                continue
            frequency = np.asarray(curve_set["frequency"].values)
            step = steps.get(device, 0.0) if variable == "level" else 0.0
            for name in curve_set[dimension].values:
                curve = np.asarray(curve_set[variable].sel({dimension: name}).values)
                values[row, names[dimension].index(name)] = resample(frequency, curve, grid) + step
        variables[variable] = (("device", dimension, "frequency"), values)
    for end in ("valid_low", "valid_high"):
        ends = [float(curve_set.attrs.get(end, np.nan)) for curve_set in curves.values()]
        variables[end] = ("device", np.array(ends))
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
        attrs={
            "level_kind": "spl" if absolute else "relative",
            "notes": "\n".join(comparison_notes(curves, None if absolute else alignment_band, not_aligned)),
        },
    )
    dataset.attrs["gaps"] = json.dumps(_gaps(dataset, curves, not_aligned), sort_keys=True, ensure_ascii=False)
    # All devices of a campaign are derived in the same way, and all absolute levels refer to one distance and drive.
    attributes = next(iter(curves.values())).attrs
    dataset.attrs["smoothing"] = attributes["smoothing"]
    if absolute:
        dataset.attrs |= {"distance": attributes["distance"], "drive": attributes["drive"]}
    return contract.describe(dataset, "comparison")


def valid_bands(comparison: xr.Dataset) -> Floats:
    """Return the valid band of each device in Hz, shape (devices, 2); from 0 to infinity where none was stated."""
    low, high = (np.asarray(comparison[name].values, dtype=np.float64) for name in ("valid_low", "valid_high"))
    return np.stack([np.where(np.isnan(low), 0.0, low), np.where(np.isnan(high), np.inf, high)], axis=1)


def with_values_in_valid_bands(comparison: xr.Dataset) -> xr.Dataset:
    """Return the dataset `comparison` with the levels and indices of each device inside its valid band only."""
    frequency = np.asarray(comparison["frequency"].values, dtype=np.float64)
    bands = valid_bands(comparison)
    inside = (frequency >= bands[:, :1] * (1 - 1e-9)) & (frequency <= bands[:, 1:] * (1 + 1e-9))
    kept = comparison["level"].isel(curve=0, drop=True).copy(data=inside)
    return comparison.assign({name: comparison[name].where(kept) for name in ("level", "directivity_index")})


def _on_axis(curve_set: xr.Dataset) -> tuple[Floats, Floats]:
    """Return frequencies and levels on axis inside the valid band; empty without an on-axis curve."""
    if "on_axis" not in curve_set["curve"].values:
        return np.empty(0), np.empty(0)
    frequency = np.asarray(curve_set["frequency"].values, dtype=np.float64)
    level = np.asarray(curve_set["level"].sel(curve="on_axis").values, dtype=np.float64)
    low, high = (curve_set.attrs.get(name, end) for name, end in (("valid_low", 0.0), ("valid_high", np.inf)))
    known = np.isfinite(level) & (frequency >= low * (1 - 1e-9)) & (frequency <= high * (1 + 1e-9))
    return frequency[known], level[known]


def _alignment(curves: Mapping[str, xr.Dataset], band: tuple[float, float]) -> tuple[dict[str, float], dict[str, str]]:
    """Return the step in dB of each device that sets its mean level on axis to 0 dB, and why others have none."""
    on_axis = {device: _on_axis(curve_set) for device, curve_set in curves.items()}
    steps, reasons = {}, {}
    for device, (frequency, level) in on_axis.items():
        step = alignment_step(frequency, level, band) if frequency.size else np.nan
        if np.isfinite(step):
            steps[device] = float(step)
        elif not frequency.size:
            gaps = json.loads(str(curves[device].attrs["gaps"]))
            reasons[device] = f"cannot be aligned in level: {gaps.get('on_axis', 'no level on axis in its valid band')}"
        else:
            reasons[device] = (
                f"cannot be aligned in level from {band[0]:g} to {band[1]:g} Hz: known on axis from "
                f"{format_frequency(frequency[0])} to {format_frequency(frequency[-1])}; {_mend(on_axis)}"
            )
    return steps, reasons


def _mend(on_axis: Mapping[str, tuple[Floats, Floats]]) -> str:
    """Return which alignment band all devices have, or that there is none."""
    known = [frequency for frequency, _ in on_axis.values() if frequency.size]
    low, high = max(frequency[0] for frequency in known), min(frequency[-1] for frequency in known)
    if high < low * 2.0**MIN_OCTAVES:
        return (
            "there is no band of an octave that all devices have: measure with a known level, or compare it elsewhere"
        )
    return (
        "set comparison.alignment_band in the campaign to a band that all devices have, within "
        f"{format_hertz(low)} to {format_hertz(high)} Hz"
    )


def _gaps(
    dataset: xr.Dataset, curves: Mapping[str, xr.Dataset], not_aligned: Mapping[str, str]
) -> dict[str, dict[str, str]]:
    """Return the reason for each compared curve that a device does not have, by device and curve."""
    shown = np.isfinite(with_values_in_valid_bands(dataset)["level"].values).any(axis=-1)
    names = [str(name) for name in dataset["curve"].values]
    gaps: dict[str, dict[str, str]] = {}
    for row, (device, curve_set) in enumerate(curves.items()):
        own = json.loads(str(curve_set.attrs["gaps"]))
        for curve in COMPARED:
            if curve not in names or not shown[row, names.index(curve)]:
                reason = own.get(curve) or not_aligned.get(device) or "no value in its valid band"
                gaps.setdefault(device, {})[curve] = reason
    return gaps
