"""Part of stage compare: how loud against how low, of the devices that can be compared, and why others cannot."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.curve.frequencies import hertz
from anechain.acoustics.nonlinear.distortion_at_level import Conditions, comparable
from anechain.data.store import read_dataset
from anechain.methods import versions
from anechain.receipts.receipt import make_receipt
from anechain.running.plan import Plan
from anechain.stages.batch import inputs_of
from anechain.stages.draw import VERSION as DRAW_VERSION
from anechain.stages.draw import figure_paths, keep_figure

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["FIGURE", "USES", "ComparedLimits", "compare_limits", "compared_limits"]

FIGURE = "comparison-usable"
USES = ("distortion-comparability",)

_WIDEST = 1.0 / 3.0
"""Octaves by which the highest frequencies judged may lie apart. Common practice, no source."""


@dataclass(frozen=True)
class ComparedLimits:
    """Devices whose usable limits hold on the same terms.

    Attributes
    ----------
    devices : tuple of str
        Ids; fewer than two if nothing can be compared.
    left_out : tuple of str
        Which others cannot be compared, and why, a line each.
    notes : tuple of str
        What has to be said of those that are.
    """

    devices: tuple[str, ...]
    left_out: tuple[str, ...]
    notes: tuple[str, ...]


def compared_limits(compressions: Mapping[str, xr.Dataset], titles: Mapping[str, str]) -> ComparedLimits:
    """Choose the devices whose usable limits can be compared.

    Parameters
    ----------
    compressions : mapping of str to xarray.Dataset
        After the contract `compression`, by device, where there is one.
    titles : mapping of str to str
        Names in print of all devices.
    """
    chosen, refused = comparable({device: _conditions(compressions.get(device)) for device in titles})
    tops = {device: float(np.nanmax(compressions[device]["judged_to"].values)) for device in chosen}
    if tops:
        # What is judged further up can fail further up, so the band has to be the same: that of most devices is held.
        alike = {
            device: [one for one, end in tops.items() if abs(np.log2(end / top)) <= _WIDEST]
            for device, top in tops.items()
        }
        held = max(alike, key=lambda device: len(alike[device]))
        chosen = tuple(alike[held])
        refused |= {
            device: f"it was judged up to {hertz(top)} Hz, the others up to {hertz(tops[held])} Hz"
            for device, top in tops.items()
            if device not in chosen
        }
    measured = {device: compressions[device].attrs.get("measured_distance") for device in chosen}
    notes = []
    if len(set(measured.values())) > 1:
        listed = ", ".join(
            f"{titles[device]} {'not known' if metres is None else f'{float(metres):g} m'}"
            for device, metres in measured.items()
        )
        notes.append(
            f"Measured at different distances ({listed}), all referred to the same by the inverse distance law."
        )
    left_out = tuple(f"{titles[device]}, since {refused[device]}" for device in titles if device in refused)
    return ComparedLimits(chosen, left_out, tuple(notes))


def compare_limits(plan: Plan, devices: Sequence[str]) -> tuple[list[Path], bool]:
    """Draw how loud against how low of the devices that can be compared."""
    from anechain.figures.usable_limits import usable_comparison_figure

    named = {device: inputs_of(plan, device, "compression", f"{device}/").get("compression.nc") for device in devices}
    inputs = {device: one for device, one in named.items() if one is not None}
    titles = {device: plan.campaign.devices[device].title for device in devices}
    data = {device: read_dataset(plan.results / device / "compression.nc") for device in inputs}
    found = compared_limits(data, titles)
    formats = plan.campaign.figures.formats
    paths = figure_paths(plan, FIGURE, formats)
    if len(found.devices) < 2:
        for path in paths.values():
            path.unlink(missing_ok=True)
        return [], False
    stamp = {"figure": FIGURE, "devices": titles, "formats": list(formats), "methods": versions(USES)}
    receipt = make_receipt("figure", DRAW_VERSION, stamp, inputs.values())
    chosen = [data[device] for device in found.devices]
    made = keep_figure(paths, receipt, lambda: usable_comparison_figure(chosen, found.left_out, found.notes))
    return list(paths.values()), made


def _conditions(compression: xr.Dataset | None) -> Conditions:
    if compression is None:
        return Conditions("spl", None, "", "its fundamental was not measured at two drives")
    attrs = compression.attrs
    reason = ""
    if "lowest_usable" not in compression:
        reason = str(json.loads(str(attrs["gaps"])).get("usable", "it has no usable limits"))
    elif not np.isfinite(compression["lowest_usable"].values + compression["usable_level"].values).any():
        reason = "it is not usable at any drive measured, by the limits chosen"
    distance = float(attrs["distance"]) if "distance" in attrs else None
    return Conditions(str(attrs["level_kind"]), distance, str(attrs.get("environment", "")), reason)
