"""Compression split into a change of level and a change of shape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels
from anechain.acoustics.nonlinear.octave_weights import MIN_COVERAGE, band_weights
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["LevelAndShape", "gain_notes", "level_and_shape", "rms_about_mean"]


@dataclass(frozen=True)
class LevelAndShape:
    """Compression split into a change of level and a change of shape.

    Attributes
    ----------
    level_db : numpy.ndarray, shape (drives,)
        Mean delta over the band, dB; NaN where too little of the band could be used.
    shape_db : numpy.ndarray, shape (drives, n)
        Each delta minus the mean delta, dB.
    shape_rms_db : numpy.ndarray, shape (drives,)
        Root mean square of `shape_db` over log frequency, over all frequencies with a delta.
    """

    level_db: Floats
    shape_db: Floats
    shape_rms_db: Floats


@method(
    "compression-level-and-shape",
    version=1,
    title="Change of level and change of shape with the drive",
    formula="Mean delta over log frequency in the band, and delta minus that mean at each frequency",
    source="mean delta over log frequency in a stated band; the difference from it is the change of shape",
    source_status="common practice, no source",
    limitations="A change inside the band counts as a change of level. One number describes a whole band.",
)
def level_and_shape(frequency: ArrayLike, delta: ArrayLike, band: tuple[float, float]) -> LevelAndShape:
    """Split the deltas of each drive into a change of level and a change of shape.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    delta : array_like, shape (drives, n)
        dB, NaN where there is no delta.
    band : tuple of float
        Ends of the band over which the mean is taken, Hz.

    Returns
    -------
    LevelAndShape
        NaN where less than two thirds of the band have a delta.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the band is not ascending above zero.
    """
    grid, deltas = check_levels(frequency, delta)
    if deltas.ndim != 2 or not 0 < band[0] < band[1] < np.inf:
        raise ValueError("deltas need one row for each drive, and the band must be ascending above zero")
    known = np.isfinite(deltas)
    deltas_or_zero = np.where(known, deltas, 0.0)
    weight = np.where(known, band_weights(grid, *band), 0.0)
    covered = weight.sum(axis=1) >= MIN_COVERAGE * np.log2(band[1] / band[0])
    level = np.full(deltas.shape[0], np.nan)
    level[covered] = (weight * deltas_or_zero).sum(axis=1)[covered] / weight.sum(axis=1)[covered]
    shape = deltas - level[:, np.newaxis]
    whole_weight = np.where(np.isfinite(shape), band_weights(grid, float(grid[0]), float(grid[-1])), 0.0)
    rms = np.full(deltas.shape[0], np.nan)
    for row in np.flatnonzero(whole_weight.sum(axis=1) > 0):
        rms[row] = rms_about_mean(deltas_or_zero[row], weight[row], whole_weight[row])
    return LevelAndShape(level, shape, rms)


def rms_about_mean(values: Floats, mean_weight: Floats, rms_weight: Floats) -> Floats:
    """Return the weighted root mean square of values about their weighted mean.

    Parameters
    ----------
    values : numpy.ndarray, shape (..., n)
        dB.
    mean_weight, rms_weight : numpy.ndarray, shape (n,)
        Weights of the mean, and of the root mean square.

    Returns
    -------
    numpy.ndarray, shape (...)
        dB.
    """
    mean = values @ mean_weight / mean_weight.sum()
    return np.asarray(np.sqrt((values - mean[..., np.newaxis]) ** 2 @ rms_weight / rms_weight.sum()))


def gain_notes(drive: Sequence[float], level_db: ArrayLike, tolerance_db: float = 0.5) -> tuple[str, ...]:
    """Return a note for each drive at which the level rises more than the drive, over a whole band.

    Parameters
    ----------
    drive : sequence of float
        V r.m.s.
    level_db : array_like, shape (drives,)
        Mean delta over a band in dB, from :func:`level_and_shape`.
    tolerance_db : float
        Rise in dB that is tolerated.

    Returns
    -------
    tuple of str
        One note for each such drive.
    """
    return tuple(
        f"at {volt:.3g} V the level rises by {rise:.1f} dB more than the drive: a gain, a drive or the distance "
        "differs from what the file states"
        for volt, rise in zip(drive, np.asarray(level_db, dtype=np.float64).tolist(), strict=True)
        if rise > tolerance_db
    )
