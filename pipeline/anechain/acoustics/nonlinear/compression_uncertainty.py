"""By how much what is read off compression changes with the levels it is read from."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["passing_shares", "rise_uncertainty"]


@method(
    "passing-level-shares",
    version=1,
    title="By how much the level at a limit of compression changes with the level at each drive",
    formula="L = (1 - t) La + t Lb, t = (limit - Da) / (Db - Da), D = level less that at the lowest drive less the "
    "step of the drive: its derivatives by the level at each drive",
    source="GUM, JCGM 100:2008, 5.1.3: sensitivity coefficients of the reading between two drives",
    limitations="First order: for errors that leave the passage between the same two drives.",
)
def passing_shares(
    drives: int, below: int, level_db: ArrayLike, delta_db: ArrayLike, limit_db: float
) -> tuple[Floats, float]:
    """Derivatives of the level at which a band passes a limit.

    Parameters
    ----------
    drives : int
        How many there are; the first is the lowest, which all are held against.
    below : int
        The drive below the passage, its place among the drives.
    level_db, delta_db : array_like, shape (2,)
        Level and compression at the drive below the passage and at that above it.
    limit_db : float
        dB.

    Returns
    -------
    shares : numpy.ndarray, shape (drives,)
        dB per dB of level at each drive. They add to one: what is alike at all drives moves the level by as much.
    per_delta : float
        dB of level per dB of compression.

    Raises
    ------
    ValueError
        If the compression does not change between the two drives.
    """
    level, delta = np.asarray(level_db, dtype=np.float64), np.asarray(delta_db, dtype=np.float64)
    if not delta[1] < delta[0]:
        raise ValueError(f"the limit is passed where compression grows, not from {delta[0]} to {delta[1]} dB")
    share = (limit_db - delta[0]) / (delta[1] - delta[0])
    per_delta = float((level[1] - level[0]) / (delta[1] - delta[0]))
    weights = np.array([1.0 - share, share])
    found = np.zeros(drives)
    found[[below, below + 1]] = weights * (1.0 - per_delta)
    found[0] += per_delta
    return found, per_delta


@method(
    "coil-rise-uncertainty",
    version=1,
    title="Uncertainty of the rise of the coil's temperature that a loss of level would need",
    formula="dT r / (r - 1) 0.115 per dB times that of the loss, r = 10^(-L / 20)",
    source="GUM, JCGM 100:2008, 5.1.2, on the inverse of the loss by heating at constant voltage",
    limitations="Of the level alone: whether heat is the cause, and the share of resistance in series, are "
    "assumptions.",
)
def rise_uncertainty(delta_db: float, rise_k: float, standard_db: float) -> float:
    """Standard uncertainty in kelvin of an implied rise of temperature.

    Parameters
    ----------
    delta_db : float
        Change of level, below zero.
    rise_k : float
        The rise that it implies.
    standard_db : float
        Standard uncertainty of the change of level.

    Raises
    ------
    ValueError
        If the change of level is not below zero.
    """
    if not delta_db < 0:
        raise ValueError(f"heat takes level away: below 0 dB, not {delta_db}")
    ratio = 10.0 ** (-delta_db / 20.0)
    return float(rise_k * ratio / (ratio - 1.0) * np.log(10.0) / 20.0 * standard_db)
