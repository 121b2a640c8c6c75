"""Squared pressure of the measured directions of both orbits."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import power_of_level
from anechain.acoustics.directivity.direction_lists import (
    POLES,
    Direction,
)
from anechain.acoustics.directivity.directions import PLANES, wrap_angle
from anechain.arrays import Floats

__all__ = ["MeasuredOrbits", "measured_orbits"]


@dataclass(frozen=True)
class MeasuredOrbits:
    """Squared pressure of the measured directions of both orbits.

    Attributes
    ----------
    power : numpy.ndarray, shape (plane, angle, frequency)
        Squared pressure.
    place : dict of (plane, angle) to (int, int)
        Indices of each measured direction in the first two axes of `power`.
    """

    power: Floats
    place: Mapping[Direction, tuple[int, int]]

    def find(self, direction: Direction) -> Direction | None:
        """Return a direction as it was measured; None if it was not.

        A pole is taken from the horizontal orbit if it was measured there, else from the vertical one.
        """
        plane, angle = direction
        planes = PLANES if angle in POLES else (plane,)
        return next(((p, angle) for p in planes if (p, angle) in self.place), None)

    def angles(self, plane: str) -> list[float]:
        """Return the angles measured on an orbit in degrees; none if only poles were measured."""
        measured = [angle for p, angle in self.place if p == plane]
        return measured if any(angle not in POLES for angle in measured) else []


def measured_orbits(level: ArrayLike, planes: Iterable[str], angles: ArrayLike) -> MeasuredOrbits:
    """Return the measured directions of orbits.

    Parameters
    ----------
    level : array_like, shape (plane, angle, frequency)
        dB. A direction that is NaN at all frequencies was not measured.
    planes : iterable of str
        "horizontal", "vertical" or both, in the order of the first axis.
    angles : array_like
        Degrees.

    Raises
    ------
    ValueError
        If the shapes disagree, a plane is unknown, or a plane or an angle occurs twice.
    """
    array = np.asarray(level, dtype=np.float64)
    names = [str(plane) for plane in planes]
    degrees = np.atleast_1d(np.asarray(angles, dtype=np.float64))
    if array.ndim != 3 or array.shape[:2] != (len(names), degrees.size):
        raise ValueError(f"{len(names)} planes and {degrees.size} angles for levels of shape {array.shape}")
    if unknown := sorted(set(names) - set(PLANES)):
        raise ValueError(f"planes must be among {PLANES}, not {unknown}")
    # Angles match to a hundredth of a degree; adding zero turns -0 into 0.
    wrapped = np.round(wrap_angle(np.round(degrees, 2)), 2) + 0.0
    if len(set(names)) < len(names) or np.unique(wrapped).size < wrapped.size:
        raise ValueError("a plane or an angle occurs twice")
    measured = ~np.isnan(array).all(axis=2)
    place = {(names[row], float(wrapped[column])): (row, column) for row, column in np.argwhere(measured).tolist()}
    return MeasuredOrbits(power_of_level(array), place)
