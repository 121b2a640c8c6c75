"""Linear drift of the gain between takes, told apart from the cooling of the voice coil."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.nonlinear.octave_weights import MIN_COVERAGE, band_weights
from anechain.acoustics.recording.take_differences import check_takes
from anechain.acoustics.recording.take_order import (
    check_start_times,
    first_take_of_each_drive,
    is_same_drive,
)
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["COIL_TIME_CONSTANT", "DriftFit", "fit_drift"]

Takes = NDArray[np.intp]
"""Indices of takes."""

COIL_TIME_CONSTANT = 60.0
"""Longest thermal time constant of a voice coil that is considered, s. Common practice, no source."""

SMALLEST_UNCERTAINTY = 0.005
"""Smallest standard uncertainty in dB of the mean difference of two takes. Common practice, no source."""

LOSS_MARGIN = 1.25
"""Factor on the loss of louder takes, since the heat model is linear: at 100 K the loss of copper is 15 % less than
linear."""

_RETURNS = "the first level returns"
_NOT_SEPARABLE = (
    "the cooling of the coil alone explains the change of the return take; to tell a drift from it, wait longer before "
    "the return take, or repeat the lowest drive two or three times at the end"
)

QUADRATIC_MARGIN = 1.5
"""Factor on a loss that rises as the square of the drive: at 250 K the loss of copper rises more slowly."""

LARGE_DRIFT = 0.5
"""Drift in dB from one take to the next that is unlikely. Common practice, no source."""

STEP_ERROR = 0.05
"""Error in dB of a step of the drive, and scatter of a take, that is no loss of level. Common practice, no source."""

_SHORTEST_TIME_CONSTANT = 1.0
_LOSSES: Floats = 8.0 * np.linspace(0.0, 1.0, 101) ** 2
"""Losses by heat at the hottest take that are tried, dB: up to 385 K of copper."""


@dataclass(frozen=True)
class DriftFit:
    """Linear drift of the gain between takes.

    Attributes
    ----------
    removed_db : numpy.ndarray, shape (takes,)
        Drift of each take re the first reference take, dB; to be subtracted. Zero if no drift is removed.
    standard_db : numpy.ndarray, shape (takes,)
        Standard uncertainty of the drift of each take re the first reference take, dB, without repeatability; zero if
        nothing is known of the drift.
    per_take_db : float or None
        Mean drift from one take to the next, dB; None if it is not known.
    per_take_standard_db : float or None
        Its standard uncertainty, dB.
    interval_db : tuple of float or None
        Smallest and largest drift from one take to the next that agrees with the takes, dB.
    per_minute_db : float or None
        The drift per minute, dB; None if it is not known or the takes have no start times.
    reference_takes : tuple of int
        Numbers of the takes that were compared, counted from 1: those at the lowest drive that was repeated after
        louder takes.
    return_share : numpy.ndarray, shape (takes,)
        Weight of the return take in the reference of each take; the first reference take has the rest.
    verdict : {"removed", "none found", "not separable", "not known"}
        "none found": the first level returns. "not separable": the cooling of the coil alone explains the takes.
    reason : str
        Why no drift is removed; empty if it is removed.
    """

    removed_db: Floats
    standard_db: Floats
    per_take_db: float | None
    per_take_standard_db: float | None
    interval_db: tuple[float, float] | None
    per_minute_db: float | None
    reference_takes: tuple[int, ...]
    return_share: Floats
    verdict: Literal["removed", "none found", "not separable", "not known"]
    reason: str


@method(
    "drift-removal",
    version=1,
    title="Linear drift of the gain between takes, told apart from the cooling of the voice coil",
    formula="D(t) = d t - b S(t): D the difference of takes at one drive, d the drift, S the heat of earlier takes in "
    "a coil of one time constant; the middle of all d that agree with the takes, if 0 is not among them",
    source="lumped thermal model of one resistance and one capacity (recalled); uncertainty of an interval by GUM, "
    "JCGM 100:2008, 4.3.7; a drift whose rate changes by up to its whole value: x (1 - x) of the drift, rectangular",
    source_status="common practice, no source",
    limitations="One drift for all frequencies, as of a gain. The magnet cools over many minutes, like a drift. Heat "
    "is bounded by the loss at louder takes: a device that gains level with drive is taken as colder than it is.",
)
def fit_drift(
    frequency: ArrayLike,
    level: ArrayLike,
    drive: ArrayLike,
    band: tuple[float, float],
    started: ArrayLike | None = None,
    coil_time_constant: float = COIL_TIME_CONSTANT,
) -> DriftFit:
    """Return the drift of the gain between takes, from takes at one drive before and after louder takes.

    Takes at one drive differ by the drift and by the heat that louder takes left in the coil. Heat fades
    exponentially, and is bounded by the loss of level in the louder takes; a drift goes on. All drifts are kept with
    which some time constant, duration of a take and heat within these bounds explains the takes.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    level : array_like, shape (takes, n)
        dB, in measuring order, not referred to a common drive.
    drive : array_like, shape (takes,)
        V r.m.s. of each take.
    band : tuple of float
        Ends of the band over which differences are averaged, Hz.
    started : array_like, shape (takes,), optional
        Seconds at which each take started. Without them the drift is linear in the number of the take, and nothing
        is known of how fast the coil cools.
    coil_time_constant : float
        Longest thermal time constant that is considered, s.

    Returns
    -------
    DriftFit

    Raises
    ------
    ValueError
        If the shapes disagree, the frequencies are not ascending above zero, a drive or the time constant is not above
        zero, or times fall.
    """
    grid, levels, volts = check_takes(frequency, level, drive)
    times = check_start_times(started, volts.size)
    if not coil_time_constant > 0:
        raise ValueError(f"the time constant must be above zero, not {coil_time_constant}")
    references = _reference_takes(volts)
    if isinstance(references, str):
        return _unknown(volts.size, references)
    first = int(references[0])
    mean, spread = _band_means(grid, levels - 20.0 * np.log10(volts)[:, np.newaxis], first, band)
    references = references[np.isfinite(mean[references])]
    louder = np.flatnonzero((volts > volts[first] * 1.01) & np.isfinite(mean))
    if references.size < 2 or not louder.size:
        return _unknown(volts.size, "the takes at the lowest repeated drive have too few frequencies in common")
    if times is None or not times[references[-1]] > times[references[0]]:
        times, clock, longest = None, np.arange(volts.size, dtype=np.float64), np.inf
    else:
        clock, longest = times, coil_time_constant
    clock = clock - clock[references[0]]
    # Without times the takes may be unevenly spaced.
    error = np.maximum(spread[references[1:]], STEP_ERROR if times is None else SMALLEST_UNCERTAINTY)
    rates, noise = _agreeing_drifts(clock, volts, mean, references, louder, error, longest)
    low, high = float(rates.min()), float(rates.max())
    found = low - 2 * noise > 0 or high + 2 * noise < 0
    rate = (low + high) / 2 if found else 0.0
    # Rectangular about the value that is used: the middle of the interval, or zero.
    variance = max(high - rate, rate - low) ** 2 / 3 + noise**2
    end = clock[references[-1]]
    share = clock / end
    returns = bool((np.abs(mean[references[1:]]) <= 2 * error + 0.01).all())
    largest = max(abs(low), abs(high))
    curved = largest * end * share * (1 - share) / np.sqrt(3.0)
    standard = np.sqrt(variance * clock**2 + curved**2)
    per_take = float(clock[-1] - clock[0]) / (volts.size - 1)
    return DriftFit(
        removed_db=np.asarray(rate * clock),
        standard_db=np.asarray(standard),
        per_take_db=rate * per_take,
        per_take_standard_db=float(np.sqrt(variance)) * per_take,
        interval_db=((low - noise) * per_take, (high + noise) * per_take),
        per_minute_db=None if times is None else rate * 60.0,
        reference_takes=tuple(int(take) + 1 for take in references),
        return_share=np.asarray(np.clip(share, 0.0, 1.0) if found else np.zeros(volts.size)),
        verdict="removed" if found else "none found" if returns else "not separable",
        reason="" if found else _RETURNS if returns else _NOT_SEPARABLE,
    )


def _reference_takes(volts: Floats) -> Takes | str:
    """Return the takes at the lowest drive that was repeated after louder takes, or why there are none."""
    first_takes = first_take_of_each_drive(volts)
    for first in first_takes:
        same = np.flatnonzero(is_same_drive(float(volts[first]), volts))
        between = volts[same[0] : same[-1]]
        if not (between > volts[first] * 1.01).any():
            continue
        if same[-1] < max(first_takes):
            return f"takes at other drives follow the last take at {volts[first]:.3g} V: their drift is not known"
        return same
    return "no drive was repeated after louder takes: a drift is not known and not removed"


def _band_means(grid: Floats, levels: Floats, first: int, band: tuple[float, float]) -> tuple[Floats, Floats]:
    """Return each take's mean level re the first one in a band, and its standard uncertainty by the spread over it."""
    difference = levels - levels[first]
    weight = np.where(np.isfinite(difference), band_weights(grid, *band), 0.0)
    octaves = weight.sum(axis=1)
    covered = octaves >= MIN_COVERAGE * np.log2(band[1] / band[0])
    total = np.where(covered, octaves, 1.0)
    known = np.where(weight > 0, difference, 0.0)
    mean = (weight * known).sum(axis=1) / total
    square = (weight * (known - mean[:, np.newaxis]) ** 2).sum(axis=1) / total
    # One independent reading per octave: differences of takes are correlated over about an octave.
    spread = np.sqrt(square / np.maximum(total, 1.0))
    return np.where(covered, mean, np.nan), np.where(covered, spread, np.nan)


def _agreeing_drifts(
    clock: Floats,
    volts: Floats,
    mean: Floats,
    references: Takes,
    louder: Takes,
    error: Floats,
    longest: float,
) -> tuple[Floats, float]:
    """Return the drifts per unit of time that agree with the takes, and their standard uncertainty by the spread."""
    later = references[1:]
    at, change = clock[later], mean[later]
    share = at / at[-1]
    # A curved drift is not heat: the reference takes may differ from a straight line by as much as the takes between.
    variance = error**2 + (np.abs(change[-1]) * share * (1 - share)) ** 2 / 3
    weight = at / variance
    noise = float(1.0 / np.sqrt((at * weight).sum()))
    at_louder = clock[louder] / at[-1]
    tolerance = STEP_ERROR**2 + (change[-1] * at_louder * (1 - at_louder)) ** 2 / 3
    shortest = float(np.diff(clock)[np.diff(clock) > 0].min())
    slowest = longest if np.isfinite(longest) else 1e3 * clock[-1]
    rates, misfits = [], []
    for constant in np.geomspace(min(_SHORTEST_TIME_CONSTANT, shortest), slowest, 16):
        for lasting in shortest * np.array([0.05, 0.5, 1.0]):
            heat = _coil_heat(clock, volts, constant, lasting)
            heat = (heat - heat[references[0]]) / heat.max()
            cooled = _LOSSES[:, np.newaxis] * heat[later]
            rate = ((change + cooled) * weight).sum(axis=1) / (at * weight).sum()
            seen = np.maximum(rate[:, np.newaxis] * clock[louder] - mean[louder], 0.0)
            # Heat causes no more than the loss that is seen; and heat and nonlinearity, which both rise as the square
            # of the drive at first, cause little loss at small drives.
            square = np.maximum((volts[louder] / volts[louder].max()) ** 2, heat[louder] / heat[louder].max())
            excess = np.maximum(_LOSSES[:, np.newaxis] * heat[louder] - LOSS_MARGIN * seen, 0.0)
            missing = np.maximum(seen - QUADRATIC_MARGIN * square * seen.max(axis=1, keepdims=True), 0.0)
            misfit = ((change - rate[:, np.newaxis] * at + cooled) ** 2 / variance).sum(axis=1)
            misfit += ((excess**2 + missing**2) / tolerance).sum(axis=1)
            misfit += 4.0 * (rate * shortest / LARGE_DRIFT) ** 2
            rates.append(rate)
            misfits.append(misfit)
    misfit = np.concatenate(misfits)
    return np.concatenate(rates)[misfit <= misfit.min() + 4.0], noise


def _coil_heat(clock: Floats, volts: Floats, constant: float, lasting: float) -> Floats:
    """Return the coil's temperature in the middle of each take, by superposition of the heat of all takes; any unit."""
    since = (clock[:, np.newaxis] - clock) / constant
    length = lasting / constant
    # A take that is over: heated for its length, then cooled until the middle of the other take.
    over = -np.expm1(-length) * np.exp(-np.maximum(since - length / 2, 0.0))
    share = np.where(np.tri(clock.size, k=-1, dtype=bool), over, 0.0)
    own = -np.expm1(-length / 2)
    return np.asarray((share + own * np.eye(clock.size)) @ volts**2)


def _unknown(takes: int, reason: str) -> DriftFit:
    nothing = np.zeros(takes)
    return DriftFit(nothing, nothing, None, None, None, None, (), nothing, "not known", reason)
