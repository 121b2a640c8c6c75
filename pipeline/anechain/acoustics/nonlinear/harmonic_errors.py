"""Errors of harmonic orders re the fundamental.

An error that is the same at all frequencies (calibration, gain, distance) is in the order and in the fundamental, and
cancels. An error that differs over frequency (response of the microphone, differences between takes) does not cancel,
because order n is measured at n times the frequency. For distortion at a level, the uncertainty of that level
adds to it, by the slope of the distortion over level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.levels import power_of_level
from anechain.acoustics.nonlinear.level_slopes import LevelSlopes
from anechain.acoustics.nonlinear.reading_uncertainty import noise_uncertainty
from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors, first_order
from anechain.acoustics.uncertainty.monte_carlo import SEED
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "OrderErrors",
    "draw_order_errors",
    "draw_sum_ratio",
    "order_noise_uncertainty",
    "order_power_shares",
    "sounding_frequencies",
    "sum_uncertainty",
]


Rows = NDArray[np.intp]

NEPER = float(np.log(10.0)) / 20.0
"""Relative change of an amplitude per decibel, to first order."""

MIN_LEVEL_TO_NOISE = 10.46
"""dB above the noise from which the first-order uncertainty holds. A value from 10 dB on gets the uncertainty at
10.46 dB."""


@dataclass(frozen=True)
class OrderErrors:
    """Errors of takes at the frequencies of fundamentals and orders.

    Attributes
    ----------
    errors : DirectionErrors
        Errors with one row for each take instead of each direction.
    first : numpy.ndarray of int, shape (n,)
        Index of each fundamental in the frequencies of the errors.
    order : numpy.ndarray of int, shape (orders, n)
        Index of each order in the frequencies of the errors.
    """

    errors: DirectionErrors
    first: Rows
    order: Rows


def sounding_frequencies(frequency: ArrayLike, orders: Sequence[int], measured: ArrayLike) -> tuple[Floats, Rows, Rows]:
    """Return the frequencies of all fundamentals and orders, and the index of each among them.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    orders : sequence of int
        Orders 2 and up.
    measured : array_like of bool, shape (orders, n)
        Whether an order was measured; an order that was not gets the index of its fundamental.

    Returns
    -------
    frequencies : numpy.ndarray, shape (m,)
        Hz, ascending.
    first : numpy.ndarray of int, shape (n,)
        Index of each fundamental.
    order : numpy.ndarray of int, shape (orders, n)
        Index of each order.
    """
    grid = np.asarray(frequency, dtype=np.float64)
    factors = np.where(np.asarray(measured, dtype=bool), np.asarray(orders, dtype=np.float64)[:, np.newaxis], 1.0)
    harmonics = np.concatenate([grid[np.newaxis], factors * grid])
    frequencies, rows = np.unique(harmonics, return_inverse=True)
    rows = rows.reshape(harmonics.shape)
    return frequencies, rows[0], rows[1:]


def order_noise_uncertainty(level_db: ArrayLike, noise_db: ArrayLike, bound: ArrayLike) -> Floats:
    """Return the standard uncertainty in dB of each order caused by noise; 0 for an upper limit, which includes noise.

    Parameters
    ----------
    level_db, noise_db : array_like, same shape
        dB re the same reference; NaN where not measured or not known.
    bound : array_like of bool
        Which orders are upper limits.

    Returns
    -------
    numpy.ndarray
        dB; 0 where the noise is not known.
    """
    level_to_noise = np.asarray(level_db, dtype=np.float64) - np.asarray(noise_db, dtype=np.float64)
    known = np.isfinite(level_to_noise) & ~np.asarray(bound, dtype=bool)
    limited = np.maximum(np.where(known, level_to_noise, np.inf), MIN_LEVEL_TO_NOISE)
    return np.where(known, noise_uncertainty(limited), 0.0)


def order_power_shares(level_db: ArrayLike) -> Floats:
    """Return the share of each order in the sum of squares.

    Parameters
    ----------
    level_db : array_like, shape (orders, n)
        dB re the fundamental; NaN where an order was not measured.

    Returns
    -------
    numpy.ndarray, shape (orders, n)
        0 where an order was not measured.
    """
    levels = np.asarray(level_db, dtype=np.float64)
    power = np.where(np.isfinite(levels), power_of_level(np.where(np.isfinite(levels), levels, 0.0)), 0.0)
    total = power.sum(axis=0)
    return np.asarray(power / np.where(total > 0, total, 1.0))


def _noise_draws(errors: DirectionErrors, name: str, noise: Floats) -> Floats:
    """Draw independent noise of every order at every frequency, from a fixed seed."""
    generator = np.random.Generator(np.random.PCG64([SEED, *name.encode()]))
    noisy = noise > 0
    draws = np.zeros((errors.draws, *noise.shape))
    draws[:, noisy] = generator.standard_normal((errors.draws, int(noisy.sum()))) * noise[noisy]
    return draws


@method(
    "drawn-harmonic-errors",
    version=2,
    title="Errors of harmonic orders re the fundamental, drawn with their correlation",
    formula="Error of order n: slope of the order over level times the error of the level, minus the error at n f, "
    "plus that at f, plus noise; the error of the level is the mean of the fundamentals' errors weighted by their "
    "share",
    source="JCGM 101:2008, 6.4.7 and 7.3; in a ratio of two readings of one chain only errors that differ between "
    "their frequencies remain (GUM, JCGM 100:2008, 5.2.2, F.1.2.3)",
    limitations="Small, normally distributed errors. Orders follow straight lines in dB over level between takes. An "
    "upper limit has the errors of a value.",
)
def draw_order_errors(at: OrderErrors, name: str, noise: ArrayLike, slopes: LevelSlopes | None = None) -> Floats:
    """Draw errors of each order re the fundamental.

    Parameters
    ----------
    at : OrderErrors
        Errors of the takes, and indices of fundamentals and orders.
    name : str
        Key in the shares of the errors: the weight of each take in the result.
    noise : array_like, shape (orders, n)
        Standard uncertainty in dB that is independent for each order and frequency, see
        :func:`order_noise_uncertainty`.
    slopes : LevelSlopes, optional
        Required for distortion at a level; without slopes the errors are those at a drive.

    Returns
    -------
    numpy.ndarray, shape (draws, orders, n)
        dB.
    """
    drawn = at.errors.rows(name)
    order_errors = drawn[:, np.newaxis, at.first] - drawn[:, at.order]
    order_errors += _noise_draws(at.errors, name, np.asarray(noise, dtype=np.float64))
    if slopes is not None:
        level = (drawn[:, at.first] @ slopes.weight)[:, np.newaxis, np.newaxis]
        order_errors += np.where(level > 0, level * slopes.louder, level * slopes.softer)
    return order_errors


def draw_sum_ratio(shares: ArrayLike, errors: Floats) -> Floats:
    """Return the amplitude of a sum of orders with errors re that without errors, in every draw.

    Parameters
    ----------
    shares : array_like, shape (orders, n)
        Share of each order in the sum of squares, see :func:`order_power_shares`.
    errors : numpy.ndarray, shape (draws, orders, n)
        Errors of the orders, dB.

    Returns
    -------
    numpy.ndarray, shape (draws, n)
        1 where there is no order.
    """
    weights = np.asarray(shares, dtype=np.float64)
    ratio = np.einsum("on,don->dn", weights, power_of_level(errors))
    return np.asarray(np.sqrt(np.where(weights.sum(axis=0) > 0, ratio, 1.0)))


@method(
    "harmonic-sum-uncertainty",
    version=2,
    title="Uncertainty of a sum of orders, or of its mean over a band, to first order",
    formula="Relative change of the sum: 0.115 per dB times the mean of the orders' errors, weighted by their share of "
    "the sum of squares; for a root mean square over frequency also by the share of each frequency in the mean square",
    source="GUM, JCGM 100:2008, 5.1.2 and 5.2.2; ln 10 / 20 is 0.1151 per dB",
    limitations="First order. The slope over level is the mean of the slopes to the next lower and next higher take.",
)
def sum_uncertainty(
    at: OrderErrors,
    name: str,
    shares: ArrayLike,
    over: ArrayLike,
    noise: ArrayLike,
    slopes: LevelSlopes | None = None,
) -> float:
    """Return the relative standard uncertainty of a sum of orders re the fundamental.

    Parameters
    ----------
    at, name, noise, slopes
        As in :func:`draw_order_errors`.
    shares : array_like, shape (orders, n)
        Share of each order in the sum of squares at each frequency.
    over : array_like, shape (n,)
        Share of each frequency in the mean square; the shares add to one.

    Returns
    -------
    float
        Relative to the amplitude of the sum: 0.05 for 5 %.
    """
    gradient = NEPER * np.asarray(shares, dtype=np.float64) * np.asarray(over, dtype=np.float64)
    by_frequency = np.zeros(at.errors.frequency.size)
    if slopes is not None:
        by_level = float((gradient * (slopes.softer + slopes.louder) / 2).sum())
        np.add.at(by_frequency, at.first, by_level * slopes.weight)
    np.add.at(by_frequency, at.first, gradient.sum(axis=0))
    np.subtract.at(by_frequency, at.order, gradient)
    from_readings = first_order(at.errors, name, by_frequency) if np.any(by_frequency) else 0.0
    return float(np.hypot(from_readings, np.sqrt(((gradient * np.asarray(noise)) ** 2).sum())))
