"""Devices whose usable limits can be compared."""

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

_MAX_DIFFERENCE = 1.0 / 3.0
"""Largest difference in octaves of the highest frequencies with known distortion and compression. Common practice, no
source."""


@dataclass(frozen=True)
class ComparableLimits:
    """Devices whose usable limits were determined under the same conditions.

    Attributes
    ----------
    devices : tuple of str
        Ids; fewer than two if nothing can be compared.
    left_out : tuple of str
        A line for each of the other devices: why it cannot be compared.
    notes : tuple of str
        Notes on the comparison.
    """

    devices: tuple[str, ...]
    left_out: tuple[str, ...]
    notes: tuple[str, ...]


def comparable_limits(compressions: Mapping[str, xr.Dataset], titles: Mapping[str, str]) -> ComparableLimits:
    """Choose the devices whose usable limits can be compared.

    Parameters
    ----------
    compressions : mapping of str to xarray.Dataset
        Datasets of the contract `compression`, by device.
    titles : mapping of str to str
        Titles of all devices.
    """
    chosen, refused = comparable_devices({device: _conditions(compressions.get(device)) for device in titles})
    tops = {device: float(np.nanmax(compressions[device]["judged_to"].values)) for device in chosen}
    if tops:
        # A higher end of the band allows a failure at a higher frequency. So the ends must agree; most devices decide.
        similar = {
            device: [other for other, end in tops.items() if abs(np.log2(end / top)) <= _MAX_DIFFERENCE]
            for device, top in tops.items()
        }
        reference = max(similar, key=lambda device: len(similar[device]))
        chosen = tuple(similar[reference])
        refused |= {
            device: f"it was judged up to {format_hertz(top)} Hz, the others up to {format_hertz(tops[reference])} Hz"
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
