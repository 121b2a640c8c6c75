"""Compression at each drive: change of the fundamental's level minus change of drive."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.frequencies import check_levels
from anechain.acoustics.curve.smoothing import smooth
from anechain.acoustics.nonlinear.reading_uncertainty import level_resolution, noise_uncertainty
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "COVERAGE_FACTOR",
    "MAX_UNCERTAINTY",
    "MISSING",
    "NOISE",
    "REASONS",
    "ROUNDING",
    "USED",
    "CompressionDeltas",
    "check_drives",
    "compression_deltas",
]

Flags = NDArray[np.int64]

USED, MISSING, NOISE, ROUNDING = 0, 1, 2, 3
REASONS = {
    USED: "used",
    MISSING: "not measured, or outside the valid band",
    NOISE: "noise dominates",
    ROUNDING: "rounding of the export dominates",
}
"""Why a delta is masked, by flag."""

MAX_UNCERTAINTY = 0.5
"""Expanded uncertainty in dB above which a delta is masked. Common practice, no source."""

COVERAGE_FACTOR = 2.0
"""Coverage factor of the expanded uncertainty (GUM, about 95 per cent)."""


@dataclass(frozen=True)
class CompressionDeltas:
    """Level of the fundamental at each drive minus that at the lowest drive, minus the change of drive.

    Attributes
    ----------
    delta_db : numpy.ndarray, shape (drives, n)
        dB, negative where the level rises less than the drive; 0 at the lowest drive, by definition; NaN where masked.
    uncertainty_db : numpy.ndarray, shape (drives, n)
        Expanded uncertainty (k = 2) in dB from noise and rounding, before smoothing; NaN where not measured, infinite
        where the level is less than about 10 dB above the noise.
    flag : numpy.ndarray of int, shape (drives, n)
        Why a delta is masked, see `REASONS`.
    resolution_db : numpy.ndarray, shape (drives,)
        Step in dB that the levels of each drive are rounded to; 0 if not known.
    noise_known : bool
        Whether the noise is known anywhere.
    """

    delta_db: Floats
    uncertainty_db: Floats
    flag: Flags
    resolution_db: Floats
    noise_known: bool


def check_drives(frequency: ArrayLike, level: ArrayLike, drive: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Return frequencies, levels and ascending drives as checked arrays.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    level : array_like, shape (drives, n)
        dB.
    drive : array_like, shape (drives,)
        V r.m.s., ascending.

    Raises
    ------
    ValueError
        If the frequencies or drives are not ascending above zero, or the shapes disagree.
    """
    grid, levels = check_levels(frequency, level)
    volts = np.asarray(drive, dtype=np.float64)
    if levels.ndim != 2 or volts.shape != levels.shape[:1] or volts.size == 0:
        raise ValueError(f"levels need one row for each drive, not shape {levels.shape} for {volts.size} drives")
    if not np.isfinite(volts).all() or not volts[0] > 0 or not (np.diff(volts) > 0).all():
        raise ValueError("drives must be finite, above 0 V and strictly ascending")
    return grid, levels, volts


@method(
    "compression-delta",
    version=1,
    title="Compression: change of the fundamental's level minus change of drive, re the lowest drive",
    formula="Level at a drive minus level at the lowest drive minus 20 lg of the ratio of the drives",
    source="level at a drive re a low one, minus 20 lg of the ratio of the drives; uncertainty by GUM, 5.1 and F.2.2.1 "
    "(rounding to a step s: s / sqrt 12), k = 2",
    source_status="common practice, no source",
    limitations="The lowest drive is assumed to be free of compression. Smoothing flattens narrow changes. Changes of "
    "gain or distance that the file does not state appear as compression.",
)
def compression_deltas(
    frequency: ArrayLike,
    level: ArrayLike,
    drive: ArrayLike,
    noise: ArrayLike | None = None,
    smoothing: float | None = None,
    max_uncertainty_db: float = MAX_UNCERTAINTY,
) -> CompressionDeltas:
    """Return the compression at each drive re the lowest drive.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    level : array_like, shape (drives, n)
        Level of the fundamental in dB at each drive, not referred to a common drive.
    drive : array_like, shape (drives,)
        V r.m.s., ascending.
    noise : array_like, shape (drives, n), optional
        Level of the noise alone in dB; NaN where it is not known. Unknown noise masks nothing.
    smoothing : float, optional
        Bands per octave of the smoothing. The squared pressure of both levels is smoothed over the frequencies that
        both have; the noise is smoothed in the same way.
    max_uncertainty_db : float
        Expanded uncertainty in dB above which a delta is masked.

    Returns
    -------
    CompressionDeltas

    Raises
    ------
    ValueError
        If the frequencies or drives are not ascending above zero, the shapes disagree, or `smoothing` or
        `max_uncertainty_db` is not above zero.

    Notes
    -----
    All deltas of a linear device are zero, whatever its response. A constant added to all levels changes no delta.
    """
    grid, levels, volts = check_drives(frequency, level, drive)
    if not max_uncertainty_db > 0:
        raise ValueError(f"the largest uncertainty must be above zero, not {max_uncertainty_db}")
    noise_level = np.full(levels.shape, np.nan) if noise is None else np.asarray(noise, dtype=np.float64)
    if noise_level.shape != levels.shape:
        raise ValueError(f"noise of shape {noise_level.shape} for levels of shape {levels.shape}")
    if smoothing is not None:
        # Noise read at one frequency is random; its mean over the smoothing band decides.
        noise_level = smooth(grid, noise_level, smoothing)
    resolution = np.array([level_resolution(row) for row in levels])
    measured = np.isfinite(levels) & np.isfinite(levels[0])
    level_to_noise = np.where(np.isfinite(levels), levels - noise_level, 0.0)
    own = np.where(np.isnan(noise_level), 0.0, noise_uncertainty(level_to_noise))
    rows = np.arange(volts.size)[:, np.newaxis]
    # The lowest drive is compared with itself, so its own noise and rounding count once.
    from_noise = own**2 + np.where(rows > 0, own[0] ** 2, 0.0)
    from_rounding = (resolution[:, np.newaxis] ** 2 + np.where(rows > 0, resolution[0] ** 2, 0.0)) / 12.0
    expanded = np.where(measured, COVERAGE_FACTOR * np.sqrt(from_noise + from_rounding), np.nan)
    too_uncertain = measured & (expanded > max_uncertainty_db)
    flag = np.full(levels.shape, USED)
    flag[too_uncertain] = np.where(from_noise >= from_rounding, NOISE, ROUNDING)[too_uncertain]
    flag[~measured] = MISSING
    delta = np.full(levels.shape, np.nan)
    drive_change = 20.0 * np.log10(volts / volts[0])
    for row in range(volts.size):
        # Smooth both levels over the same frequencies: next to a gap, different bands would look like compression.
        pair = np.where(flag[row] == USED, levels[[row, 0]], np.nan)
        if smoothing is not None:
            pair = smooth(grid, pair, smoothing)
        delta[row] = 0.0 * pair[1] if row == 0 else pair[0] - pair[1] - drive_change[row]
    return CompressionDeltas(delta, expanded, flag, resolution, bool(np.isfinite(noise_level).any()))
