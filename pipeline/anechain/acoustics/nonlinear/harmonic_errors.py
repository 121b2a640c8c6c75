"""Errors of harmonic orders re the fundamental: one chain hears both, at frequencies of their own.

What is one error at all frequencies (calibration, gains, distance) is in the order and in the fundamental alike and
cancels; what differs over frequency (the microphone's response, what differs from take to take) does not, since order n
is heard at n times the frequency. The level at which distortion is asked for is uncertain too, and by what the
distortion changes with the level, so is the distortion.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.levels import power_of_level
from anechain.acoustics.nonlinear.compression import noise_uncertainty
from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors, first_order
from anechain.acoustics.uncertainty.monte_carlo import SEED
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "AtOrders",
    "LevelSlopes",
    "drawn_orders",
    "drawn_sum",
    "noise_of_orders",
    "order_shares",
    "slopes_at_take",
    "slopes_between",
    "sounding",
    "sum_uncertainty",
]

Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]

NEPER = float(np.log(10.0)) / 20.0
"""Relative change of an amplitude per decibel, to first order."""

CLEAREST = 10.46
"""dB above the noise from which on its first order holds: what counts as a value at 10 dB is given that of 10.46 dB."""


@dataclass(frozen=True)
class AtOrders:
    """Errors of captures at all frequencies that sound in them, and which of those are whose.

    Attributes
    ----------
    errors : DirectionErrors
        Of captures in place of directions: one row for each.
    first : numpy.ndarray of int, shape (n,)
        Row of each fundamental among the frequencies of the errors.
    order : numpy.ndarray of int, shape (orders, n)
        Row of each order.
    """

    errors: DirectionErrors
    first: Rows
    order: Rows


@dataclass(frozen=True)
class LevelSlopes:
    """By how much each order changes with the level at which it is read.

    Attributes
    ----------
    softer, louder : numpy.ndarray, shape (orders, n)
        dB re the fundamental, per dB of level, towards softer and towards louder ones.
    weight : numpy.ndarray, shape (n,)
        Share of each fundamental in the level, adding to one.
    """

    softer: Floats
    louder: Floats
    weight: Floats


def sounding(frequency: ArrayLike, orders: Sequence[int], there: ArrayLike) -> tuple[Floats, Rows, Rows]:
    """All frequencies that sound when fundamentals are played, and where fundamentals and orders are among them.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    orders : sequence of int
        Orders 2 and up.
    there : array_like of bool, shape (orders, n)
        Whether an order was measured; one that was not stands with its fundamental.

    Returns
    -------
    (numpy.ndarray, numpy.ndarray of int, numpy.ndarray of int)
        Hz, ascending, shape (m,); rows of the fundamentals, shape (n,); rows of the orders, shape (orders, n).
    """
    grid = np.asarray(frequency, dtype=np.float64)
    times = np.where(np.asarray(there, dtype=bool), np.asarray(orders, dtype=np.float64)[:, np.newaxis], 1.0)
    heard = np.concatenate([grid[np.newaxis], times * grid])
    every, rows = np.unique(heard, return_inverse=True)
    rows = rows.reshape(heard.shape)
    return every, rows[0], rows[1:]


def noise_of_orders(level_db: ArrayLike, noise_db: ArrayLike, bound: ArrayLike) -> Floats:
    """Standard uncertainty in dB that noise leaves of each order; none of an upper limit, which holds it already.

    Parameters
    ----------
    level_db, noise_db : array_like, of one shape
        dB re one reference; NaN where there is none, or it is not known.
    bound : array_like of bool
        Which are upper limits.
    """
    above = np.asarray(level_db, dtype=np.float64) - np.asarray(noise_db, dtype=np.float64)
    known = np.isfinite(above) & ~np.asarray(bound, dtype=bool)
    return np.where(known, noise_uncertainty(np.maximum(np.where(known, above, np.inf), CLEAREST)), 0.0)


def order_shares(level_db: ArrayLike) -> Floats:
    """Share of each order in the sum of their squares, shape (orders, n) as given; 0 where there is none."""
    levels = np.asarray(level_db, dtype=np.float64)
    power = np.where(np.isfinite(levels), power_of_level(np.where(np.isfinite(levels), levels, 0.0)), 0.0)
    total = power.sum(axis=0)
    return np.asarray(power / np.where(total > 0, total, 1.0))


def slopes_between(first: ArrayLike, second: ArrayLike, step_db: float) -> Floats:
    """Change of each order per dB of level between two takes; 0 where either has none.

    Parameters
    ----------
    first, second : array_like, shape (orders, n)
        dB re the fundamental, of the softer take and of the louder.
    step_db : float
        Between their levels.
    """
    slope = (np.asarray(second, dtype=np.float64) - np.asarray(first, dtype=np.float64)) / step_db
    return np.asarray(np.where(np.isfinite(slope), slope, 0.0))


def slopes_at_take(
    levels: Sequence[float], relative_db: ArrayLike, bound: ArrayLike, take: int
) -> tuple[Floats, Floats] | None:
    """Change of each order per dB of level towards the next softer and the next louder take; None if there is no other.

    Parameters
    ----------
    levels : sequence of float
        dB, of each take; NaN where it is not known.
    relative_db, bound : array_like, shape (takes, orders, n)
        dB re the fundamental, and whether that is an upper limit. A value and a limit have no slope between them: that
        to the other side stands for it where there is one.
    take : int
        Which one it is.

    Returns
    -------
    (numpy.ndarray, numpy.ndarray) or None
        Each of shape (orders, n).
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
        alike = (flags[other] == flags[take]) & np.isfinite(relative[other])
        sides.append((slopes_between(relative[take], relative[other], float(known[other] - here)), alike))
    if not sides:
        return None
    (softer, softer_good), (louder, louder_good) = sides[0], sides[-1]
    return np.where(~softer_good & louder_good, louder, softer), np.where(~louder_good & softer_good, softer, louder)


def _noise_draws(errors: DirectionErrors, name: str, noise: Floats) -> Floats:
    """Noise of every order at every frequency in each draw, each its own; seeds are fixed."""
    generator = np.random.Generator(np.random.PCG64([SEED, *name.encode()]))
    there = noise > 0
    found = np.zeros((errors.draws, *noise.shape))
    found[:, there] = generator.standard_normal((errors.draws, int(there.sum()))) * noise[there]
    return found


@method(
    "drawn-harmonic-errors",
    version=1,
    title="Errors of harmonic orders re the fundamental, drawn as they go together",
    formula="Error of order n: slope of the order over level times the error of the level, less the error at n f, plus "
    "that at f, plus noise; the error of the level is the mean of those of the fundamentals by their share",
    source="JCGM 101:2008, 6.4.7 and 7.3; a ratio of two readings of one chain keeps what differs between their "
    "frequencies (GUM, JCGM 100:2008, 5.2.2, F.1.2.3)",
    limitations="Normal errors, small ones. Orders follow straight lines in dB over level between takes. A limit set "
    "by "
    "noise moves as a value would.",
)
def drawn_orders(at: AtOrders, name: str, noise: ArrayLike, slopes: LevelSlopes | None = None) -> Floats:
    """Errors of each order re the fundamental in every draw.

    Parameters
    ----------
    at : AtOrders
    name : str
        Which of the errors' shares has the readings: of one take, or of two by what each counts.
    noise : array_like, shape (orders, n)
        Standard uncertainty in dB of what is each order's own at each frequency, see :func:`noise_of_orders`.
    slopes : LevelSlopes, optional
        Where they are asked for at a level; at a drive the level does not matter.

    Returns
    -------
    numpy.ndarray, shape (draws, orders, n)
        dB.
    """
    drawn = at.errors.rows(name)
    found = drawn[:, np.newaxis, at.first] - drawn[:, at.order]
    found += _noise_draws(at.errors, name, np.asarray(noise, dtype=np.float64))
    if slopes is not None:
        level = (drawn[:, at.first] @ slopes.weight)[:, np.newaxis, np.newaxis]
        found += np.where(level > 0, level * slopes.louder, level * slopes.softer)
    return found


def drawn_sum(shares: ArrayLike, errors: Floats) -> Floats:
    """Ratio of the amplitude of a sum of orders to that without errors, in every draw.

    Parameters
    ----------
    shares : array_like, shape (orders, n)
        Of the orders in the sum of squares, see :func:`order_shares`.
    errors : numpy.ndarray, shape (draws, orders, n)
        dB.

    Returns
    -------
    numpy.ndarray, shape (draws, n)
        1 where there is no order.
    """
    part = np.asarray(shares, dtype=np.float64)
    ratio = np.einsum("on,don->dn", part, power_of_level(errors))
    return np.asarray(np.sqrt(np.where(part.sum(axis=0) > 0, ratio, 1.0)))


@method(
    "harmonic-sum-uncertainty",
    version=1,
    title="Uncertainty of a sum of orders, or of its mean over a band, to first order",
    formula="Relative change of the sum: 0.115 per dB times the mean of the orders' errors, each by its share of the "
    "sum of squares; of a root mean square over frequency each frequency by its share of the mean square",
    source="GUM, JCGM 100:2008, 5.1.2 and 5.2.2; ln 10 / 20 is 0.1151 per dB",
    limitations="First order. The slope over level is the mean of that to softer and that to louder takes.",
)
def sum_uncertainty(
    at: AtOrders,
    name: str,
    shares: ArrayLike,
    over: ArrayLike,
    noise: ArrayLike,
    slopes: LevelSlopes | None = None,
) -> float:
    """Relative standard uncertainty of a sum of orders re the fundamental.

    Parameters
    ----------
    at, name, noise, slopes
        As in :func:`drawn_orders`.
    shares : array_like, shape (orders, n)
        Of the orders in the sum of squares at each frequency.
    over : array_like, shape (n,)
        Share of each frequency in the mean square, adding to one.

    Returns
    -------
    float
        A share of the sum's amplitude: 0.05 for 5 %.
    """
    gradient = NEPER * np.asarray(shares, dtype=np.float64) * np.asarray(over, dtype=np.float64)
    of_level = 0.0
    whole = np.zeros(at.errors.frequency.size)
    if slopes is not None:
        of_level = float((gradient * (slopes.softer + slopes.louder) / 2).sum())
        np.add.at(whole, at.first, of_level * slopes.weight)
    np.add.at(whole, at.first, gradient.sum(axis=0))
    np.subtract.at(whole, at.order, gradient)
    read = first_order(at.errors, name, whole) if np.any(whole) else 0.0
    return float(np.hypot(read, np.sqrt(((gradient * np.asarray(noise)) ** 2).sum())))
