"""Changes of level between takes at one drive: long-term compression, and recovery after louder takes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.nonlinear.octave_weights import MIN_COVERAGE, band_weights
from anechain.acoustics.recording.take_differences import check_takes, take_difference
from anechain.acoustics.recording.take_order import SAME_DRIVE, check_start_times, is_same_drive
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["TakeChange", "long_term", "recovery"]


@dataclass(frozen=True)
class TakeChange:
    """Change of level between two takes at one drive.

    Attributes
    ----------
    drive_v : float
        Drive of both takes, V r.m.s.
    first, last : int
        Numbers of the two takes, counted from 1.
    louder_v : float or None
        Highest drive between the two takes, V r.m.s.; None if they follow each other at one drive.
    seconds : float or None
        From the start of the first take to the start of the last (long term), or from the start of the last take at a
        higher drive to the start of the later take (recovery); None if start times are not known.
    difference_db : numpy.ndarray, shape (n,)
        Later minus earlier take, dB.
    mean_db : float or None
        Mean difference over log frequency in the band; None if too little of the band has values.
    """

    drive_v: float
    first: int
    last: int
    louder_v: float | None
    seconds: float | None
    difference_db: Floats
    mean_db: float | None


def _mean(grid: Floats, values: Floats, band: tuple[float, float]) -> float | None:
    """Return the mean over log frequency in a band; None if too little of the band has values."""
    weight = np.where(np.isfinite(values), band_weights(grid, *band), 0.0)
    if weight.sum() < MIN_COVERAGE * np.log2(band[1] / band[0]):
        return None
    return float(np.average(np.where(weight > 0, values, 0.0), weights=weight))


@method(
    "long-term-compression",
    version=1,
    title="Long-term compression: last minus first of the takes that follow each other at one drive",
    formula="Last minus first of the takes that follow each other at one drive",
    source="IEC 60268-5 distinguishes short-term and long-term loading by duration (recalled); here by repeated takes",
    source_status="common practice, no source",
    limitations="The coil already warms up during the first take. Without start times only the order is known.",
)
def long_term(
    frequency: ArrayLike,
    level: ArrayLike,
    drive: ArrayLike,
    band: tuple[float, float],
    started: ArrayLike | None = None,
    smoothing: float | None = None,
) -> tuple[TakeChange, ...]:
    """Return the change of level between the first and the last of the takes that follow each other at one drive.

    Parameters
    ----------
    frequency, level, drive, smoothing
        As in :func:`anechain.acoustics.recording.drift.drift`.
    band : tuple of float
        Ends of the band over which the mean is taken, Hz.
    started : array_like, shape (takes,), optional
        Seconds at which each take started.

    Returns
    -------
    tuple of TakeChange
        One for each unbroken series of takes at a drive, in measuring order; empty if no drive was repeated at once.

    Raises
    ------
    ValueError
        If the shapes disagree, the frequencies are not ascending above zero, a drive is not above zero, or times fall.
    """
    grid, levels, volts = check_takes(frequency, level, drive)
    times = check_start_times(started, volts.size)
    changes = []
    start = 0
    for stop in range(1, volts.size + 1):
        if stop < volts.size and is_same_drive(float(volts[start]), float(volts[stop])):
            continue
        if stop - start > 1:
            difference = take_difference(grid, levels[[start, stop - 1]], smoothing)
            seconds = None if times is None else float(times[stop - 1] - times[start])
            mean = _mean(grid, difference, band)
            changes.append(TakeChange(float(volts[start]), start + 1, stop, None, seconds, difference, mean))
        start = stop
    return tuple(changes)


@method(
    "compression-recovery",
    version=1,
    title="Recovery: change of level at one drive after takes at higher drives; negative if the level is lower after",
    formula="Level after higher drives minus level before them, at one drive",
    source="difference of the takes at one drive before and after higher drives",
    source_status="common practice, no source",
    limitations="Incomplete recovery may be caused by heat, a softened suspension, or damage; a later take decides.",
)
def recovery(
    frequency: ArrayLike,
    level: ArrayLike,
    drive: ArrayLike,
    band: tuple[float, float],
    started: ArrayLike | None = None,
    smoothing: float | None = None,
) -> tuple[TakeChange, ...]:
    """Return the change of level between takes at one drive before and after takes at higher drives.

    Parameters
    ----------
    frequency, level, drive, band, started, smoothing
        As in :func:`long_term`.

    Returns
    -------
    tuple of TakeChange
        One for each return to a drive from higher drives, in measuring order; empty if there is none.

    Raises
    ------
    ValueError
        If the shapes disagree, the frequencies are not ascending above zero, a drive is not above zero, or times fall.
    """
    grid, levels, volts = check_takes(frequency, level, drive)
    times = check_start_times(started, volts.size)
    changes = []
    for later in range(2, volts.size):
        before = np.flatnonzero(is_same_drive(float(volts[later]), volts[:later]))
        between = volts[before[-1] + 1 : later] if before.size else volts[:0]
        higher = 20.0 * np.log10(between / volts[later]) > SAME_DRIVE
        if not higher.any():
            continue
        earlier = int(before[-1])
        difference = take_difference(grid, levels[[earlier, later]], smoothing)
        last_higher = earlier + 1 + int(np.flatnonzero(higher)[-1])
        seconds = None if times is None else float(times[later] - times[last_higher])
        changes.append(
            TakeChange(
                float(volts[later]),
                earlier + 1,
                later + 1,
                float(between.max()),
                seconds,
                difference,
                _mean(grid, difference, band),
            )
        )
    return tuple(changes)
