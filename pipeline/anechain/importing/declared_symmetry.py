"""Responses with the directions that follow from a declared symmetry of the device."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.directivity.symmetry import SYMMETRIES, mirrored_orbits
from anechain.arrays import Floats
from anechain.data import contract

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["with_declared_symmetry"]

_COPIED = ("level", "phase", "arrival", "level_std", "takes")


def with_declared_symmetry(responses: xr.Dataset, symmetry: Collection[str], report: list[str]) -> xr.Dataset:
    """Mirror the directions that were measured on one side only.

    Parameters
    ----------
    responses : xarray.Dataset
        Dataset of the contract `responses`; it is not changed.
    symmetry : collection of str
        Declared symmetry: "left/right", "up/down" or both.
    report : list of str
        A line is added for each declared symmetry.

    Returns
    -------
    xarray.Dataset
        The same, with `mirrored` (plane, angle) and the attribute `mirrored_directions`, if any direction is mirrored.
    """
    import xarray as xr

    planes = [str(plane) for plane in responses["plane"].values]
    measured = np.asarray(responses["measured"].transpose("plane", "angle").values) == 1
    found = mirrored_orbits(planes, responses["angle"].values, measured, symmetry)
    texts = []
    for name in (name for name in SYMMETRIES if name in symmetry):
        plane = SYMMETRIES[name]
        angles = found.angles[found.mirrored[planes.index(plane)]] if plane in planes else found.angles[:0]
        if angles.size:
            texts.append(f"{plane} {_listed(angles)} ({name})")
            report.append(f"declared symmetric {name}: {plane} {_listed(angles)} mirrored from the other side")
        elif plane in planes:
            report.append(f"declared symmetric {name}: no {plane} direction is mirrored, the measured levels are used")
        else:
            report.append(f"declared symmetric {name}: not used, the {plane} orbit was not measured")
    if not texts:
        return responses
    rows = np.arange(len(planes))[:, np.newaxis]
    present = found.source >= 0
    variables: dict[str, tuple[tuple[str, ...], NDArray[Any]]] = {
        "measured": (("plane", "angle"), (present & ~found.mirrored).astype(np.int8))
    }
    variables["mirrored"] = ("plane", "angle"), found.mirrored.astype(np.int8)
    for name in (name for name in _COPIED if name in responses):
        dims = [str(dim) for dim in ("plane", "angle", "frequency") if dim in responses[name].dims]
        values = np.asarray(responses[name].transpose(*dims).values)[rows, np.maximum(found.source, 0)]
        empty = 0 if values.dtype.kind in "iu" else np.nan
        keep = present if values.ndim == 2 else present[..., np.newaxis]
        variables[name] = tuple(dims), np.where(keep, values, empty).astype(values.dtype)
    mirrored = xr.Dataset(
        variables,
        coords={"plane": planes, "angle": found.angles, "frequency": responses["frequency"].values},
        attrs={**responses.attrs, "mirrored_directions": "; ".join(texts)},
    )
    return contract.describe(mirrored, "responses")


def _listed(angles: Floats) -> str:
    """Return rising angles in print, as a range where there are more than two."""
    texts: Sequence[str] = [f"{angle:g}°" for angle in angles]
    return " and ".join(texts) if len(texts) < 3 else f"{texts[0]} to {texts[-1]} ({len(texts)} directions)"
