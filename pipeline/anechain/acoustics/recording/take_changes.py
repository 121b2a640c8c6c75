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
        V r.m.s. of both.
    first, last : int
        The two takes, counted from 1.
    louder_v : float or None
        Highest drive between them; None where they follow each other at one drive.
    seconds : float or None
        From the start of the one to the start of the other (long term), or from the start of the last louder take to
        that of the later one (recovery); None where the takes are not timed.
    difference_db : numpy.ndarray, shape (n,)
        Later minus earlier, dB.
    mean_db : float or None
        Its mean over log frequency in the band asked for; None where too little of the band is there.
    """

    drive_v: float
    first: int
    last: int
    louder_v: float | None
    seconds: float | None
    difference_db: Floats
    mean_db: float | None


def _mean(grid: Floats, values: Floats, band: tuple[float, float]) -> float | None:
    weight = np.where(np.isfinite(values), band_weights(grid, *band), 0.0)
    if weight.sum() < MIN_COVERAGE * np.log2(band[1] / band[0]):
        return None
    return float(np.average(np.where(weight > 0, values, 0.0), weights=weight))


@method(
    "long-term-compression",
    version=1,
    title="Short term against long term: last minus first of the takes that follow each other at one drive",
    formula="Last less first of the takes that follow each other at one drive",
    source="IEC 60268-5 tells short-term from long-term loading by duration (recalled); here by the takes themselves",
    source_status="common practice, no source",
    limitations="The first take is no moment: the coil warms up while it lasts. Without times only the order is known.",
)
def long_term(
    frequency: ArrayLike,
    level: ArrayLike,
    drive: ArrayLike,
    band: tuple[float, float],
    started: ArrayLike | None = None,
    smoothing: float | None = None,
) -> tuple[TakeChange, ...]:
    """What repetition at one drive takes away: one change for each unbroken run of takes at a drive.

    Parameters
    ----------
    frequency, level, drive, smoothing
        As in :func:`drift`.
    band : tuple of float
        Hz, that the mean is taken over.
    started : array_like, shape (takes,), optional
        Seconds at which each take started.

    Returns
    -------
    tuple of TakeChange
        In measuring order; empty where no drive was repeated at once.

    Raises
    ------
    ValueError
        If the shapes disagree, or frequencies, drives or times are not what they have to be.
    """
    grid, levels, volts = check_takes(frequency, level, drive)
    times = check_start_times(started, volts.size)
    found = []
    start = 0
    for stop in range(1, volts.size + 1):
        if stop < volts.size and is_same_drive(float(volts[start]), float(volts[stop])):
            continue
        if stop - start > 1:
            difference = take_difference(grid, levels[[start, stop - 1]], smoothing)
            seconds = None if times is None else float(times[stop - 1] - times[start])
            mean = _mean(grid, difference, band)
            found.append(TakeChange(float(volts[start]), start + 1, stop, None, seconds, difference, mean))
        start = stop
    return tuple(found)


@method(
    "compression-recovery",
    version=1,
    title="Recovery: a level after louder ones, against the same level before them",
    formula="Level before higher drives less level after them, at one drive",
    source="difference of the takes at one drive before and after higher drives",
    source_status="common practice, no source",
    limitations="What has not recovered may be heat, a suspension that softened, or damage; a later take tells.",
)
def recovery(
    frequency: ArrayLike,
    level: ArrayLike,
    drive: ArrayLike,
    band: tuple[float, float],
    started: ArrayLike | None = None,
    smoothing: float | None = None,
) -> tuple[TakeChange, ...]:
    """Changes of a level over louder takes in between; one for each return to a drive from a higher one.

    Parameters
    ----------
    frequency, level, drive, band, started, smoothing
        As in :func:`long_term`.

    Returns
    -------
    tuple of TakeChange
        In measuring order; empty where no take at a drive follows louder ones that follow a take at that drive.

    Raises
    ------
    ValueError
        If the shapes disagree, or frequencies, drives or times are not what they have to be.
    """
    grid, levels, volts = check_takes(frequency, level, drive)
    times = check_start_times(started, volts.size)
    found = []
    for later in range(2, volts.size):
        before = np.flatnonzero(is_same_drive(float(volts[later]), volts[:later]))
        between = volts[before[-1] + 1 : later] if before.size else volts[:0]
        louder = 20.0 * np.log10(between / volts[later]) > SAME_DRIVE
        if not louder.any():
            continue
        earlier = int(before[-1])
        difference = take_difference(grid, levels[[earlier, later]], smoothing)
        loud = earlier + 1 + int(np.flatnonzero(louder)[-1])
        seconds = None if times is None else float(times[later] - times[loud])
        found.append(
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
    return tuple(found)
