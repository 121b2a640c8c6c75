"""Sums of harmonic orders: total harmonic distortion, with and without noise.

A sum has two possible references: F is the fundamental, R the total of fundamental and harmonics. A sum that contains
an upper limit is an upper limit itself.
"""

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

_NO_NOISE = -1000.0
"""Level in dB that counts as no noise."""


def percent_of_level(level: ArrayLike) -> Floats:
    """Return the ratio of amplitudes in per cent for a level in dB (any shape): -40 dB is 1 %."""
    return np.asarray(100.0 * 10.0 ** (np.asarray(level, dtype=np.float64) / 20.0))


@dataclass(frozen=True)
class HarmonicSum:
    """Root of the sum of squares of several orders, relative to the fundamental.

    Attributes
    ----------
    lower_db, upper_db : numpy.ndarray, shape (frequencies,)
        Lower and upper bound of the sum, dB; equal where every order is a value. `lower_db` is -inf where all orders
        are upper limits. NaN where an order is missing below a measured order, or no order was measured.
    bound : numpy.ndarray of bool, shape (frequencies,)
        Whether the sum contains an upper limit.
    highest : numpy.ndarray of int, shape (frequencies,)
        Highest order in the sum; 0 where there is none.
    """

    lower_db: Floats
    upper_db: Floats
    bound: Flags
    highest: NDArray[np.int64]


@method(
    "harmonic-sum",
    version=2,
    title="Total harmonic distortion, and sums of some orders, re the fundamental (THD_F)",
    source="sqrt(sum of a_n^2, n >= 2) / a_1; IEC 60268-3, 14.12.3 takes the total as reference (see "
    "relative-to-total), re the fundamental is common in practice",
    source_status="recalled",
    limitations="Orders that cannot be measured are not included: at low and high frequencies few orders are summed. "
    "No sum below the lowest frequency of the first two orders.",
    formula="10 lg of the sum of 10^(order / 10) over the orders, in dB re the fundamental",
)
def harmonic_sum(level_db: ArrayLike, bound: ArrayLike, orders: Sequence[int], first: int, last: int) -> HarmonicSum:
    """Return the sum of squares of successive orders.

    Parameters
    ----------
    level_db, bound : array_like, shape (orders, frequencies)
        From :func:`anechain.acoustics.nonlinear.relative_orders.referred_orders`; NaN where an order was not measured.
    orders : sequence of int
        Numbers of the orders, rising.
    first, last : int
        First and last order to sum; at each frequency the sum ends at the last order that was measured. Below the
        lowest frequency of the first two orders there is no sum: without the third order, which may be the greatest
        at low frequencies, a total would look better than it is.

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
        raise ValueError(f"{len(orders)} orders do not fit levels of shape {levels.shape} and flags of {flags.shape}")
    if not 2 <= first <= last:
        raise ValueError(f"the first order must be 2 or more and the last not below it, not {first} to {last}")
    row = {order: index for index, order in enumerate(orders)}
    size = levels.shape[1]
    lower, upper, limited = np.zeros(size), np.zeros(size), np.zeros(size, dtype=bool)
    highest, unbroken, gap = np.zeros(size, dtype=np.int64), np.ones(size, dtype=bool), np.zeros(size, dtype=bool)
    for order in range(first, last + 1):
        measured = np.isfinite(levels[row[order]]) if order in row else np.zeros(size, dtype=bool)
        if order <= first + 1 and measured.any():
            gap[: int(np.argmax(measured))] = True
        gap |= measured & ~unbroken
        unbroken &= measured
        if order not in row:
            continue
        power = np.where(unbroken, power_of_level(np.where(measured, levels[row[order]], 0.0)), 0.0)
        upper += power
        lower += np.where(flags[row[order]], 0.0, power)
        limited |= flags[row[order]] & unbroken
        highest[unbroken] = order
    absent = gap | (highest == 0)
    highest[absent] = 0
    sums = [np.where(absent, np.nan, level_of_power(power)) for power in (lower, upper)]
    return HarmonicSum(sums[0], sums[1], limited & ~absent, highest)


@method(
    "harmonics-and-noise",
    version=2,
    title="Total harmonic distortion plus noise at the orders, re the fundamental (THD+N); an upper limit near the "
    "noise",
    source="sqrt(sum of (a_n^2 + noise_n^2), n >= 2) / a_1: powers of harmonic and noise add",
    source_status="common practice, no source",
    limitations="Includes noise at the orders only, not noise of the whole band. Wide where noise hides an order.",
    formula="Sum of squares of the orders as read; for an order hidden by noise: of its limit and the noise's r.m.s.",
)
def harmonics_and_noise(relative: ReferredOrders, orders: Sequence[int], first: int, last: int) -> HarmonicSum:
    """Return the sum of squares of successive orders and of the noise at these orders.

    An order well above the noise is summed as read: the reading already contains the noise. Near the noise, one
    reading does not measure harmonic and noise together: they may cancel in part, and noise alone reads below its own
    root mean square in 63 of 100 cases. A sum of such readings could be below the upper limit of the harmonic,
    although THD+N cannot be less than THD. Therefore the upper bound of such an order is its upper limit plus the
    root mean square of the noise, and the lower bound is the root mean square of the noise. With equal data the upper
    bound of THD is never above that of THD+N. (The reading itself is not used as the upper bound: for a harmonic as
    large as the noise only 65 of 100 readings are above the true value, by simulation, and the bound must hold in 95.)

    Parameters
    ----------
    relative : ReferredOrders
        Orders re the fundamental, shape (orders, frequencies).
    orders : sequence of int
        Numbers of the orders, rising.
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
    # After interpolation between two takes the noise may be unknown at a limit: it then counts as no noise.
    noise = np.where(np.isfinite(relative.noise_db), relative.noise_db, _NO_NOISE)
    limit_and_noise = level_of_power(power_of_level(relative.level_db) + power_of_level(noise))
    bound = relative.bound & np.isfinite(relative.level_db)
    upper = harmonic_sum(np.where(bound, limit_and_noise, relative.read_db), bound, orders, first, last)
    lower = harmonic_sum(np.where(bound, noise, relative.read_db), np.zeros_like(bound), orders, first, last)
    return HarmonicSum(lower.upper_db, upper.upper_db, upper.bound, upper.highest)


@method(
    "relative-to-total",
    version=1,
    title="Total harmonic distortion re the total (THD_R)",
    source="IEC 60268-3, 14.12.3: THD_R = THD_F / sqrt(1 + THD_F^2)",
    source_status="recalled",
    limitations="At 10 % it is 0.5 % lower than THD_F (relative difference); it never reaches 100 %.",
    formula="THD_F / sqrt(1 + THD_F^2)",
)
def relative_to_total(relative_to_fundamental_db: ArrayLike) -> Floats:
    """Return the level re the total of fundamental and harmonics, from the level re the fundamental (dB, any shape)."""
    ratio = power_of_level(relative_to_fundamental_db)
    return level_of_power(ratio / (1.0 + ratio))
