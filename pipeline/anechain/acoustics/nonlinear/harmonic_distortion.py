"""Harmonic distortion: orders beside the noise they stand in, their sums relative to the fundamental and to the total.

An order that is hardly above the noise is no value but an upper limit, and so is every sum that holds one. Levels of
orders relative to the fundamental are in decibels; sums are given in decibels and in per cent, and say which of the two
references they have: F is the fundamental, R the total of fundamental and harmonics.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.frequencies import check_levels
from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "NOISE_MARGIN",
    "HarmonicPeak",
    "HarmonicSum",
    "ReferredOrders",
    "harmonic_peaks",
    "harmonic_sum",
    "harmonics_and_noise",
    "order_noise",
    "percent_of_level",
    "referred_orders",
    "relative_to_total",
]

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

_NOTHING = -1000.0
"""dB of what counts as none."""

DECIBELS_PER_NEPER = 20.0 / float(np.log(10.0))


def percent_of_level(level: ArrayLike) -> Floats:
    """Ratio of amplitudes in per cent of a level in dB (any shape): -40 dB is 1 %."""
    return np.asarray(100.0 * 10.0 ** (np.asarray(level, dtype=np.float64) / 20.0))


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


@dataclass(frozen=True)
class HarmonicPeak:
    """A peak of one harmonic that the fundamental has not.

    Attributes
    ----------
    order : int
    excitation_hz, heard_hz : float
        Frequency of the excitation, and that of the harmonic itself.
    height_db : float
        Above the higher of the lowest levels within half an octave on either side.
    level_db : float
        dB re the fundamental.
    possible_causes : tuple of str
        What may be behind it; none of them is established.
    """

    order: int
    excitation_hz: float
    heard_hz: float
    height_db: float
    level_db: float
    possible_causes: tuple[str, ...]


PEAK_HEIGHT = 6.0
"""Decibels that a peak of a harmonic rises at least. Common practice, no source."""
_REACH = 0.5
"""Octaves on either side within which a peak's foot is looked for."""
_NEAR = 1.0 / 6.0
"""Octaves within which a rise of the fundamental counts as the same one."""


def _rise(octaves: Floats, level: Floats, at: int) -> float:
    """Height of a sample above the higher of the lowest ones within reach on either side; NaN at an end."""
    feet = []
    for side in (slice(at - 1, None, -1) if at else slice(0, 0), slice(at + 1, None)):
        near = np.abs(octaves[side] - octaves[at]) <= _REACH
        part = level[side][near]
        # Not beyond something higher: that would be the foot of another peak.
        over = np.flatnonzero(part > level[at])
        part = part[: over[0]] if over.size else part
        if not part.size:
            return float("nan")
        feet.append(float(part.min()))
    return float(level[at] - max(feet))


def _rise_near(octaves: Floats, level: Floats, where: float) -> float:
    """Greatest rise of a curve near a place; 0 where it has none."""
    rises = [
        _rise(octaves, level, int(at))
        for at in np.flatnonzero(np.abs(octaves - where) <= _NEAR)
        if np.isfinite(level[at])
    ]
    return max([0.0, *(rise for rise in rises if np.isfinite(rise))])


def _possible_causes(order: int, excitation_hz: float, in_fundamental: bool) -> tuple[str, ...]:
    causes = ["a loose part that rattles", "a resonance of the enclosure or of a diaphragm"]
    if excitation_hz < 200.0:
        causes += ["air flow in a port", "a driver at the end of its excursion"]
    else:
        causes += ["a crossover's component, or a driver below its band"]
    if order >= 4:
        causes += ["a rub of the voice coil"]
    if in_fundamental:
        causes.insert(0, "the device radiates more at the harmonic's own frequency, as the fundamental there shows")
    return tuple(causes)


@method(
    "harmonic-peaks",
    version=1,
    title="Peaks of a harmonic that the fundamental has not",
    source="local maxima that rise above their feet within half an octave, where the fundamental rises by less than "
    "half as much within 1/6 octave",
    source_status="common practice, no source",
    limitations="Causes are possibilities, not findings. Broad rises, and peaks below the noise, are not listed.",
    formula="Level of a local maximum less the higher of the lowest levels within half an octave on either side",
)
def harmonic_peaks(
    frequency: ArrayLike,
    fundamental: ArrayLike,
    relative: ReferredOrders,
    orders: Sequence[int],
    least_height_db: float = PEAK_HEIGHT,
) -> tuple[HarmonicPeak, ...]:
    """Find peaks of each order that the fundamental has not.

    Parameters
    ----------
    frequency : array_like, shape (frequencies,)
        Hz, of the excitation, ascending.
    fundamental : array_like, shape (frequencies,)
        dB.
    relative : ReferredOrders
        Orders 2 and up.
    orders : sequence of int
        Which they are.
    least_height_db : float
        Least rise above the higher foot.

    Returns
    -------
    tuple of HarmonicPeak
        By order and frequency.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the least height is not above zero.
    """
    grid, base = check_levels(frequency, fundamental)
    if relative.level_db.shape != (len(orders), grid.size):
        raise ValueError(f"{len(orders)} orders at {grid.size} frequencies, not {relative.level_db.shape}")
    if not least_height_db > 0:
        raise ValueError(f"a peak is higher than zero, not {least_height_db}")
    octaves = np.log2(grid)
    found = []
    for order, row, bound in zip(orders, relative.level_db, relative.bound, strict=True):
        absolute = row + base
        runs = np.split(np.arange(grid.size), np.flatnonzero(np.diff(np.isfinite(absolute).astype(np.int8))) + 1)
        for run in (run for run in runs if run.size > 2 and np.isfinite(absolute[run[0]])):
            level, where = absolute[run], octaves[run]
            inner = np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] >= level[2:])) + 1
            for at in inner:
                height = _rise(where, level, int(at))
                # A dip of the fundamental is no peak of the harmonic, so its own level is looked at, not the relative.
                if bound[run[at]] or not height >= least_height_db:
                    continue
                if _rise_near(octaves, base, float(where[at])) >= height / 2:
                    continue
                heard = float(order * grid[run[at]])
                shown = _rise_near(octaves, base, float(np.log2(heard))) >= height / 4
                causes = _possible_causes(order, float(grid[run[at]]), shown)
                found.append(HarmonicPeak(order, float(grid[run[at]]), heard, height, float(row[run[at]]), causes))
    return tuple(found)
