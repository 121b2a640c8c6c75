"""What changed between two results of one device: its curves, directions and numbers, and the possible causes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from anechain.arrays import Floats

__all__ = ["COMPARISON", "DeviceChange", "Difference", "ExplainedDifference", "State"]

COMPARISON = "comparison.nc"
"""The file of a results folder that holds the curves of all devices."""

State = Literal["changed", "removed", "added"]


@dataclass(frozen=True)
class Difference:
    """One curve, direction or number that is not the same on both sides.

    Attributes
    ----------
    kind : str
        "curve", "index" (directivity index), "direction" (a measured one), "row" (any other row of values), "number",
        or "reference" (what the levels refer to).
    name, unit : str
        Its name, and the unit of its values.
    state : str
        "changed", "removed" (only the old side has it) or "added" (only the new side has it).
    frequency, change : numpy.ndarray, shape (n,)
        Hz, and new minus old; NaN where one side has no value. Empty for a number.
    largest, largest_at : float
        The change that is largest in magnitude, with its sign, and its frequency in Hz.
    rms : float
        Root mean square of the change over log frequency.
    bands : tuple of (float, float)
        Hz: the bands in which the change exceeds the tolerance.
    everywhere : bool
        Whether it exceeds the tolerance at every frequency that both sides have.
    lost, gained : int
        Number of frequencies at which only the old, or only the new side has a value.
    old, new : object
        The two values of a number.
    """

    kind: str
    name: str
    unit: str
    state: State = "changed"
    frequency: Floats = field(default_factory=lambda: np.empty(0))
    change: Floats = field(default_factory=lambda: np.empty(0))
    largest: float = math.nan
    largest_at: float = math.nan
    rms: float = math.nan
    bands: tuple[tuple[float, float], ...] = ()
    everywhere: bool = False
    lost: int = 0
    gained: int = 0
    old: Any = None
    new: Any = None


@dataclass(frozen=True)
class ExplainedDifference:
    """A difference with its possible causes.

    Attributes
    ----------
    file : str
        The file that has the difference, relative to the device's folder; :data:`COMPARISON` for that of all devices.
    difference : Difference
        What differs and by how much.
    title : str
        Its name in print.
    causes : tuple of int
        Numbers of the causes that can affect it. With several, their shares cannot be separated.
    reason : str
        For a value that one side lacks: the reason of the gap on that side.
    method : tuple of (str, str)
        "id@version" of the method behind it on the old and the new side; empty where the files do not name it.
    """

    file: str
    difference: Difference
    title: str
    causes: tuple[int, ...] = ()
    reason: str = ""
    method: tuple[str, str] = ("", "")


@dataclass(frozen=True)
class DeviceChange:
    """All differences of one device.

    Attributes
    ----------
    device, title : str
        Its id and its name in print.
    differences : tuple of ExplainedDifference
        Empty if all its values are the same.
    counts : dict of str to int
        Number of curves, indices and directions that either side has, by kind.
    notes : tuple of str
        How its values were compared, where that needs a remark.
    valid_band : tuple of float, or None
        The band in Hz that is valid on both sides.
    """

    device: str
    title: str
    differences: tuple[ExplainedDifference, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    valid_band: tuple[float, float] | None = None

    @property
    def own_differences(self) -> tuple[ExplainedDifference, ...]:
        """The differences without those that the comparison of all devices repeats.

        If only the comparison differs, its differences.
        """
        return tuple(item for item in self.differences if item.file != COMPARISON) or self.differences
