"""Compression: by how much the fundamental rises less than the drive, where, and from which level on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.frequencies import SAME_FREQUENCY, band_centres, band_edges, check_levels, hertz
from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.acoustics.curve.smoothing import smooth
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "LEAST_COVER",
    "MISSING",
    "MOST_UNCERTAIN",
    "NOISE",
    "REASONS",
    "ROUNDING",
    "USED",
    "CompressionDeltas",
    "ExceedanceBand",
    "LevelAndShape",
    "LimitReached",
    "OctaveBands",
    "band_weights",
    "compression_deltas",
    "in_words",
    "level_and_shape",
    "level_resolution",
    "limit_reached",
    "noise_uncertainty",
    "octave_bands",
    "passed_bands",
    "unequal_gain",
]

Flags = NDArray[np.int64]

USED, MISSING, NOISE, ROUNDING = 0, 1, 2, 3
REASONS = {
    USED: "used",
    MISSING: "not measured, or outside the valid band",
    NOISE: "noise rules",
    ROUNDING: "rounding of the export rules",
}
"""Why a delta is not given, by flag."""

MOST_UNCERTAIN = 0.5
"""dB of expanded uncertainty beyond which a delta is not given. Common practice, no source."""

COVERAGE_FACTOR = 2.0
"""Of the expanded uncertainty (GUM, about 95 per cent)."""

LEAST_COVER = 2.0 / 3.0
"""Share of a band, in octaves, that must hold deltas for the band to have one. Common practice, no source."""

STEPS = (1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)
"""Steps in dB that a table export may have rounded to."""

FEWEST_DISTINCT = 8
"""Distinct values below which nothing is said about rounding."""

STEP_TOLERANCE = 2e-5
"""dB by which a value kept in single precision may miss its step."""

LARGEST_NOISE_RATIO = 0.3
"""Noise to level, as a ratio, up to which the first-order uncertainty holds."""


@dataclass(frozen=True)
class CompressionDeltas:
    """Fundamental at each drive minus that at the lowest, minus the step of the drive.

    Attributes
    ----------
    delta_db : numpy.ndarray, shape (drives, n)
        dB, negative where the level rises less than the drive; 0 at the lowest drive, by definition; NaN where masked.
    uncertainty_db : numpy.ndarray, shape (drives, n)
        Expanded uncertainty (k = 2) in dB from noise and rounding, before smoothing; NaN where not measured, infinite
        where noise is as strong as the level.
    flag : numpy.ndarray of int, shape (drives, n)
        Why a delta is masked, see `REASONS`.
    resolution_db : numpy.ndarray, shape (drives,)
        Step in dB that the levels of each drive are rounded to; 0 where none is seen.
    noise_known : bool
        Whether any noise was known.
    """

    delta_db: Floats
    uncertainty_db: Floats
    flag: Flags
    resolution_db: Floats
    noise_known: bool


@dataclass(frozen=True)
class ExceedanceBand:
    """A band of frequencies in which a limit is passed.

    Attributes
    ----------
    low_hz, high_hz : float
        Its ends, read between samples.
    low_open, high_open : bool
        Whether the data end, or have a gap, there, so that the band may reach further.
    deepest_db : float
        Lowest delta in it, dB.
    deepest_hz : float
        Where that is.
    """

    low_hz: float
    high_hz: float
    low_open: bool
    high_open: bool
    deepest_db: float
    deepest_hz: float


@dataclass(frozen=True)
class LimitReached:
    """Drive and level at which a band passes a limit.

    Attributes
    ----------
    drive_v, level_db : float or None
        V r.m.s. and dB; None if the limit is not passed or that is not known.
    bracket_v : tuple of float or None
        The two measured drives that `drive_v` was read between.
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


@dataclass(frozen=True)
class OctaveBands:
    """Level and compression of octave bands.

    Attributes
    ----------
    centre_hz : numpy.ndarray, shape (bands,)
        Exact mid-band frequencies, Hz.
    level_db, delta_db : numpy.ndarray, shape (drives, bands)
        dB; NaN where fewer than two thirds of the band could be used.
    """

    centre_hz: Floats
    level_db: Floats
    delta_db: Floats


@dataclass(frozen=True)
class LevelAndShape:
    """A change with the drive, split into a change of level and one of shape.

    Attributes
    ----------
    level_db : numpy.ndarray, shape (drives,)
        Mean delta over the band, dB; NaN where too little of the band could be used.
    shape_db : numpy.ndarray, shape (drives, n)
        What is left of each delta, dB.
    shape_rms_db : numpy.ndarray, shape (drives,)
        Its r.m.s. over log frequency, all frequencies with a delta.
    """

    level_db: Floats
    shape_db: Floats
    shape_rms_db: Floats


def _check(frequency: ArrayLike, level: ArrayLike, drive: ArrayLike) -> tuple[Floats, Floats, Floats]:
    grid, levels = check_levels(frequency, level)
    volts = np.asarray(drive, dtype=np.float64)
    if levels.ndim != 2 or volts.shape != levels.shape[:1] or volts.size == 0:
        raise ValueError(
            f"one row of levels for each drive, not levels of shape {levels.shape} for {volts.size} drives"
        )
    if not np.isfinite(volts).all() or not volts[0] > 0 or not (np.diff(volts) > 0).all():
        raise ValueError("drives must be finite, above 0 V and strictly ascending")
    return grid, levels, volts


@method(
    "level-resolution",
    version=1,
    title="Step that exported levels are rounded to",
    formula="Largest usual step of which all differences are whole multiples",
    source="largest usual step of which all differences between the values are multiples",
    source_status="common practice, no source",
    limitations="Not seen once values were interpolated or averaged, and not with fewer than eight distinct values.",
)
def level_resolution(level: ArrayLike) -> float:
    """Step in dB that values were rounded to; 0 where none is seen.

    A constant that was added afterwards (a distance, a calibration) does not hide the step.

    Parameters
    ----------
    level : array_like
        dB, as exported; NaN is left out.

    Returns
    -------
    float
        dB, from 0.001 to 1.
    """
    values = np.asarray(level, dtype=np.float64).ravel()
    values = values[np.isfinite(values)]
    if values.size == 0 or np.unique(np.round(values, 4)).size < FEWEST_DISTINCT:
        return 0.0
    above = values - values[0]
    for step in STEPS:
        if (np.abs(above - step * np.rint(above / step)) <= STEP_TOLERANCE).all():
            return step
    return 0.0


@method(
    "noise-uncertainty",
    version=1,
    title="Standard uncertainty of a level beside noise",
    formula="8.686 dB times 10^(-S / 20) over sqrt 2, S being the level above the noise",
    source="a noise phasor of random phase: its part in phase with the tone has the standard deviation r / sqrt 2 for "
    "a ratio r of noise to tone, and 20 lg(1 + x) is 8.686 x to first order (GUM, 5.1)",
    source_status="common practice, no source",
    limitations="First order: up to a noise 10 dB below the level. Holds for noise, not for a hum that keeps its "
    "phase.",
)
def noise_uncertainty(level_to_noise_db: ArrayLike) -> Floats:
    """Standard uncertainty in dB of a level that stands so many dB above the noise; infinite below about 10 dB."""
    ratio = 10.0 ** (-np.asarray(level_to_noise_db, dtype=np.float64) / 20.0)
    first_order = 20.0 / np.log(10.0) * ratio / np.sqrt(2.0)
    return np.asarray(np.where(ratio > LARGEST_NOISE_RATIO, np.inf, first_order))


@method(
    "compression-delta",
    version=1,
    title="Compression: fundamental at a drive minus that at the lowest, minus the step of the drive",
    formula="Level at a drive less level at the lowest drive less 20 lg of the ratio of the drives",
    source="level at a drive re a low one, less 20 lg of the ratio of the drives; uncertainty by GUM, 5.1 and F.2.2.1 "
    "(rounding to a step s: s / sqrt 12), k = 2",
    source_status="common practice, no source",
    limitations="The lowest drive is taken as free of compression. Smoothing flattens narrow changes. Differences of "
    "drive "
    "or distance that the file does not tell come out as compression.",
)
def compression_deltas(
    frequency: ArrayLike,
    level: ArrayLike,
    drive: ArrayLike,
    noise: ArrayLike | None = None,
    smoothing: float | None = None,
    most_uncertain_db: float = MOST_UNCERTAIN,
) -> CompressionDeltas:
    """Compression at each drive re the lowest one.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    level : array_like, shape (drives, n)
        Fundamental in dB, at the drive itself.
    drive : array_like, shape (drives,)
        V r.m.s., ascending.
    noise : array_like, shape (drives, n), optional
        Level in dB that noise alone has; NaN where it is not known. Noise that is not known masks nothing.
    smoothing : float, optional
        Windows per octave. Squared pressure of both levels is smoothed over the frequencies that both have, and that
        of the noise alike.
    most_uncertain_db : float
        Expanded uncertainty beyond which a delta is masked.

    Returns
    -------
    CompressionDeltas

    Raises
    ------
    ValueError
        If the frequencies or drives are not ascending above zero, the shapes disagree or an option has no such value.

    Notes
    -----
    A linear device has no delta, whatever its response, and a constant added to all levels changes none.
    """
    grid, levels, volts = _check(frequency, level, drive)
    if not most_uncertain_db > 0:
        raise ValueError(f"the largest uncertainty is above zero, not {most_uncertain_db}")
    floor = np.full(levels.shape, np.nan) if noise is None else np.asarray(noise, dtype=np.float64)
    if floor.shape != levels.shape:
        raise ValueError(f"noise of shape {floor.shape} for levels of shape {levels.shape}")
    if smoothing is not None:
        # Noise read at one frequency is a random number; what it is in the mean over the window decides.
        floor = smooth(grid, floor, smoothing)
    resolution = np.array([level_resolution(row) for row in levels])
    measured = np.isfinite(levels) & np.isfinite(levels[0])
    own = np.where(np.isnan(floor), 0.0, noise_uncertainty(np.where(np.isfinite(levels), levels - floor, 0.0)))
    rows = np.arange(volts.size)[:, np.newaxis]
    # The lowest drive is compared with itself, so its own noise and rounding count once.
    from_noise = own**2 + np.where(rows > 0, own[0] ** 2, 0.0)
    from_rounding = (resolution[:, np.newaxis] ** 2 + np.where(rows > 0, resolution[0] ** 2, 0.0)) / 12.0
    expanded = np.where(measured, COVERAGE_FACTOR * np.sqrt(from_noise + from_rounding), np.nan)
    too_much = measured & (expanded > most_uncertain_db)
    flag = np.full(levels.shape, USED)
    flag[too_much] = np.where(from_noise >= from_rounding, NOISE, ROUNDING)[too_much]
    flag[~measured] = MISSING
    delta = np.full(levels.shape, np.nan)
    step = 20.0 * np.log10(volts / volts[0])
    for row in range(volts.size):
        # Both levels over the same frequencies, or the windows would differ beside a gap and feign compression.
        pair = np.where(flag[row] == USED, levels[[row, 0]], np.nan)
        if smoothing is not None:
            pair = smooth(grid, pair, smoothing)
        delta[row] = 0.0 * pair[1] if row == 0 else pair[0] - pair[1] - step[row]
    return CompressionDeltas(delta, expanded, flag, resolution, bool(np.isfinite(floor).any()))


@method(
    "compression-bands",
    version=1,
    title="Bands of frequencies in which a limit of compression is passed",
    formula="Frequencies between which the change of level lies at or below the limit, ends read over log frequency",
    source="crossings of the limit, straight lines in dB over log frequency",
    source_status="common practice, no source",
    limitations="As sharp as the data and their smoothing; where a band meets a gap its end is not known.",
)
def passed_bands(frequency: ArrayLike, delta: ArrayLike, limit_db: float) -> tuple[ExceedanceBand, ...]:
    """Bands in which a delta lies at or below a limit.

    Parameters
    ----------
    frequency, delta : array_like, shape (n,)
        Hz, ascending, and dB; NaN where there is none.
    limit_db : float
        dB, below zero.

    Returns
    -------
    tuple of PassedBand
        By rising frequency; empty where the limit is nowhere passed.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the limit is not below zero.
    """
    grid, values = check_levels(frequency, delta)
    if values.ndim != 1 or not limit_db < 0:
        raise ValueError("one row of deltas and a limit below zero are asked for")
    octaves = np.log2(grid)
    passed = values <= limit_db  # False where there is no value
    bounds = np.flatnonzero(np.diff(passed, prepend=False, append=False))

    def end(inside: int, beyond: int) -> tuple[float, bool]:
        if not 0 <= beyond < grid.size or np.isnan(values[beyond]):
            return float(grid[inside]), True
        t = (limit_db - values[inside]) / (values[beyond] - values[inside])
        return float(2.0 ** (octaves[inside] + t * (octaves[beyond] - octaves[inside]))), False

    found = []
    for start, stop in zip(bounds[::2].tolist(), bounds[1::2].tolist(), strict=True):
        (low, low_open), (high, high_open) = end(start, start - 1), end(stop - 1, stop)
        deepest = start + int(np.argmin(values[start:stop]))
        found.append(ExceedanceBand(low, high, low_open, high_open, float(values[deepest]), float(grid[deepest])))
    return tuple(found)


def band_weights(frequency: ArrayLike, low_hz: float, high_hz: float) -> Floats:
    """Octaves of a band that each sample stands for: from midway to its neighbours, cut to the band and the data.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    low_hz, high_hz : float
        The band.
    """
    octaves = np.log2(np.asarray(frequency, dtype=np.float64))
    middles = (octaves[:-1] + octaves[1:]) / 2
    edges = np.clip(np.r_[octaves[0], middles, octaves[-1]], np.log2(low_hz), np.log2(high_hz))
    return np.asarray(np.diff(edges))


@method(
    "octave-compression",
    version=1,
    title="Compression of octave bands",
    formula="10 lg of the mean squared pressure in the octave at a drive, less that at the lowest drive, less the "
    "step of the drive",
    source="IEC 61260-1:2014 (bands); level of the mean squared pressure over log frequency at a drive re the lowest, "
    "less the step of the drive, over the frequencies that both have",
    source_status="common practice, no source",
    limitations="As for a signal of equal energy per octave played tone by tone: all bands at once heat the coil more.",
)
def octave_bands(frequency: ArrayLike, level: ArrayLike, drive: ArrayLike, flag: ArrayLike) -> OctaveBands:
    """Level and compression of each octave band at each drive.

    Parameters
    ----------
    frequency, level, drive
        As in :func:`compression_deltas`.
    flag : array_like of int, shape (drives, n)
        As :func:`compression_deltas` gives it: only what is flagged as used is taken.

    Returns
    -------
    OctaveBands
        The bands that lie within the data.

    Raises
    ------
    ValueError
        If the frequencies or drives are not ascending above zero, or the shapes disagree.
    """
    grid, levels, volts = _check(frequency, level, drive)
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
    step = 20.0 * np.log10(volts / volts[0])
    for column, (low, high) in enumerate(zip(lower.tolist(), upper.tolist(), strict=True)):
        weight = band_weights(grid, low, high)
        for row in range(volts.size):
            share = np.where(used[row], weight, 0.0)
            if not share.sum() > 0 or share.sum() < LEAST_COVER * weight.sum():
                continue
            taken = share > 0
            own, lowest = (
                float(level_of_power(np.average(power[one, taken], weights=share[taken]))) for one in (row, 0)
            )
            band_level[row, column] = own
            delta[row, column] = own - lowest - step[row]
    return OctaveBands(centres, band_level, delta)


@method(
    "level-at-compression",
    version=1,
    title="Drive and level at which a band passes a limit of compression",
    formula="Drive, and level there, at which the change first passes the limit, read over the drive in dB",
    source="first passage with rising drive, straight lines over the drive in dB between measured drives",
    source_status="common practice, no source",
    limitations="Never beyond the highest drive measured. With wide steps between drives as coarse as these.",
)
def limit_reached(drive: ArrayLike, level: ArrayLike, delta: ArrayLike, limit_db: float = -1.0) -> LimitReached:
    """Drive and level at which one band passes a limit, read between measured drives.

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
    volts, levels, deltas = (np.asarray(one, dtype=np.float64) for one in (drive, level, delta))
    if not volts.shape == levels.shape == deltas.shape or volts.ndim != 1 or not limit_db < 0:
        raise ValueError("a level and a delta for each drive and a limit below zero are asked for")
    rows = np.flatnonzero(np.isfinite(levels) & np.isfinite(deltas))
    if rows.size < 2:
        return LimitReached(None, None, None, None, None, "fewer than two drives could be used in this band")
    top = float(volts[rows[-1]]), float(levels[rows[-1]])
    passing = np.flatnonzero(deltas[rows] <= limit_db)
    if passing.size == 0:
        words = f"{limit_db:g} dB not reached up to {top[0]:.3g} V, {top[1]:.1f} dB"
        if rows[-1] < volts.size - 1:
            words += "; louder, too little of the band could be used"
        return LimitReached(None, None, None, *top, words)
    at = int(passing[0])
    if at == 0:
        return LimitReached(None, None, None, *top, "passed at the lowest drive already")
    below, above = rows[at - 1], rows[at]
    t = (limit_db - deltas[below]) / (deltas[above] - deltas[below])
    volt = float(volts[below] * (volts[above] / volts[below]) ** t)
    bracket = float(volts[below]), float(volts[above])
    return LimitReached(volt, float(levels[below] + t * (levels[above] - levels[below])), bracket, *top, "")


@method(
    "compression-level-and-shape",
    version=1,
    title="Change of level with the drive, and change of shape",
    formula="Mean of the change over log frequency in the band, and what is left of it at each frequency",
    source="mean delta over log frequency in a stated band; what is left of each delta is the change of shape",
    source_status="common practice, no source",
    limitations="A change inside the band counts as one of level. One number stands for a whole band.",
)
def level_and_shape(frequency: ArrayLike, delta: ArrayLike, band: tuple[float, float]) -> LevelAndShape:
    """Split the deltas of each drive into a change of level and a change of shape.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    delta : array_like, shape (drives, n)
        dB, NaN where there is none.
    band : tuple of float
        Hz.

    Returns
    -------
    LevelAndShape
        NaN where fewer than two thirds of the band, or of what lies within the data, have a delta.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the band is none.
    """
    grid, deltas = check_levels(frequency, delta)
    if deltas.ndim != 2 or not 0 < band[0] < band[1] < np.inf:
        raise ValueError("one row of deltas for each drive and a rising band above zero are asked for")
    there = np.isfinite(deltas)
    zeroed = np.where(there, deltas, 0.0)
    share = np.where(there, band_weights(grid, *band), 0.0)
    covered = share.sum(axis=1) >= LEAST_COVER * np.log2(band[1] / band[0])
    level = np.full(deltas.shape[0], np.nan)
    level[covered] = (share * zeroed).sum(axis=1)[covered] / share.sum(axis=1)[covered]
    shape = deltas - level[:, np.newaxis]
    everywhere = np.where(np.isfinite(shape), band_weights(grid, float(grid[0]), float(grid[-1])), 0.0)
    rms = np.full(deltas.shape[0], np.nan)
    some = everywhere.sum(axis=1) > 0
    squares = (everywhere * np.where(np.isfinite(shape), shape, 0.0) ** 2).sum(axis=1)
    rms[some] = np.sqrt(squares[some] / everywhere.sum(axis=1)[some])
    return LevelAndShape(level, shape, rms)


def unequal_gain(drive: Sequence[float], level_db: ArrayLike, most_db: float = 0.5) -> tuple[str, ...]:
    """Drives at which the level rises by more than the drive does: what no loudspeaker does over a whole band.

    Parameters
    ----------
    drive : sequence of float
        V r.m.s.
    level_db : array_like, shape (drives,)
        Mean delta over a band in dB, as :func:`level_and_shape` gives it.
    most_db : float
        Rise in dB that is passed over.
    """
    return tuple(
        f"at {volt:.3g} V the level rises by {rise:.1f} dB more than the drive: a gain, a drive or the distance was "
        "not what the file says"
        for volt, rise in zip(drive, np.asarray(level_db, dtype=np.float64).tolist(), strict=True)
        if rise > most_db
    )


def in_words(band: ExceedanceBand) -> str:
    """A band in words: "below 63 Hz", "80 to 120 Hz"; said to reach further where its end is open."""
    low, high = hertz(band.low_hz), hertz(band.high_hz)
    if band.low_hz == band.high_hz:
        return f"at {low} Hz, beside which nothing is known" if band.low_open and band.high_open else f"at {low} Hz"
    if band.low_open and band.high_open:
        return f"at least {low} to {high} Hz"
    if band.low_open:
        return f"up to {high} Hz, from {low} Hz or below"
    return f"from {low} Hz, up to {high} Hz or above" if band.high_open else f"{low} to {high} Hz"
