"""Uncertainty of results read from compression: level at a limit, and coil temperature."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["limit_level_sensitivities", "temperature_rise_uncertainty"]


@method(
    "passing-level-shares",
    version=1,
    title="Sensitivity coefficients: level at a limit of compression, by the level at each drive",
    formula="L = (1 - t) La + t Lb, t = (limit - Da) / (Db - Da), D = level minus that at the lowest drive minus the "
    "change of drive: its derivatives by the level at each drive",
    source="GUM, JCGM 100:2008, 5.1.3: sensitivity coefficients of an interpolation between two drives",
    limitations="First order: valid for errors that keep the crossing between the same two drives.",
)
def limit_level_sensitivities(
    drives: int, below: int, level_db: ArrayLike, delta_db: ArrayLike, limit_db: float
) -> tuple[Floats, float]:
    """Return the derivatives of the level at which a band reaches a limit.

    Parameters
    ----------
    drives : int
        Number of drives; the first one is the lowest, the reference of all deltas.
    below : int
        Index of the drive below the crossing.
    level_db, delta_db : array_like, shape (2,)
        Level and compression at the drive below the crossing and at the drive above it, dB.
    limit_db : float
        dB.

    Returns
    -------
    shares : numpy.ndarray, shape (drives,)
        dB per dB of level at each drive. Their sum is 1: an error common to all drives shifts the level as much.
    per_delta : float
        dB of level per dB of compression.

    Raises
    ------
    ValueError
        If the compression does not grow between the two drives.
    """
    level, delta = np.asarray(level_db, dtype=np.float64), np.asarray(delta_db, dtype=np.float64)
    if not delta[1] < delta[0]:
        raise ValueError(f"compression must grow between the two drives, not change from {delta[0]} to {delta[1]} dB")
    t = (limit_db - delta[0]) / (delta[1] - delta[0])
    per_delta = float((level[1] - level[0]) / (delta[1] - delta[0]))
    weights = np.array([1.0 - t, t])
    shares = np.zeros(drives)
    shares[[below, below + 1]] = weights * (1.0 - per_delta)
    shares[0] += per_delta
    return shares, per_delta


@method(
    "coil-rise-uncertainty",
    version=1,
    title="Uncertainty of the rise of the coil's temperature that would explain a loss of level",
    formula="dT r / (r - 1) 0.115 per dB times that of the loss, r = 10^(-L / 20)",
    source="GUM, JCGM 100:2008, 5.1.2, on the inverse of the loss by heating at constant voltage",
    limitations="Uncertainty from the level only: heating as the cause, and the series resistance ratio, are "
    "assumptions.",
)
def temperature_rise_uncertainty(delta_db: float, rise_k: float, standard_db: float) -> float:
    """Return the standard uncertainty in kelvin of an implied rise of temperature.

    Parameters
    ----------
    delta_db : float
        Change of level, dB, below zero.
    rise_k : float
        Rise of temperature that it implies, K.
    standard_db : float
        Standard uncertainty of the change of level, dB.

    Returns
    -------
    float
        K.

    Raises
    ------
    ValueError
        If the change of level is not below zero.
    """
    if not delta_db < 0:
        raise ValueError(f"heating lowers the level: the change must be below 0 dB, not {delta_db}")
    ratio = 10.0 ** (-delta_db / 20.0)
    return float(rise_k * ratio / (ratio - 1.0) * np.log(10.0) / 20.0 * standard_db)
