"""Levels of harmonic orders relative to the fundamental, and the noise at each order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.nonlinear.noise_rule import NoiseRule
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["ReferredOrders", "order_noise", "referred_orders"]

Flags = NDArray[np.bool_]

DECIBELS_PER_NEPER = 20.0 / float(np.log(10.0))


@method(
    "order-noise",
    version=1,
    title="Noise at each harmonic order, from silence and from repeats",
    source="the greater of the noise without a response and of sqrt(2) s 10^(L/20) / 8.686 for a spread of s dB "
    "between repeats (small noise added to a sine)",
    source_status="common practice, no source",
    limitations="Spread caused by drift of the device counts as noise too. NaN where neither source is known.",
    formula="Greater of the noise without a response and L + 20 lg(sqrt(2) s / 8.686), s the spread of repeats in dB",
)
def order_noise(level: ArrayLike, noise: ArrayLike, level_std: ArrayLike | None = None) -> Floats:
    """Return the level of the noise at each order.

    Parameters
    ----------
    level, noise : array_like, same shape
        Level of each order and of the noise in silence, dB; noise is NaN where it is not known.
    level_std : array_like, same shape, optional
        Standard deviation in dB of single readings between repeats; NaN where it is not known.

    Returns
    -------
    numpy.ndarray
        Root mean square level of the noise, read in the same way as the order, dB; NaN where neither source is known.
    """
    known = np.asarray(noise, dtype=np.float64)
    if level_std is None:
        return known.copy()
    spread = np.asarray(level_std, dtype=np.float64)
    with np.errstate(divide="ignore"):
        repeats = np.asarray(level, dtype=np.float64) + 20 * np.log10(np.sqrt(2.0) * spread / DECIBELS_PER_NEPER)
    # Repeats that are identical contain no information about the noise.
    return np.fmax(known, np.where(np.isneginf(repeats), np.nan, repeats))


@dataclass(frozen=True)
class ReferredOrders:
    """Harmonic orders relative to the fundamental.

    Attributes
    ----------
    level_db : numpy.ndarray, shape (orders, frequencies)
        dB re the fundamental at the same frequency of the excitation; an upper limit where `bound` is true.
    bound : numpy.ndarray of bool, shape (orders, frequencies)
        Whether `level_db` is an upper limit instead of a value.
    noise_db : numpy.ndarray, shape (orders, frequencies)
        dB re the fundamental; NaN where it is not known.
    read_db : numpy.ndarray, shape (orders, frequencies)
        Level as read, noise included, dB re the fundamental.
    """

    level_db: Floats
    bound: Flags
    noise_db: Floats
    read_db: Floats


@method(
    "referred-orders",
    version=2,
    title="Harmonic orders re the fundamental; upper limits where an order is within a margin of the noise",
    source="order n re fundamental; limit: amplitude read plus the amplitude that noise exceeds in 5 % of readings",
    source_status="common practice, no source",
    limitations="Without known noise no order is marked as a limit. A limit may be far above the harmonic itself.",
    formula="Order minus fundamental in dB; in the noise: 20 lg(order + factor times noise) minus fundamental",
)
def referred_orders(fundamental: ArrayLike, level: ArrayLike, noise: ArrayLike, rule: NoiseRule) -> ReferredOrders:
    """Return orders relative to the fundamental, and mark orders that noise hides.

    Parameters
    ----------
    fundamental : array_like, shape (frequencies,)
        dB.
    level, noise : array_like, shape (orders, frequencies)
        Level of orders 2 and up at the frequency of the excitation, and of the noise there (see
        :func:`order_noise`), dB.
    rule : NoiseRule
        For each order and frequency, or arrays that broadcast to them.

    Returns
    -------
    ReferredOrders

    Raises
    ------
    ValueError
        If the shapes disagree.
    """
    base, read, noise_level = (np.asarray(values, dtype=np.float64) for values in (fundamental, level, noise))
    if read.shape != noise_level.shape or base.shape != read.shape[-1:]:
        raise ValueError(f"shapes disagree: orders {read.shape}, noise {noise_level.shape}, fundamental {base.shape}")
    bound = read < noise_level + rule.margin_db  # false where either is not known
    limit = 20 * np.log10(10 ** (read / 20) + rule.limit * 10 ** (noise_level / 20))
    return ReferredOrders(np.where(bound, limit, read) - base, bound, noise_level - base, read - base)
