"""Levels of harmonic orders relative to the fundamental, and the noise at each order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["NOISE_MARGIN", "ReferredOrders", "order_noise", "referred_orders"]


Flags = NDArray[np.bool_]


NOISE_MARGIN = 10.0
"""Decibels above the noise from which on an order counts as a value.

Noise alone, read at one frequency, exceeds its own mean square by 10 dB with the probability exp(-10), by 6 dB with
exp(-3.98), that is 1.9 %; with the mean square known from eight stretches of silence it is 1.5 in a thousand and 4 %.
At 6 dB a curve of some hundred points would so hold several that are noise; and 10 dB above the noise it moves a
harmonic by 1.9 dB (one standard deviation), at 6 dB by 3.1 dB.
"""


NOISE_LIMIT = float(np.sqrt(3.0))
"""Amplitude that noise at one frequency stays below in 95 of 100 readings, in root mean squares: exp(-3) is 0.05."""


DECIBELS_PER_NEPER = 20.0 / float(np.log(10.0))


@method(
    "order-noise",
    version=1,
    title="Noise at each harmonic order, from silence and from repeats",
    source="the greater of the noise without a response and of sqrt(2) s 10^(L/20) / 8.686 for a spread of s dB "
    "between repeats (small noise beside a sine)",
    source_status="common practice, no source",
    limitations="A spread that comes from a drift of the device counts as noise too. Where neither is known, nothing "
    "is.",
    formula="Greater of the noise without a response and L + 20 lg(sqrt(2) s / 8.686), s the spread of repeats in dB",
)
def order_noise(level: ArrayLike, noise: ArrayLike, level_std: ArrayLike | None = None) -> Floats:
    """Level of the noise at each order.

    Parameters
    ----------
    level, noise : array_like, of one shape
        dB; the noise of silence is NaN where it is not known.
    level_std : array_like, optional
        Standard deviation in dB of the level of one reading between repeats; NaN where it is not known.

    Returns
    -------
    numpy.ndarray
        dB, root mean square of the noise as read like the order itself; NaN where neither source knows it.
    """
    known = np.asarray(noise, dtype=np.float64)
    if level_std is None:
        return known.copy()
    spread = np.asarray(level_std, dtype=np.float64)
    with np.errstate(divide="ignore"):
        repeats = np.asarray(level, dtype=np.float64) + 20 * np.log10(np.sqrt(2.0) * spread / DECIBELS_PER_NEPER)
    # Repeats that agree to the last digit say nothing of the noise.
    return np.fmax(known, np.where(np.isneginf(repeats), np.nan, repeats))


@dataclass(frozen=True)
class ReferredOrders:
    """Harmonic orders relative to the fundamental.

    Attributes
    ----------
    level_db : numpy.ndarray, shape (orders, frequencies)
        dB re the fundamental at the same frequency of the excitation; an upper limit where `bound`.
    bound : numpy.ndarray of bool, shape (orders, frequencies)
        Whether it is an upper limit and no value.
    noise_db : numpy.ndarray, shape (orders, frequencies)
        dB re the fundamental; NaN where it is not known.
    read_db : numpy.ndarray, shape (orders, frequencies)
        dB re the fundamental, as read, noise included, limit or not.
    """

    level_db: Floats
    bound: Flags
    noise_db: Floats
    read_db: Floats


@method(
    "referred-orders",
    version=1,
    title="Harmonic orders re the fundamental; within a margin of the noise as upper limits",
    source="order n re fundamental; limit: amplitude read plus sqrt(3) times the noise's root mean square (95 % for "
    "noise of normal distribution)",
    source_status="common practice, no source",
    limitations="Where the noise is not known, nothing is marked. A limit may lie far above the harmonic itself.",
    formula="Order less fundamental in dB; in the noise: 20 lg(order + sqrt(3) noise) less fundamental",
)
def referred_orders(
    fundamental: ArrayLike, level: ArrayLike, noise: ArrayLike, margin_db: float = NOISE_MARGIN
) -> ReferredOrders:
    """Refer orders to the fundamental, and mark those that the noise hides.

    Parameters
    ----------
    fundamental : array_like, shape (frequencies,)
        dB.
    level, noise : array_like, shape (orders, frequencies)
        dB of orders 2 and up at the frequency of the excitation, and of the noise there (see :func:`order_noise`).
    margin_db : float
        An order less than this above the noise is an upper limit.

    Returns
    -------
    ReferredOrders

    Raises
    ------
    ValueError
        If the shapes disagree or the margin is below zero.
    """
    base, read, hiss = (np.asarray(one, dtype=np.float64) for one in (fundamental, level, noise))
    if read.shape != hiss.shape or base.shape != read.shape[-1:]:
        raise ValueError(f"orders of shape {read.shape}, noise of {hiss.shape}, a fundamental of {base.shape}")
    if not margin_db >= 0:
        raise ValueError(f"a margin is not below zero: {margin_db}")
    bound = read < hiss + margin_db  # false where either is not known
    limit = 20 * np.log10(10 ** (read / 20) + NOISE_LIMIT * 10 ** (hiss / 20))
    return ReferredOrders(np.where(bound, limit, read) - base, bound, hiss - base, read - base)
