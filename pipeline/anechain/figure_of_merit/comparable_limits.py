"""Which devices have usable limits on the same terms, so that they can be compared."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.nonlinear.distortion_at_level import MeasurementConditions, comparable_devices

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["ComparableLimits", "comparable_limits"]

_WIDEST = 1.0 / 3.0
"""Octaves by which the highest frequencies judged may lie apart. Common practice, no source."""


@dataclass(frozen=True)
class ComparableLimits:
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


def comparable_limits(compressions: Mapping[str, xr.Dataset], titles: Mapping[str, str]) -> ComparableLimits:
    """Choose the devices whose usable limits can be compared.

    Parameters
    ----------
    compressions : mapping of str to xarray.Dataset
        After the contract `compression`, by device, where there is one.
    titles : mapping of str to str
        Names in print of all devices.
    """
    chosen, refused = comparable_devices({device: _conditions(compressions.get(device)) for device in titles})
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
            device: f"it was judged up to {format_hertz(top)} Hz, the others up to {format_hertz(tops[held])} Hz"
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
    return ComparableLimits(chosen, left_out, tuple(notes))


def _conditions(compression: xr.Dataset | None) -> MeasurementConditions:
    if compression is None:
        return MeasurementConditions("spl", None, "", "its fundamental was not measured at two drives")
    attrs = compression.attrs
    reason = ""
    if "lowest_usable" not in compression:
        reason = str(json.loads(str(attrs["gaps"])).get("usable", "it has no usable limits"))
    elif not np.isfinite(compression["lowest_usable"].values + compression["usable_level"].values).any():
        reason = "it is not usable at any drive measured, by the limits chosen"
    distance = float(attrs["distance"]) if "distance" in attrs else None
    return MeasurementConditions(str(attrs["level_kind"]), distance, str(attrs.get("environment", "")), reason)
