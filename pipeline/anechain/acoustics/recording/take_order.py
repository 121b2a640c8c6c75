"""Order of takes: in which order the drives were measured, and the first take at each drive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.arrays import Floats

__all__ = [
    "SAME_DRIVE",
    "OrderOfDrives",
    "check_start_times",
    "first_take_of_each_drive",
    "is_same_drive",
    "order_of_drives",
]

SAME_DRIVE = 0.05
"""Difference in dB up to which two drives are the same. Common practice, no source."""


@dataclass(frozen=True)
class OrderOfDrives:
    """Order in which the drives were measured.

    Attributes
    ----------
    order : {"one drive", "rising", "falling", "neither"}
        Order of the takes, without a repeat of the first drive at the end.
    repeated_last : bool
        Whether the first drive was repeated at the end, after other drives.
    pauses_s : numpy.ndarray or None
        Seconds from the start of each take to the start of the next; None if start times are not known.
    note : str
        Consequence for the deltas; empty if drives rise and start times are known.
    """

    order: Literal["one drive", "rising", "falling", "neither"]
    repeated_last: bool
    pauses_s: Floats | None
    note: str


_NOTES = {
    "one drive": "",
    "rising": "",
    "falling": "the drives were measured from high to low: the coil was already warm at the lowest drive, so heating "
    "hides in the reference",
    "neither": "the drives were not measured in rising order: earlier takes at higher drives may have warmed the coil",
}


def check_start_times(started: ArrayLike | None, takes: int) -> Floats | None:
    """Return start times of takes as an array; None if any of them is not known.

    Parameters
    ----------
    started : array_like, shape (takes,), or None
        Seconds.
    takes : int
        Number of takes.

    Raises
    ------
    ValueError
        If there is not one time for each take, or the times fall.
    """
    if started is None:
        return None
    times = np.asarray(started, dtype=np.float64)
    if times.shape != (takes,):
        raise ValueError(f"{times.size} start times for {takes} takes")
    if not np.isfinite(times).all():
        return None
    if not (np.diff(times) >= 0).all():
        raise ValueError("takes must be in the order in which they started")
    return times


def is_same_drive(first: float, second: float | Floats) -> NDArray[np.bool_]:
    """Return whether drives in V are equal to a first drive within `SAME_DRIVE`."""
    return np.asarray(np.abs(20.0 * np.log10(np.asarray(second) / first)) <= SAME_DRIVE)


def order_of_drives(drive: ArrayLike, started: ArrayLike | None = None) -> OrderOfDrives:
    """Return the order in which the drives were measured, and the pauses between takes.

    Parameters
    ----------
    drive : array_like, shape (takes,)
        V r.m.s. of each take, in measuring order.
    started : array_like, shape (takes,), optional
        Seconds at which each take started.

    Returns
    -------
    OrderOfDrives

    Raises
    ------
    ValueError
        If a drive is not above zero or the times fall.
    """
    volts = np.asarray(drive, dtype=np.float64)
    if volts.ndim != 1 or volts.size == 0 or not (np.isfinite(volts) & (volts > 0)).all():
        raise ValueError("each take needs a drive above 0 V")
    times = check_start_times(started, volts.size)
    same = is_same_drive(float(volts[0]), volts)
    trailing = int(np.argmin(same[::-1])) if not same.all() else 0
    steps = 20.0 * np.log10(volts[1 : volts.size - trailing] / volts[: volts.size - trailing - 1])
    order: Literal["one drive", "rising", "falling", "neither"] = "neither"
    if (np.abs(steps) <= SAME_DRIVE).all():
        order = "one drive"
    elif (steps >= -SAME_DRIVE).all():
        order = "rising"
    elif (steps <= SAME_DRIVE).all():
        order = "falling"
    note = _NOTES[order]
    if times is None:
        note = "; ".join(part for part in (note, "the takes are not timed: only their order is known") if part)
    return OrderOfDrives(order, trailing > 0, None if times is None else np.diff(times), note)


def first_take_of_each_drive(drive: ArrayLike) -> tuple[int, ...]:
    """Return the index of the first take at each drive, by rising drive: the takes that show the short-term level.

    Parameters
    ----------
    drive : array_like, shape (takes,)
        V r.m.s. of each take, in measuring order.
    """
    volts = np.asarray(drive, dtype=np.float64)
    first_takes: list[int] = []
    for row in range(volts.size):
        if not any(is_same_drive(float(volts[take]), float(volts[row])) for take in first_takes):
            first_takes.append(row)
    return tuple(sorted(first_takes, key=lambda row: float(volts[row])))
