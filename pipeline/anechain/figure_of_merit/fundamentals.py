"""Fundamentals of a device at rising drives, from harmonics, takes or both."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.nonlinear.relative_orders import order_noise
from anechain.acoustics.recording.take_differences import spread_of_takes
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
    """Fundamentals at rising drives, and their noise.

    Attributes
    ----------
    made_of : str
        "harmonics", "takes" or "harmonics and takes".
    drive : numpy.ndarray, shape (drives,)
        V r.m.s., ascending.
    frequency : numpy.ndarray, shape (n,)
        Hz.
    level, noise : numpy.ndarray, shape (drives, n)
        dB; NaN where not known.
    silence : numpy.ndarray, shape (drives, n)
        Noise without a response, dB; NaN where not known.
    spread : numpy.ndarray or None, shape (drives, n)
        Standard deviation of repeated takes, dB; NaN where no take was repeated.
    attributes : mapping
        Attributes of the dataset.
    """

    made_of: str
    drive: Floats
    frequency: Floats
    level: Floats
    noise: Floats
    silence: Floats
    spread: Floats | None
    attributes: Mapping[str, Any]


def drives_of(dataset: xr.Dataset, name: str) -> list[float]:
    """Return the drives with a fundamental, ascending."""
    drives = np.asarray(dataset["drive"].values, dtype=np.float64)
    if name == "harmonics":
        return [float(volt) for volt in drives] if 1 in dataset["order"].values else []
    return [float(drives[row]) for row in first_take_of_each_drive(drives)]


def inside(dataset: xr.Dataset) -> NDArray[np.bool_]:
    """Return which frequencies are in the valid band of a dataset; all if it states no valid band."""
    frequency = np.asarray(dataset["frequency"].values, dtype=np.float64)
    low, high = dataset.attrs.get("valid_low", 0.0), dataset.attrs.get("valid_high", np.inf)
    return np.asarray((frequency >= low) & (frequency <= high))


def beyond_band(harmonics: xr.Dataset) -> NDArray[np.bool_]:
    """Return which orders 2 and up have a frequency above the valid band, shape (order, frequency)."""
    frequency = np.asarray(harmonics["frequency"].values, dtype=np.float64)
    orders = np.asarray(harmonics["order"].values)[:, np.newaxis]
    highest = float(harmonics.attrs.get("valid_high", np.inf)) * (1 + 1e-9)
    return np.asarray((orders > 1) & (orders * frequency > highest))


def of_harmonics(harmonics: xr.Dataset) -> Fundamentals:
    """Return the fundamentals of a `harmonics` dataset; NaN outside its valid band."""
    first = harmonics.sel(order=1).transpose("drive", "frequency")
    level = np.where(inside(harmonics), np.asarray(first["level"].values, dtype=np.float64), np.nan)
    std = np.asarray(first["level_std"].values, dtype=np.float64) if "level_std" in first else None
    silence = np.asarray(first["noise"].values, dtype=np.float64)
    noise = order_noise(level, silence, std)
    frequency, drive = (np.asarray(harmonics[name].values, dtype=np.float64) for name in ("frequency", "drive"))
    return Fundamentals("harmonics", drive, frequency, level, noise, silence, std, harmonics.attrs)


def of_takes(takes: xr.Dataset) -> Fundamentals:
    """Return the fundamentals of a `takes` dataset: the first take at each drive."""
    rows = list(first_take_of_each_drive(takes["drive"].values))
    level = np.asarray(takes["level"].transpose("take", "frequency").values, dtype=np.float64)
    level = np.where(inside(takes), level, np.nan)
    frequency, drive = (np.asarray(takes[name].values, dtype=np.float64) for name in ("frequency", "drive"))
    not_known = np.full(level[rows].shape, np.nan)
    spread = spread_of_takes(frequency, level, drive)
    return Fundamentals("takes", drive[rows], frequency, level[rows], not_known, not_known, spread, takes.attrs)


def with_first_takes(joined: Fundamentals, first: Fundamentals) -> Fundamentals:
    """Return fundamentals with the levels of the first take at each drive instead of those of joined takes.

    The coil is still warm in a take that repeats a drive at the end: joined with the first take, it would shift the
    reference of all other drives. The spread of the takes is taken about the change of each whole take, so that drift
    and heat do not count as noise.
    """
    same_grid = first.level.shape == joined.level.shape and np.allclose(
        first.frequency, joined.frequency, rtol=1e-9, atol=0
    )
    if not same_grid or not np.allclose(first.drive, joined.drive, rtol=1e-6, atol=0):
        return joined
    # Where the first take has no value, the joined level stays.
    level = np.where(np.isfinite(first.level), first.level, joined.level)
    noise = order_noise(level, joined.silence, first.spread)
    return replace(joined, made_of="harmonics and takes", level=level, noise=noise, spread=first.spread)


def unequal(takes: Mapping[str, Any], harmonics: Mapping[str, Any]) -> list[str]:
    """Return a note for each condition in which takes and harmonics differ."""
    return [
        f"unequal conditions: {name.replace('_', ' ')} is {takes.get(name, 'not known')} of the takes, "
        f"{harmonics.get(name, 'not known')} of the harmonics"
        for name in ("level_kind", "measured_distance", "environment")
        if takes.get(name) != harmonics.get(name)
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
