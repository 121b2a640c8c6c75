"""Compression of octave bands, and the drive and level at which a band reaches a limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.bands import band_centres, band_edges
from anechain.acoustics.curve.frequencies import SAME_FREQUENCY
from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.acoustics.nonlinear.compression_deltas import USED, check_drives
from anechain.acoustics.nonlinear.octave_weights import MIN_COVERAGE, band_weights
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["LimitReached", "OctaveBands", "limit_reached", "octave_bands"]


@dataclass(frozen=True)
class OctaveBands:
    """Level and compression of octave bands.

    Attributes
    ----------
    centre_hz : numpy.ndarray, shape (bands,)
        Exact mid-band frequencies, Hz.
    level_db, delta_db : numpy.ndarray, shape (drives, bands)
        dB; NaN where less than two thirds of the band could be used.
    """

    centre_hz: Floats
    level_db: Floats
    delta_db: Floats


@dataclass(frozen=True)
class LimitReached:
    """Drive and level at which a band reaches a limit.

    Attributes
    ----------
    drive_v, level_db : float or None
        V r.m.s. and dB; None if the limit is not reached or the drive is not known.
    bracket_v : tuple of float or None
        The two measured drives that `drive_v` is interpolated between.
    highest_v, highest_db : float or None
        Highest drive at which the band was measured, and its level there.
    reason : str
        Why there is no drive; empty if there is one.
    """

    drive_v: float | None
    level_db: float | None
    bracket_v: tuple[float, float] | None
    highest_v: float | None
    highest_db: float | None
    reason: str


@method(
    "octave-compression",
    version=1,
    title="Compression of octave bands",
    formula="10 lg of the mean squared pressure in the octave at a drive, minus that at the lowest drive, minus the "
    "change of drive",
    source="IEC 61260-1:2014 (bands); level of the mean squared pressure over log frequency at a drive re the lowest, "
    "minus the change of drive, over the frequencies that both have",
    source_status="common practice, no source",
    limitations="Valid for a signal of equal energy per octave played tone by tone: all bands at once heat the coil "
    "more.",
)
def octave_bands(frequency: ArrayLike, level: ArrayLike, drive: ArrayLike, flag: ArrayLike) -> OctaveBands:
    """Return the level and the compression of each octave band at each drive.

    Parameters
    ----------
    frequency, level, drive
        As in :func:`anechain.acoustics.nonlinear.compression_deltas.compression_deltas`.
    flag : array_like of int, shape (drives, n)
        Flags of the compression deltas: only levels flagged as used count.

    Returns
    -------
    OctaveBands
        The bands that are inside the data.

    Raises
    ------
    ValueError
        If the frequencies or drives are not ascending above zero, or the shapes disagree.
    """
    grid, levels, volts = check_drives(frequency, level, drive)
    used = np.asarray(flag) == USED
    if used.shape != levels.shape:
        raise ValueError(f"flags of shape {used.shape} for levels of shape {levels.shape}")
    centres = band_centres(1, float(grid[0]), float(grid[-1]))
    lower, upper = band_edges(centres, 1)
    within = (lower >= grid[0] * (1 - SAME_FREQUENCY)) & (upper <= grid[-1] * (1 + SAME_FREQUENCY))
    centres, lower, upper = centres[within], lower[within], upper[within]
    band_level = np.full((volts.size, centres.size), np.nan)
    delta = np.full_like(band_level, np.nan)
    power = power_of_level(levels)
    drive_change = 20.0 * np.log10(volts / volts[0])
    for column, (low, high) in enumerate(zip(lower.tolist(), upper.tolist(), strict=True)):
        weight = band_weights(grid, low, high)
        for row in range(volts.size):
            used_weight = np.where(used[row], weight, 0.0)
            if not used_weight.sum() > 0 or used_weight.sum() < MIN_COVERAGE * weight.sum():
                continue
            counted = used_weight > 0
            own, lowest = (
                float(level_of_power(np.average(power[take, counted], weights=used_weight[counted])))
                for take in (row, 0)
            )
            band_level[row, column] = own
            delta[row, column] = own - lowest - drive_change[row]
    return OctaveBands(centres, band_level, delta)


@method(
    "level-at-compression",
    version=1,
    title="Drive and level at which a band reaches a limit of compression",
    formula="Drive, and level there, at which the delta first reaches the limit, interpolated over the drive in dB",
    source="first crossing with rising drive, straight lines over the drive in dB between measured drives",
    source_status="common practice, no source",
    limitations="Never above the highest drive measured. Only as fine as the steps between measured drives.",
)
def limit_reached(drive: ArrayLike, level: ArrayLike, delta: ArrayLike, limit_db: float = -1.0) -> LimitReached:
    """Return the drive and level at which one band reaches a limit, interpolated between measured drives.

    Parameters
    ----------
    drive, level, delta : array_like, shape (drives,)
        V r.m.s., ascending; level and compression of the band in dB, NaN where they are not known.
    limit_db : float
        dB, below zero.

    Returns
    -------
    LimitReached

    Raises
    ------
    ValueError
        If the shapes disagree or the limit is not below zero.
    """
    volts, levels, deltas = (np.asarray(values, dtype=np.float64) for values in (drive, level, delta))
    if not volts.shape == levels.shape == deltas.shape or volts.ndim != 1 or not limit_db < 0:
        raise ValueError("each drive needs one level and one delta, and the limit must be below zero")
    rows = np.flatnonzero(np.isfinite(levels) & np.isfinite(deltas))
    if rows.size < 2:
        return LimitReached(None, None, None, None, None, "fewer than two drives could be used in this band")
    highest = float(volts[rows[-1]]), float(levels[rows[-1]])
    exceeding = np.flatnonzero(deltas[rows] <= limit_db)
    if exceeding.size == 0:
        reason = f"{limit_db:g} dB not reached up to {highest[0]:.3g} V, {highest[1]:.1f} dB"
        if rows[-1] < volts.size - 1:
            reason += "; at higher drives too little of the band could be used"
        return LimitReached(None, None, None, *highest, reason)
    first = int(exceeding[0])
    if first == 0:
        return LimitReached(None, None, None, *highest, "passed at the lowest drive already")
    below, above = rows[first - 1], rows[first]
    t = (limit_db - deltas[below]) / (deltas[above] - deltas[below])
    drive_v = float(volts[below] * (volts[above] / volts[below]) ** t)
    bracket = float(volts[below]), float(volts[above])
    level_db = float(levels[below] + t * (levels[above] - levels[below]))
    return LimitReached(drive_v, level_db, bracket, *highest, "")
