"""Drift: difference between the first take and its repeat at the end."""

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
"""Largest difference in dB r.m.s. between the first take and its repeat at the end. Common practice, no source."""


@dataclass(frozen=True)
class Drift:
    """Difference between the first take and its repeat at the end.

    Attributes
    ----------
    first, last : int or None
        Numbers of the two takes, counted from 1; None if the first drive was not repeated after another drive.
    difference_db : numpy.ndarray, shape (n,)
        Last minus first, minus the difference of the drives, dB.
    mean_db, rms_db : float or None
        Mean and root mean square over log frequency, where both takes have a level.
    limit_db : float
        Limit of the root mean square.
    verdict : {"within", "beyond", "not determined"}
        Result of the comparison with the limit.
    reason : str
        Why drift is not determined; empty if it is.
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
    title="Drift: difference between the first take and its repeat at the end",
    formula="Last level minus first level, minus the difference of the drives",
    source="difference per frequency minus the difference of the drives; its mean and r.m.s. over log frequency, the "
    "r.m.s. compared with a stated limit",
    source_status="common practice, no source",
    limitations="Shows that something changed (air, microphone, coil, gain), not what. Temporary changes between the "
    "two takes are not detected.",
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
        Limit, dB r.m.s.

    Returns
    -------
    Drift

    Raises
    ------
    ValueError
        If the shapes disagree, the frequencies are not ascending above zero, or a drive or the limit is not above zero.
    """
    grid, levels, volts = check_takes(frequency, level, drive)
    if not limit_db > 0:
        raise ValueError(f"the limit must be above zero, not {limit_db}")
    last = int(np.flatnonzero(is_same_drive(float(volts[0]), volts))[-1])
    if last == 0 or is_same_drive(float(volts[0]), volts[:last]).all():
        reason = f"the first level, {volts[0]:.3g} V, was not repeated after the others"
        return Drift(None, None, np.full(grid.size, np.nan), None, None, limit_db, "not determined", reason)
    difference = take_difference(grid, levels[[0, last]], smoothing) - 20.0 * np.log10(volts[last] / volts[0])
    weight = np.where(np.isfinite(difference), band_weights(grid, float(grid[0]), float(grid[-1])), 0.0)
    if not weight.sum() > 0:
        reason = "the first level and its repeat have no frequency in common"
        return Drift(1, last + 1, difference, None, None, limit_db, "not determined", reason)
    known = np.where(weight > 0, difference, 0.0)
    rms = float(np.sqrt(np.average(known**2, weights=weight)))
    verdict: Literal["within", "beyond"] = "within" if rms <= limit_db else "beyond"
    return Drift(1, last + 1, difference, float(np.average(known, weights=weight)), rms, limit_db, verdict, "")
