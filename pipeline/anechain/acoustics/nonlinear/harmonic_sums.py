"""Sums of harmonic orders: total harmonic distortion, with and without noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.acoustics.nonlinear.relative_orders import Flags, ReferredOrders
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["HarmonicSum", "harmonic_sum", "harmonics_and_noise", "percent_of_level", "relative_to_total"]


_NOTHING = -1000.0
"""dB of what counts as none."""


def percent_of_level(level: ArrayLike) -> Floats:
    """Ratio of amplitudes in per cent of a level in dB (any shape): -40 dB is 1 %."""
    return np.asarray(100.0 * 10.0 ** (np.asarray(level, dtype=np.float64) / 20.0))


@dataclass(frozen=True)
class HarmonicSum:
    """Root of the summed squares of several orders, relative to the fundamental.

    Attributes
    ----------
    lower_db, upper_db : numpy.ndarray, shape (frequencies,)
        dB between which it lies; equal where every order is a value. `lower_db` is -inf where all are limits. NaN where
        an order is missing below one that was measured, or none was.
    bound : numpy.ndarray of bool, shape (frequencies,)
        Whether it holds a limit, so that the sum is one.
    highest : numpy.ndarray of int, shape (frequencies,)
        Highest order in the sum; 0 where there is none.
    """

    lower_db: Floats
    upper_db: Floats
    bound: Flags
    highest: NDArray[np.int64]


@method(
    "harmonic-sum",
    version=1,
    title="Total harmonic distortion, and sums of some orders, re the fundamental (THD_F)",
    source="sqrt(sum of a_n^2, n >= 2) / a_1; IEC 60268-3, 14.12.3 takes the total as reference (see "
    "relative-to-total), re the fundamental is common in practice",
    source_status="recalled",
    limitations="Orders beyond the excitation's band are not in it: at high frequencies it is a sum of few orders.",
    formula="10 lg of the sum of 10^(order / 10) over the orders, in dB re the fundamental",
)
def harmonic_sum(level_db: ArrayLike, bound: ArrayLike, orders: Sequence[int], first: int, last: int) -> HarmonicSum:
    """Sum the squares of successive orders.

    Parameters
    ----------
    level_db, bound : array_like, shape (orders, frequencies)
        As :func:`referred_orders` gives them; NaN where an order was not measured.
    orders : sequence of int
        Which orders these are, rising.
    first, last : int
        Orders to sum; `last` and those before it count as far as they were measured.

    Returns
    -------
    HarmonicSum

    Raises
    ------
    ValueError
        If the shapes disagree, or `first` is below 2 or above `last`.
    """
    levels, flags = np.asarray(level_db, dtype=np.float64), np.asarray(bound, dtype=bool)
    if levels.shape != flags.shape or levels.shape[0] != len(orders) or levels.ndim != 2:
        raise ValueError(f"{len(orders)} orders for levels of shape {levels.shape} and marks of {flags.shape}")
    if not 2 <= first <= last:
        raise ValueError(f"orders from 2 on are summed, not {first} to {last}")
    row = {order: at for at, order in enumerate(orders)}
    size = levels.shape[1]
    lower, upper, marked = np.zeros(size), np.zeros(size), np.zeros(size, dtype=bool)
    highest, going, hole = np.zeros(size, dtype=np.int64), np.ones(size, dtype=bool), np.zeros(size, dtype=bool)
    for order in range(first, last + 1):
        there = np.isfinite(levels[row[order]]) if order in row else np.zeros(size, dtype=bool)
        hole |= there & ~going
        going &= there
        if order not in row:
            continue
        power = np.where(going, power_of_level(np.where(there, levels[row[order]], 0.0)), 0.0)
        upper += power
        lower += np.where(flags[row[order]], 0.0, power)
        marked |= flags[row[order]] & going
        highest[going] = order
    absent = hole | (highest == 0)
    highest[absent] = 0
    sums = [np.where(absent, np.nan, level_of_power(power)) for power in (lower, upper)]
    return HarmonicSum(sums[0], sums[1], marked & ~absent, highest)


@method(
    "harmonics-and-noise",
    version=1,
    title="Total harmonic distortion plus noise at the orders, re the fundamental (THD+N); in the noise an upper limit",
    source="sqrt(sum of (a_n^2 + noise_n^2), n >= 2) / a_1: powers of harmonic and noise add",
    source_status="common practice, no source",
    limitations="Noise where the orders are, not that of the whole band. Wide where an order is in the noise.",
    formula="Sum of squares of the orders as read; of an order in the noise: of its limit and of the noise's r.m.s.",
)
def harmonics_and_noise(relative: ReferredOrders, orders: Sequence[int], first: int, last: int) -> HarmonicSum:
    """Sum the squares of successive orders and of the noise that stands there.

    An order well above the noise is summed as read: the noise is in the reading already. One reading of an order in the
    noise is no measure of harmonic and noise together: both have a phase, one may cancel the other in part, and noise
    alone reads below its own root mean square in 63 of 100 cases. Summed as read, THD+N would come out below the
    limit of the harmonic itself, although it can never be less than THD. So it has the same limit there, and on top
    the noise's root mean square, which is also the least that it can be: with equal data the limit of THD is never
    above that of THD+N. (The limit is not drawn down to the reading instead: of 100 readings of a harmonic as large
    as the noise 65 are above it, by simulation, and the limit is to hold in 95.)

    Parameters
    ----------
    relative : ReferredOrders
        Shape (orders, frequencies).
    orders : sequence of int
        Which orders these are, rising.
    first, last : int
        As in :func:`harmonic_sum`.

    Returns
    -------
    HarmonicSum

    Raises
    ------
    ValueError
        As :func:`harmonic_sum` does.
    """
    # Between two takes the noise of one of which is not known it counts as none.
    noise = np.where(np.isfinite(relative.noise_db), relative.noise_db, _NOTHING)
    both = level_of_power(power_of_level(relative.level_db) + power_of_level(noise))
    bound = relative.bound & np.isfinite(relative.level_db)
    upper = harmonic_sum(np.where(bound, both, relative.read_db), bound, orders, first, last)
    least = harmonic_sum(np.where(bound, noise, relative.read_db), np.zeros_like(bound), orders, first, last)
    return HarmonicSum(least.upper_db, upper.upper_db, upper.bound, upper.highest)


@method(
    "relative-to-total",
    version=1,
    title="Total harmonic distortion re the total (THD_R)",
    source="IEC 60268-3, 14.12.3: THD_R = THD_F / sqrt(1 + THD_F^2)",
    source_status="recalled",
    limitations="Differs from THD_F by 0.5 % of itself at 10 %, and never reaches 100 %.",
    formula="THD_F / sqrt(1 + THD_F^2)",
)
def relative_to_total(relative_to_fundamental_db: ArrayLike) -> Floats:
    """Level re the total of fundamental and harmonics, from that re the fundamental (dB, any shape)."""
    ratio = power_of_level(relative_to_fundamental_db)
    return level_of_power(ratio / (1.0 + ratio))
