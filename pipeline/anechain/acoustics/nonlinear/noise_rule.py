"""How far above the noise a reading counts as a value, from a wanted rate of false alarms."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["COVERAGE", "NoiseRule", "false_alarm_rate", "noise_rule", "silence_margin", "spread_margin"]

COVERAGE = 0.95
"""Share of readings for which an upper limit holds."""


@dataclass(frozen=True)
class NoiseRule:
    """When a reading counts as a value, and what noise may have taken from it.

    Attributes
    ----------
    margin_db : numpy.ndarray
        A reading less than this above the noise is an upper limit, dB.
    limit : numpy.ndarray
        Amplitude re the root mean square of the noise that noise exceeds in 5 % of readings.
    """

    margin_db: Floats
    limit: Floats


def silence_margin(rate: float, stretches: ArrayLike, takes: ArrayLike = 1) -> Floats:
    """Return the ratio of a reading to the noise that noise alone exceeds at a stated rate.

    Reading and noise are means of squared magnitudes of normal noise: of T takes, and of m stretches in each of them.
    Their ratio has an F distribution with 2 T and 2 m T degrees of freedom; for one take the rate is
    (1 + ratio / m)^-m, and exp(-ratio) if the noise is known exactly.

    Parameters
    ----------
    rate : float
        Share of readings of noise alone, between 0 and 1.
    stretches : array_like
        Number of independent stretches of each take from which the noise is known; infinite if it is known exactly.
    takes : array_like
        Number of takes whose squared pressures are averaged.

    Returns
    -------
    numpy.ndarray
        Ratio of powers.

    Raises
    ------
    ValueError
        If the rate is not between 0 and 1, or a number is not above zero.
    """
    import scipy.stats

    m, t = np.asarray(stretches, dtype=np.float64), np.asarray(takes, dtype=np.float64)
    if not 0 < rate < 1:
        raise ValueError(f"a rate of false alarms must be between 0 and 1, not {rate}")
    if not ((m > 0).all() and (t > 0).all()):
        raise ValueError("the noise needs at least one stretch of one take")
    exact = np.isinf(m)
    ratio = scipy.stats.f.isf(rate, 2 * t, 2 * t * np.where(exact, 1.0, m))
    return np.asarray(np.where(exact, scipy.stats.chi2.isf(rate, 2 * t) / (2 * t), ratio))


def false_alarm_rate(margin_db: ArrayLike, stretches: ArrayLike, takes: ArrayLike = 1) -> Floats:
    """Return the share of readings of noise alone above the noise by a margin in dB; see :func:`silence_margin`."""
    import scipy.stats

    m, t = np.asarray(stretches, dtype=np.float64), np.asarray(takes, dtype=np.float64)
    ratio = 10 ** (np.asarray(margin_db, dtype=np.float64) / 10)
    return np.asarray(scipy.stats.f.sf(ratio, 2 * t, 2 * t * m))


def spread_margin(rate: float, takes: ArrayLike) -> Floats:
    """Return the ratio of a reading to the noise from the spread of takes that noise alone exceeds at most at a rate.

    The logarithm u of the power of noise alone has the density exp(u - exp(u)) in each of T takes. The standard
    deviation is below s with a probability of at most sqrt(T) Gamma(T) / T^T times the volume of a ball of T - 1
    dimensions with the radius s sqrt(T - 1), because the density is logarithmically concave.

    Parameters
    ----------
    rate : float
        Share of readings of noise alone, between 0 and 1.
    takes : array_like
        Number of takes, at least 2.

    Returns
    -------
    numpy.ndarray
        Ratio of powers.

    Raises
    ------
    ValueError
        If the rate is not between 0 and 1, or there are fewer than two takes.
    """
    count = np.asarray(takes, dtype=np.float64)
    if not 0 < rate < 1:
        raise ValueError(f"a rate of false alarms must be between 0 and 1, not {rate}")
    if not (count >= 2).all():
        raise ValueError("a spread needs at least two takes")

    def ratio(t: float) -> float:
        degrees = t - 1
        density = 0.5 * math.log(t) + math.lgamma(t) - t * math.log(t)
        ball = degrees / 2 * math.log(math.pi) - math.lgamma(degrees / 2 + 1) + degrees / 2 * math.log(degrees)
        # The noise is taken from the spread as for a small noise: its power is half the variance of u.
        return 2 * math.exp(2 / degrees * (density + ball - math.log(rate)))

    return np.asarray(np.vectorize(ratio, otypes=[np.float64])(count))


@method(
    "noise-rule",
    version=1,
    title="Margin above the noise, from a wanted rate of false alarms",
    formula="Ratio of powers that F with 2 T and 2 m T degrees of freedom exceeds at the rate, for T takes and m "
    "stretches of silence in each",
    source="ratio of two chi-squared variables over their degrees of freedom: F distribution (recalled)",
    source_status="recalled",
    limitations="Steady noise of normal distribution in independent stretches. Where the noise is known from the "
    "spread of takes only, the rate is an upper bound: the margin of two takes is 60 dB at a rate of 1 in 1000.",
)
def noise_rule(rate: float, stretches: ArrayLike, takes: ArrayLike) -> NoiseRule:
    """Return when a reading counts as a value.

    Parameters
    ----------
    rate : float
        Wanted rate of false alarms: share of readings of noise alone that count as a value, between 0 and 1.
    stretches : array_like
        Number of independent stretches of silence of each take; infinite if the noise is known exactly, 0 if it is not
        known from silence.
    takes : array_like
        Number of takes that are averaged. Without silence, it needs two or more; with one, nothing is known of the
        noise, and margin and limit are infinite.

    Returns
    -------
    NoiseRule
        Arrays of the common shape.

    Raises
    ------
    ValueError
        If the rate is not between 0 and 1, or a number of takes is below 1.
    """
    m, t = np.broadcast_arrays(np.asarray(stretches, dtype=np.float64), np.asarray(takes, dtype=np.float64))
    if not (t >= 1).all():
        raise ValueError("the number of takes must be 1 or more")

    def ratios(share: float) -> Floats:
        known = m > 0
        silent = silence_margin(share, np.where(known, m, 1.0), t)
        spread = np.where(t >= 2, spread_margin(share, np.maximum(t, 2)), np.inf)
        return np.asarray(np.where(known, silent, spread))

    return NoiseRule(10 * np.log10(ratios(rate)), np.sqrt(ratios(1 - COVERAGE)))
