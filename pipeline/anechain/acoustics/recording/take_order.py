"""Takes in their measuring order: drift, short term against long term, recovery, and the order of the drives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.frequencies import check_levels
from anechain.acoustics.curve.smoothing import smooth
from anechain.acoustics.nonlinear.compression import LEAST_COVER, band_weights
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "DRIFT_LIMIT",
    "SAME_DRIVE",
    "Drift",
    "OrderOfDrives",
    "TakeChange",
    "drift",
    "first_take_of_each_drive",
    "long_term",
    "order_of_drives",
    "recovery",
]


SAME_DRIVE = 0.05
"""dB within which two drives are the same. Common practice, no source."""

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


@dataclass(frozen=True)
class OrderOfDrives:
    """In which order the drives were measured.

    Attributes
    ----------
    order : {"one drive", "rising", "falling", "neither"}
        Of the takes, a repeat of the first drive at the end left aside.
    repeated_last : bool
        Whether the first drive was repeated at the end, after others.
    pauses_s : numpy.ndarray or None
        Seconds from the start of each take to that of the next; None where the takes are not timed.
    words : str
        What follows for the deltas; empty where drives rise and the takes are timed.
    """

    order: Literal["one drive", "rising", "falling", "neither"]
    repeated_last: bool
    pauses_s: Floats | None
    words: str


def _check(frequency: ArrayLike, level: ArrayLike, drive: ArrayLike) -> tuple[Floats, Floats, Floats]:
    grid, levels = check_levels(frequency, level)
    volts = np.asarray(drive, dtype=np.float64)
    if levels.ndim != 2 or volts.shape != levels.shape[:1] or volts.size == 0:
        raise ValueError(f"one row of levels for each take: shape {levels.shape} for {volts.size} takes")
    if not (np.isfinite(volts) & (volts > 0)).all():
        raise ValueError("drives must be finite and above 0 V")
    return grid, levels, volts


def _timed(started: ArrayLike | None, takes: int) -> Floats | None:
    if started is None:
        return None
    times = np.asarray(started, dtype=np.float64)
    if times.shape != (takes,):
        raise ValueError(f"{times.size} starting times for {takes} takes")
    if not np.isfinite(times).all():
        return None
    if not (np.diff(times) >= 0).all():
        raise ValueError("takes must come in the order in which they started")
    return times


def _same(one: float, other: float | Floats) -> NDArray[np.bool_]:
    return np.asarray(np.abs(20.0 * np.log10(np.asarray(other) / one)) <= SAME_DRIVE)


def _difference(grid: Floats, pair: Floats, smoothing: float | None) -> Floats:
    both = np.where(np.isfinite(pair).all(axis=0), pair, np.nan)
    earlier, later = smooth(grid, both, smoothing) if smoothing is not None else both
    return np.asarray(later - earlier)


def _mean(grid: Floats, values: Floats, band: tuple[float, float]) -> float | None:
    weight = np.where(np.isfinite(values), band_weights(grid, *band), 0.0)
    if weight.sum() < LEAST_COVER * np.log2(band[1] / band[0]):
        return None
    return float(np.average(np.where(weight > 0, values, 0.0), weights=weight))


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
    grid, levels, volts = _check(frequency, level, drive)
    if not limit_db > 0:
        raise ValueError(f"the limit is above zero, not {limit_db}")
    nothing = np.full(grid.size, np.nan)
    again = np.flatnonzero(_same(float(volts[0]), volts))
    last = int(again[-1])
    if last == 0 or _same(float(volts[0]), volts[:last]).all():
        words = f"the first level, {volts[0]:.3g} V, was not repeated after the others"
        return Drift(None, None, nothing, None, None, limit_db, "not determined", words)
    difference = _difference(grid, levels[[0, last]], smoothing) - 20.0 * np.log10(volts[last] / volts[0])
    weight = np.where(np.isfinite(difference), band_weights(grid, float(grid[0]), float(grid[-1])), 0.0)
    if not weight.sum() > 0:
        words = "the first level and its repeat have no frequency in common"
        return Drift(1, last + 1, difference, None, None, limit_db, "not determined", words)
    known = np.where(weight > 0, difference, 0.0)
    rms = float(np.sqrt(np.average(known**2, weights=weight)))
    verdict: Literal["within", "beyond"] = "within" if rms <= limit_db else "beyond"
    return Drift(1, last + 1, difference, float(np.average(known, weights=weight)), rms, limit_db, verdict, "")


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
    grid, levels, volts = _check(frequency, level, drive)
    times = _timed(started, volts.size)
    found = []
    start = 0
    for stop in range(1, volts.size + 1):
        if stop < volts.size and _same(float(volts[start]), float(volts[stop])):
            continue
        if stop - start > 1:
            difference = _difference(grid, levels[[start, stop - 1]], smoothing)
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
    grid, levels, volts = _check(frequency, level, drive)
    times = _timed(started, volts.size)
    found = []
    for later in range(2, volts.size):
        before = np.flatnonzero(_same(float(volts[later]), volts[:later]))
        between = volts[before[-1] + 1 : later] if before.size else volts[:0]
        louder = 20.0 * np.log10(between / volts[later]) > SAME_DRIVE
        if not louder.any():
            continue
        earlier = int(before[-1])
        difference = _difference(grid, levels[[earlier, later]], smoothing)
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


def order_of_drives(drive: ArrayLike, started: ArrayLike | None = None) -> OrderOfDrives:
    """Tell in which order the drives were measured, and with which pauses.

    Parameters
    ----------
    drive : array_like, shape (takes,)
        V r.m.s. of each take, in measuring order.
    started : array_like, shape (takes,), optional
        Seconds at which each take started.

    Raises
    ------
    ValueError
        If the drives are not above zero or the times not in order.
    """
    volts = np.asarray(drive, dtype=np.float64)
    if volts.ndim != 1 or volts.size == 0 or not (np.isfinite(volts) & (volts > 0)).all():
        raise ValueError("a drive above 0 V is asked for each take")
    times = _timed(started, volts.size)
    same = _same(float(volts[0]), volts)
    trailing = int(np.argmin(same[::-1])) if not same.all() else 0
    steps = 20.0 * np.log10(volts[1 : volts.size - trailing] / volts[: volts.size - trailing - 1])
    order: Literal["one drive", "rising", "falling", "neither"] = "neither"
    if (np.abs(steps) <= SAME_DRIVE).all():
        order = "one drive"
    elif (steps >= -SAME_DRIVE).all():
        order = "rising"
    elif (steps <= SAME_DRIVE).all():
        order = "falling"
    words = {
        "one drive": "",
        "rising": "",
        "falling": "the drives were measured from high to low: the coil was warm already at the lowest one, so heating "
        "hides in the reference",
        "neither": "the drives were not measured in rising order: earlier, louder takes may have warmed the coil",
    }[order]
    if times is None:
        words = "; ".join(part for part in (words, "the takes are not timed: only their order is known") if part)
    return OrderOfDrives(order, trailing > 0, None if times is None else np.diff(times), words)


def first_take_of_each_drive(drive: ArrayLike) -> tuple[int, ...]:
    """Rows of the first take at each drive, by rising drive: what stands for the short term."""
    volts = np.asarray(drive, dtype=np.float64)
    chosen: list[int] = []
    for row in range(volts.size):
        if not any(_same(float(volts[one]), float(volts[row])) for one in chosen):
            chosen.append(row)
    return tuple(sorted(chosen, key=lambda row: float(volts[row])))
