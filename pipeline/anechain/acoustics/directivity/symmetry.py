"""Directions of an orbit that follow from a declared symmetry of the device."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.directivity.directions import wrap_angle
from anechain.acoustics.directivity.orbits import SAME_ANGLE
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["SYMMETRIES", "MirroredOrbits", "mirrored_orbits"]

SYMMETRIES = {"left/right": "horizontal", "up/down": "vertical"}
"""Orbit on which a symmetry mirrors directions. The other orbit lies in the plane of symmetry."""


class MirroredOrbits(NamedTuple):
    """Orbits with the mirrored directions.

    Attributes
    ----------
    angles : numpy.ndarray, shape (m,)
        Degrees, ascending: the measured angles, and those of mirrored directions.
    source : numpy.ndarray of int, shape (plane, m)
        Index of the measured angle whose levels a direction has; -1 where it has none.
    mirrored : numpy.ndarray of bool, shape (plane, m)
        Which directions were not measured, but are mirrored.
    """

    angles: Floats
    source: NDArray[np.intp]
    mirrored: NDArray[np.bool_]


@method(
    "declared-symmetry",
    version=1,
    title="Directions mirrored by the declared symmetry of a device",
    formula="The level at -a is that at a, if -a was not measured",
    source="mirror image of a symmetric device: left/right on the horizontal orbit, up/down on the vertical orbit",
    source_status="common practice, no source",
    limitations="The symmetry is declared, not measured. A microphone or a reference axis off the plane of symmetry, "
    "and drive units that differ, break it.",
)
def mirrored_orbits(
    planes: Sequence[str], angles: ArrayLike, measured: ArrayLike, symmetry: Collection[str]
) -> MirroredOrbits:
    """Return which directions follow from a declared symmetry.

    Parameters
    ----------
    planes : sequence of str
        Planes of the first axis.
    angles : array_like, shape (n,)
        Degrees, each once.
    measured : array_like of bool, shape (plane, n)
        True where the direction was measured.
    symmetry : collection of str
        Some of SYMMETRIES.

    Returns
    -------
    MirroredOrbits
        0 and 180 degrees are not mirrored. A measured direction is never replaced.

    Raises
    ------
    ValueError
        If a symmetry is unknown.
    """
    if unknown := set(symmetry) - set(SYMMETRIES):
        raise ValueError(f"symmetry must be among {', '.join(SYMMETRIES)}, not {', '.join(sorted(unknown))}")
    at, known = np.asarray(angles, dtype=np.float64), np.asarray(measured, dtype=np.bool_)
    mirror_planes = [row for row, plane in enumerate(planes) if plane in {SYMMETRIES[name] for name in symmetry}]
    added = [
        float(wrap_angle(-angle)) + 0.0
        for row in mirror_planes
        for angle in at[known[row]]
        if not (np.abs(wrap_angle(at + angle)) < SAME_ANGLE).any()
    ]
    every = np.concatenate([at, np.unique(np.round(added, 6))])
    order = np.argsort(every)
    source = np.where(known, np.arange(at.size), -1)
    source = np.concatenate([source, np.full((len(planes), every.size - at.size), -1)], axis=1)[:, order]
    every, mirrored = every[order], np.zeros(source.shape, dtype=np.bool_)
    for row in mirror_planes:
        for column in np.flatnonzero(source[row] < 0):
            opposite = np.flatnonzero(known[row] & (np.abs(wrap_angle(at + every[column])) < SAME_ANGLE))
            if opposite.size:
                source[row, column], mirrored[row, column] = opposite[0], True
    return MirroredOrbits(every, source.astype(np.intp), mirrored)
