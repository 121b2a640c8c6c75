"""The fundamentals of a device at rising drives, from harmonics, takes or both."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.nonlinear.relative_orders import order_noise
from anechain.acoustics.recording.take_order import first_take_of_each_drive
from anechain.arrays import Floats

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "NO_HARMONICS",
    "Fundamentals",
    "beyond_band",
    "compression_gap",
    "drives_of",
    "inside",
    "of_harmonics",
    "of_takes",
    "unequal",
    "with_first_takes",
]

NO_HARMONICS = "not measured: no raw files of its harmonics"
"""Gap of a device without harmonics."""


@dataclass(frozen=True)
class Fundamentals:
    """Fundamentals at rising drives and what is known of their noise."""

    made_of: str
    drive: Floats
    frequency: Floats
    level: Floats
    noise: Floats
    attributes: Mapping[str, Any]


def drives_of(dataset: xr.Dataset, name: str) -> list[float]:
    """Drives at which there is a fundamental, rising."""
    drives = np.asarray(dataset["drive"].values, dtype=np.float64)
    if name == "harmonics":
        return [float(volt) for volt in drives] if 1 in dataset["order"].values else []
    return [float(drives[row]) for row in first_take_of_each_drive(drives)]


def inside(dataset: xr.Dataset) -> NDArray[np.bool_]:
    """Which frequencies lie in the valid band of a dataset; all where none is stated."""
    frequency = np.asarray(dataset["frequency"].values, dtype=np.float64)
    low, high = dataset.attrs.get("valid_low", 0.0), dataset.attrs.get("valid_high", np.inf)
    return np.asarray((frequency >= low) & (frequency <= high))


def beyond_band(harmonics: xr.Dataset) -> NDArray[np.bool_]:
    """Which orders sound above the valid band, shape (order, frequency); the fundamental is none of them."""
    frequency = np.asarray(harmonics["frequency"].values, dtype=np.float64)
    orders = np.asarray(harmonics["order"].values)[:, np.newaxis]
    highest = float(harmonics.attrs.get("valid_high", np.inf)) * (1 + 1e-9)
    return np.asarray((orders > 1) & (orders * frequency > highest))


def of_harmonics(harmonics: xr.Dataset) -> Fundamentals:
    """Fundamentals of a `harmonics` dataset, missing outside its valid band."""
    first = harmonics.sel(order=1).transpose("drive", "frequency")
    level = np.where(inside(harmonics), np.asarray(first["level"].values, dtype=np.float64), np.nan)
    std = np.asarray(first["level_std"].values, dtype=np.float64) if "level_std" in first else None
    noise = order_noise(level, np.asarray(first["noise"].values, dtype=np.float64), std)
    frequency, drive = (np.asarray(harmonics[name].values, dtype=np.float64) for name in ("frequency", "drive"))
    return Fundamentals("harmonics", drive, frequency, level, noise, harmonics.attrs)


def of_takes(takes: xr.Dataset) -> Fundamentals:
    """Fundamentals of a `takes` dataset: the first take at each drive."""
    rows = list(first_take_of_each_drive(takes["drive"].values))
    level = np.asarray(takes["level"].transpose("take", "frequency").values, dtype=np.float64)[rows]
    level = np.where(inside(takes), level, np.nan)
    frequency = np.asarray(takes["frequency"].values, dtype=np.float64)
    drive = np.asarray(takes["drive"].values, dtype=np.float64)[rows]
    return Fundamentals("takes", drive, frequency, level, np.full(level.shape, np.nan), takes.attrs)


def with_first_takes(given: Fundamentals, first: Fundamentals) -> Fundamentals:
    """Fundamentals of the first take at each drive, in place of those that joined takes give.

    A level that is repeated last has heat in it: joined with the first it would shift what all others are held against.
    """
    alike = first.level.shape == given.level.shape and np.allclose(first.frequency, given.frequency, rtol=1e-9, atol=0)
    if not alike or not np.allclose(first.drive, given.drive, rtol=1e-6, atol=0):
        return given
    # A first take without a value at some frequency keeps the joined one.
    level = np.where(np.isfinite(first.level), first.level, given.level)
    return replace(given, made_of="harmonics and takes", level=level)


def unequal(one: Mapping[str, Any], other: Mapping[str, Any]) -> list[str]:
    """Conditions in which the takes and the harmonics differ."""
    return [
        f"unequal conditions: {name.replace('_', ' ')} is {one.get(name, 'not known')} of the takes, "
        f"{other.get(name, 'not known')} of the harmonics"
        for name in ("level_kind", "measured_distance", "environment")
        if one.get(name) != other.get(name)
    ]


def compression_gap(data: Mapping[str, xr.Dataset]) -> str:
    """Return why there is no compression; empty if there is.

    Parameters
    ----------
    data : mapping of str to xarray.Dataset
        "harmonics" and "takes" of a device, those that exist.
    """
    if not {"harmonics", "takes"} & data.keys():
        return "compression needs the fundamental at two drives or more: no harmonics and no takes were imported"
    drives = {len(drives_of(data[name], name)) for name in ("harmonics", "takes") if name in data}
    if max(drives) < 2:
        return "compression needs the fundamental at two drives or more: it was measured at fewer"
    return ""
