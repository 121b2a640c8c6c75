"""Change of harmonic orders with level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.arrays import Floats

__all__ = ["LevelSlopes", "slopes_at_take", "slopes_between"]

Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class LevelSlopes:
    """Change of each order with level.

    Attributes
    ----------
    softer, louder : numpy.ndarray, shape (orders, n)
        Change of the order re the fundamental in dB per dB of level, towards lower and towards higher levels.
    weight : numpy.ndarray, shape (n,)
        Share of each fundamental in the level; the shares add to one.
    """

    softer: Floats
    louder: Floats
    weight: Floats


def slopes_between(first: ArrayLike, second: ArrayLike, step_db: float) -> Floats:
    """Return the change of each order per dB of level between two takes; 0 where either take has no value.

    Parameters
    ----------
    first, second : array_like, shape (orders, n)
        Orders of the two takes, dB re the fundamental.
    step_db : float
        Level of the second take minus level of the first take, dB.

    Returns
    -------
    numpy.ndarray, shape (orders, n)
        dB per dB.
    """
    slope = (np.asarray(second, dtype=np.float64) - np.asarray(first, dtype=np.float64)) / step_db
    return np.asarray(np.where(np.isfinite(slope), slope, 0.0))


def slopes_at_take(
    levels: Sequence[float], relative_db: ArrayLike, bound: ArrayLike, take: int
) -> tuple[Floats, Floats] | None:
    """Return the change of each order per dB of level towards the next lower and the next higher level.

    Parameters
    ----------
    levels : sequence of float
        Level of each take in dB; NaN where it is not known.
    relative_db, bound : array_like, shape (takes, orders, n)
        dB re the fundamental, and whether that is an upper limit. Between a value and a limit no slope is defined: the
        slope towards the other side is used there if it is defined.
    take : int
        Index of the take.

    Returns
    -------
    (numpy.ndarray, numpy.ndarray) or None
        Slopes towards lower and higher levels, each of shape (orders, n), dB per dB; None if there is no other take.
    """
    known = np.asarray(levels, dtype=np.float64)
    relative, flags = np.asarray(relative_db, dtype=np.float64), np.asarray(bound, dtype=bool)
    here = known[take]
    below, above = np.flatnonzero(known < here), np.flatnonzero(known > here)
    sides: list[tuple[Floats, Flags]] = []
    for other in (
        *([int(below[np.argmax(known[below])])] if below.size else []),
        *([int(above[np.argmin(known[above])])] if above.size else []),
    ):
        defined = (flags[other] == flags[take]) & np.isfinite(relative[other])
        sides.append((slopes_between(relative[take], relative[other], float(known[other] - here)), defined))
    if not sides:
        return None
    (softer, softer_ok), (louder, louder_ok) = sides[0], sides[-1]
    return np.where(~softer_ok & louder_ok, louder, softer), np.where(~louder_ok & softer_ok, softer, louder)
