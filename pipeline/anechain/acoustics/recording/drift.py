"""Drift: the first level, measured again at the end, compared with itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.nonlinear.octave_weights import band_weights
from anechain.acoustics.recording.take_differences import check_takes, take_difference
from anechain.acoustics.recording.take_order import is_same_drive
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["DRIFT_LIMIT", "Drift", "drift"]


DRIFT_LIMIT = 0.3
"""dB r.m.s. that the first level, repeated last, may lie from itself. Common practice, no source."""


@dataclass(frozen=True)
class Drift:
    """The first level repeated last.

    Attributes
    ----------
    first, last : int or None
        The two takes, counted from 1; None where the first drive was not repeated after another.
    difference_db : numpy.ndarray, shape (n,)
        Last minus first, less the difference of their drives, dB.
    mean_db, rms_db : float or None
        Over log frequency, where both have a level.
    limit_db : float
        What the r.m.s. is held against.
    verdict : {"within", "beyond", "not determined"}
    reason : str
        Why it is not determined; empty if it is.
    """

    first: int | None
    last: int | None
    difference_db: Floats
    mean_db: float | None
    rms_db: float | None
    limit_db: float
    verdict: Literal["within", "beyond", "not determined"]
    reason: str


@method(
    "take-drift",
    version=1,
    title="Drift: the first level, repeated last, against itself",
    formula="Last level less first, less the difference of the drives",
    source="difference per frequency less the difference of the drives, its mean and r.m.s. over log frequency, the "
    "latter held against a stated limit",
    source_status="common practice, no source",
    limitations="Says that something moved (air, microphone, coil, gain), not what. What came and went between is "
    "not seen.",
)
def drift(
    frequency: ArrayLike,
    level: ArrayLike,
    drive: ArrayLike,
    smoothing: float | None = None,
    limit_db: float = DRIFT_LIMIT,
) -> Drift:
    """Compare the first take with the last one at the same drive.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    level : array_like, shape (takes, n)
        dB, in measuring order.
    drive : array_like, shape (takes,)
        V r.m.s. of each take.
    smoothing : float, optional
        Windows per octave.
    limit_db : float
        dB r.m.s.

    Returns
    -------
    Drift

    Raises
    ------
    ValueError
        If the shapes disagree, or frequencies, drives or the limit are not what they have to be.
    """
    grid, levels, volts = check_takes(frequency, level, drive)
    if not limit_db > 0:
        raise ValueError(f"the limit is above zero, not {limit_db}")
    nothing = np.full(grid.size, np.nan)
    again = np.flatnonzero(is_same_drive(float(volts[0]), volts))
    last = int(again[-1])
    if last == 0 or is_same_drive(float(volts[0]), volts[:last]).all():
        words = f"the first level, {volts[0]:.3g} V, was not repeated after the others"
        return Drift(None, None, nothing, None, None, limit_db, "not determined", words)
    difference = take_difference(grid, levels[[0, last]], smoothing) - 20.0 * np.log10(volts[last] / volts[0])
    weight = np.where(np.isfinite(difference), band_weights(grid, float(grid[0]), float(grid[-1])), 0.0)
    if not weight.sum() > 0:
        words = "the first level and its repeat have no frequency in common"
        return Drift(1, last + 1, difference, None, None, limit_db, "not determined", words)
    known = np.where(weight > 0, difference, 0.0)
    rms = float(np.sqrt(np.average(known**2, weights=weight)))
    verdict: Literal["within", "beyond"] = "within" if rms <= limit_db else "beyond"
    return Drift(1, last + 1, difference, float(np.average(known, weights=weight)), rms, limit_db, verdict, "")
