"""How sure: standard uncertainties by the GUM's rules, carried through averages, differences and anything else.

Correlated and uncorrelated parts are kept apart throughout. A calibration that is wrong is wrong alike in every
direction: it does not average down, and it cancels in a difference. What varies from capture to capture does average
down, and does not cancel.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import power_of_level
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "Budget",
    "Component",
    "CurveUncertainty",
    "Distribution",
    "MonteCarlo",
    "angle_slope",
    "combine",
    "coverage_factor",
    "decibels_of_relative",
    "difference_uncertainty",
    "distance_component",
    "linear_combination_uncertainty",
    "mean_level_uncertainty",
    "mean_shares",
    "monte_carlo",
    "repeatability",
    "setting_angle_uncertainty",
    "spread_of_draws",
    "standard_of_limits",
]

Distribution = Literal["rectangular", "triangular", "normal"]
Across = Literal["independent", "common"]

DECIBELS_PER_NEPER = float(20 / np.log(10))
"""dB, 8.685890, of a relative change of pressure by one part in one, to first order."""

SEED = 20260
"""Of the random numbers of a Monte Carlo propagation: the same input gives the same result."""


@dataclass(frozen=True)
class Component:
    """One contribution to an uncertainty budget.

    Attributes
    ----------
    name : str
        What it comes from.
    standard_db : float
        Standard uncertainty in dB (one standard deviation).
    correlated : bool
        Whether it is the same in all directions of a measurement (calibration, level chain, distance) or differs from
        one to the next (repeatability, setting of the angle).
    degrees_of_freedom : float
        Infinity for a value from a certificate or a judgement.
    """

    name: str
    standard_db: float
    correlated: bool
    degrees_of_freedom: float = float("inf")

    def __post_init__(self) -> None:
        if not 0 <= self.standard_db < np.inf:
            raise ValueError(f"{self.name}: a standard uncertainty is finite and not negative, not {self.standard_db}")
        if not self.degrees_of_freedom > 0:
            raise ValueError(f"{self.name}: degrees of freedom are above zero, not {self.degrees_of_freedom}")


@dataclass(frozen=True)
class Budget:
    """Components combined.

    Attributes
    ----------
    components : tuple of Component
        As given.
    correlated_db, uncorrelated_db : float
        Root sums of squares of each kind.
    combined_db : float
        Of both: holds for the level in one direction.
    degrees_of_freedom : float
        Effective, by Welch and Satterthwaite.
    coverage_factor : float
        Of a probability of 95 % (95.45 % for infinite degrees of freedom, k = 2).
    expanded_db : float
        Combined times the coverage factor.
    """

    components: tuple[Component, ...]
    correlated_db: float
    uncorrelated_db: float
    combined_db: float
    degrees_of_freedom: float
    coverage_factor: float
    expanded_db: float


@dataclass(frozen=True)
class CurveUncertainty:
    """Standard uncertainty of a curve or a number; arrays by frequency, or floats in arrays of no dimension.

    Attributes
    ----------
    correlated_db, uncorrelated_db : numpy.ndarray
        The part from what is common to all directions, and from what is not.
    combined_db : numpy.ndarray
        Root of the sum of both squares.
    """

    correlated_db: Floats
    uncorrelated_db: Floats

    @property
    def combined_db(self) -> Floats:
        """Root of the sum of the squares of both parts."""
        return np.asarray(np.hypot(self.correlated_db, self.uncorrelated_db))


@dataclass(frozen=True)
class MonteCarlo:
    """What a number does under random errors.

    Attributes
    ----------
    value : float or None
        The number without errors; None if it is not determined.
    mean, standard : float or None
        Mean and standard deviation over the draws in which the number was determined, in its own unit.
    low, high : float or None
        Ends of the interval that holds 95 % of them, as many below as above.
    draws, determined : int
        How many were drawn, and in how many the number was determined.
    reason : str
        Why there is no uncertainty, or that the number was lost in some draws; empty otherwise.
    """

    value: float | None
    mean: float | None
    standard: float | None
    low: float | None
    high: float | None
    draws: int
    determined: int
    reason: str

    @property
    def interval(self) -> tuple[float, float] | None:
        """Both ends of the interval; None if it is not determined."""
        return None if self.low is None or self.high is None else (self.low, self.high)


@method(
    "standard-uncertainty-of-limits",
    version=1,
    title="Standard uncertainty of limits or of a certificate",
    formula="Half width over sqrt 3 (rectangular), over sqrt 6 (triangular), or over the coverage factor (normal)",
    source="GUM, JCGM 100:2008, 4.3 (type B)",
    limitations="The distribution is a judgement.",
)
def standard_of_limits(half_width: float, distribution: Distribution, coverage_factor: float = 2.0) -> float:
    """Standard uncertainty of a quantity known to lie within ± a half width, in the unit of the half width.

    Parameters
    ----------
    half_width : float
        Limits; for "normal" the expanded uncertainty of a certificate.
    distribution : {"rectangular", "triangular", "normal"}
        Divided by the square root of 3, of 6, or by the coverage factor (GUM, JCGM 100:2008, 4.3).
    coverage_factor : float
        Of the expanded uncertainty.

    Raises
    ------
    ValueError
        If the width is negative or the distribution none of these.
    """
    divisors = {"rectangular": np.sqrt(3.0), "triangular": np.sqrt(6.0), "normal": coverage_factor}
    if distribution not in divisors or not half_width >= 0:
        raise ValueError(f"half width {half_width} (not negative) and one of {', '.join(divisors)}")
    return float(half_width / divisors[distribution])


def decibels_of_relative(relative: float) -> float:
    """Uncertainty in dB of a relative uncertainty of pressure, voltage or distance, to first order."""
    return DECIBELS_PER_NEPER * relative


@method(
    "distance-uncertainty",
    version=1,
    title="Level uncertainty from the measuring distance",
    formula="8.686 dB times the uncertainty of the distance over the distance",
    source="inverse distance law, first order: 8.686 dB times the relative uncertainty",
    limitations="Far field.",
)
def distance_component(distance_m: float, standard_m: float) -> Component:
    """Component of an uncertain distance; common to all directions.

    Raises
    ------
    ValueError
        If the distance is not above zero or the uncertainty is negative.
    """
    if not distance_m > 0 or not standard_m >= 0:
        raise ValueError("distance above zero, uncertainty not negative")
    return Component("distance", decibels_of_relative(standard_m / distance_m), correlated=True)


@method(
    "setting-angle-uncertainty",
    version=1,
    title="Level uncertainty from the setting of the angle",
    formula="Absolute slope of the level over angle times the uncertainty of the angle",
    source="slope of the level over angle times the uncertainty of the angle, first order",
    source_status="common practice, no source",
    limitations="Zero where the level is at an extreme, on the axis for instance; wrong beside a null.",
)
def setting_angle_uncertainty(angles: ArrayLike, level: ArrayLike, standard_deg: float) -> Floats:
    """Uncertainty in dB of each level of a whole or part orbit from the uncertainty of its angle.

    Parameters
    ----------
    angles : array_like, shape (m,), m at least 3
        Degrees, ascending.
    level : array_like, shape (m, n)
        dB.
    standard_deg : float
        Standard uncertainty of the angle.

    Returns
    -------
    numpy.ndarray, shape (m, n)
        dB.

    Raises
    ------
    ValueError
        If the shapes disagree or the angles do not ascend.
    """
    return np.asarray(np.abs(angle_slope(angles, level)) * standard_deg)


def angle_slope(angles: ArrayLike, level: ArrayLike) -> Floats:
    """Slope of the level over angle at each direction of a whole or part orbit.

    Parameters
    ----------
    angles : array_like, shape (m,), m at least 3
        Degrees, ascending.
    level : array_like, shape (m, n)
        dB.

    Returns
    -------
    numpy.ndarray, shape (m, n)
        dB per degree, by the neighbours on both sides.

    Raises
    ------
    ValueError
        If the shapes disagree or the angles do not ascend.
    """
    degrees, values = np.asarray(angles, dtype=np.float64), np.asarray(level, dtype=np.float64)
    if degrees.ndim != 1 or degrees.size < 3 or values.shape[:1] != degrees.shape or not (np.diff(degrees) > 0).all():
        raise ValueError("three or more ascending angles, and levels for each")
    step = 360.0 - degrees[-1] + degrees[0]
    if step <= 1.5 * np.diff(degrees).max():
        # The orbit is closed: its ends are neighbours.
        degrees = np.concatenate([[degrees[-1] - 360.0], degrees, [degrees[0] + 360.0]])
        values = np.concatenate([values[-1:], values, values[:1]])
        return np.asarray(np.gradient(values, degrees, axis=0)[1:-1])
    return np.asarray(np.gradient(values, degrees, axis=0))


@method(
    "repeatability",
    version=1,
    title="Repeatability: standard deviation of repeated measurements",
    formula="Standard deviation of the captures (n - 1), over the root of their number for their mean",
    source="GUM, JCGM 100:2008, 4.2 (type A)",
    limitations="What was not set up anew between the captures is not in it.",
)
def repeatability(levels: ArrayLike, of_the_mean: bool = True) -> tuple[Floats, int]:
    """Standard uncertainty from repeated captures.

    Parameters
    ----------
    levels : array_like, shape (captures, ...)
        dB; two captures or more.
    of_the_mean : bool
        Of the mean of the captures, or of a single one.

    Returns
    -------
    standard : numpy.ndarray, shape (...)
        dB.
    degrees_of_freedom : int
        Captures less one.

    Raises
    ------
    ValueError
        If there are fewer than two captures.
    """
    values = np.asarray(levels, dtype=np.float64)
    if values.ndim == 0 or values.shape[0] < 2:
        raise ValueError("repeatability needs two captures or more")
    count = values.shape[0]
    deviation = values.std(axis=0, ddof=1)
    return np.asarray(deviation / np.sqrt(count) if of_the_mean else deviation), count - 1


def coverage_factor(degrees_of_freedom: float, probability: float = 0.9545) -> float:
    """Coverage factor of Student's distribution (GUM, annex G), degrees of freedom cut to a whole number.

    Raises
    ------
    ValueError
        If there is less than one degree of freedom or the probability is not between 0 and 1.
    """
    from scipy.special import ndtri, stdtrit

    if not degrees_of_freedom >= 1 or not 0 < probability < 1:
        raise ValueError("one degree of freedom or more, and a probability between 0 and 1")
    tail = (1 + probability) / 2
    if np.isinf(degrees_of_freedom):
        return float(ndtri(tail))
    return float(stdtrit(np.floor(degrees_of_freedom), tail))


@method(
    "uncertainty-budget",
    version=1,
    title="Combined standard uncertainty and its expansion",
    formula="Root of the sum of squares of the components; degrees of freedom u^4 over the sum of u_i^4 / nu_i; "
    "expanded by Student's factor",
    source="GUM, JCGM 100:2008, 5.1 (root sum of squares) and G.4 (Welch and Satterthwaite)",
    limitations="Components are independent of each other; first order.",
)
def combine(components: Sequence[Component], probability: float = 0.9545) -> Budget:
    """Combine independent components, the two kinds apart and together.

    Parameters
    ----------
    components : sequence of Component
        At least one.
    probability : float
        Of the expanded uncertainty; 0.9545 gives k = 2 for infinite degrees of freedom.

    Returns
    -------
    Budget

    Raises
    ------
    ValueError
        If there are none.
    """
    if not components:
        raise ValueError("a budget needs at least one component")
    kinds = [[one.standard_db for one in components if one.correlated is kind] for kind in (True, False)]
    correlated, uncorrelated = (float(np.sqrt(np.sum(np.square(kind)))) for kind in kinds)
    combined = float(np.hypot(correlated, uncorrelated))
    spread = sum(one.standard_db**4 / one.degrees_of_freedom for one in components)
    freedom = combined**4 / spread if spread > 0 else float("inf")
    factor = coverage_factor(max(freedom, 1.0), probability)
    return Budget(tuple(components), correlated, uncorrelated, combined, freedom, factor, factor * combined)


@method(
    "linear-uncertainty",
    version=1,
    title="Uncertainty of a weighted sum of levels",
    formula="Root of the sum of squares of coefficient times uncorrelated uncertainty, and the signed sum of "
    "coefficient times correlated uncertainty; both by root of the sum of squares",
    source="GUM, JCGM 100:2008, 5.1.2 and 5.2.2: uncorrelated parts by squares, correlated parts by signed sum",
    limitations="First order; correlated parts are taken as fully correlated.",
)
def linear_combination_uncertainty(
    coefficients: ArrayLike, correlated_db: ArrayLike, uncorrelated_db: ArrayLike
) -> CurveUncertainty:
    """Uncertainty of sum c_i L_i, along the first axis.

    Parameters
    ----------
    coefficients : array_like, shape (m, ...)
        Sensitivity of the result to each level.
    correlated_db, uncorrelated_db : array_like, broadcast to the coefficients
        Standard uncertainties in dB.

    Returns
    -------
    CurveUncertainty
        Shape (...).
    """
    c = np.asarray(coefficients, dtype=np.float64)
    common, own = (np.broadcast_to(np.asarray(u, dtype=np.float64), c.shape) for u in (correlated_db, uncorrelated_db))
    return CurveUncertainty(
        np.asarray(np.abs((c * common).sum(axis=0))), np.asarray(np.sqrt(((c * own) ** 2).sum(axis=0)))
    )


def mean_shares(level: ArrayLike, weights: ArrayLike) -> Floats:
    """Share of each level in a weighted mean of squared pressure: its sensitivity, which sums to one.

    Parameters
    ----------
    level : array_like, shape (m, ...)
        dB.
    weights : array_like, shape (m,)
        In any unit.

    Returns
    -------
    numpy.ndarray, shape (m, ...)

    Raises
    ------
    ValueError
        If the shapes do not match or no weight is above zero.
    """
    values, weight = np.asarray(level, dtype=np.float64), np.asarray(weights, dtype=np.float64)
    if weight.ndim != 1 or values.shape[:1] != weight.shape or not weight.sum() > 0:
        raise ValueError(f"weights of shape {weight.shape} for levels of shape {values.shape}")
    loudest = np.max(values, axis=0)
    part = power_of_level(values - np.where(np.isfinite(loudest), loudest, 0.0))
    part = part * weight.reshape(-1, *[1] * (values.ndim - 1))
    return np.asarray(part / part.sum(axis=0))


@method(
    "mean-level-uncertainty",
    version=1,
    title="Uncertainty of a mean of squared pressures",
    formula="Root of the sum of squares of (share of the sum of squared pressures times uncorrelated uncertainty), "
    "and the sum of share times correlated uncertainty; both by root of the sum of squares",
    source="GUM, JCGM 100:2008, 5.1.2: the sensitivity to a level is its share of the sum of squared pressures",
    limitations="First order: uncertainties well below 4 dB. A level of no weight or far below the others says "
    "nothing.",
)
def mean_level_uncertainty(
    level: ArrayLike, weights: ArrayLike, correlated_db: ArrayLike, uncorrelated_db: ArrayLike
) -> CurveUncertainty:
    """Uncertainty of the level of a weighted mean of squared pressure.

    Parameters
    ----------
    level : array_like, shape (m, ...)
        dB.
    weights : array_like, shape (m,)
        In any unit.
    correlated_db, uncorrelated_db : array_like, broadcast to the levels
        Standard uncertainties in dB.

    Returns
    -------
    CurveUncertainty
        Shape (...).

    Raises
    ------
    ValueError
        If the shapes disagree or no weight is above zero.
    """
    return linear_combination_uncertainty(mean_shares(level, weights), correlated_db, uncorrelated_db)


@method(
    "difference-uncertainty",
    version=1,
    title="Uncertainty of the difference of two means of squared pressure",
    formula="Root of the sum of squares of (share in the first mean less share in the second) times the uncertainty, "
    "over directions; common parts by signed sum",
    source="GUM, JCGM 100:2008, 5.1.2 and 5.2.2: sensitivities of both means subtracted, direction by direction",
    limitations="First order.",
)
def difference_uncertainty(
    level: ArrayLike,
    weights: ArrayLike,
    subtracted_weights: ArrayLike,
    correlated_db: ArrayLike,
    uncorrelated_db: ArrayLike,
) -> CurveUncertainty:
    """Uncertainty of a directivity index: one weighted mean less another one of the same directions.

    Parameters
    ----------
    level : array_like, shape (m, ...)
        dB, of all directions that either mean needs.
    weights, subtracted_weights : array_like, shape (m,)
        Weight of each direction in the two means; 0 where it is in one only.
    correlated_db, uncorrelated_db : array_like, broadcast to the levels
        Standard uncertainties in dB.

    Returns
    -------
    CurveUncertainty
        An error that is the same in all directions cancels.

    Raises
    ------
    ValueError
        If the shapes disagree or no weight is above zero.
    """
    sensitivity = mean_shares(level, weights) - mean_shares(level, subtracted_weights)
    return linear_combination_uncertainty(sensitivity, correlated_db, uncorrelated_db)


@method(
    "monte-carlo-uncertainty",
    version=1,
    title="Uncertainty of any number by Monte Carlo, with a fixed seed",
    formula="Standard deviation of the number over many draws of the levels with normal errors of the stated sizes",
    source="JCGM 101:2008 (supplement 1 to the GUM): normal errors, propagation of distributions",
    limitations="How errors go together over frequency must be stated; the truth lies between independent and common. "
    "Draws in which the number is lost are left out and counted.",
)
def monte_carlo(
    function: Callable[[Floats], float | None],
    level: ArrayLike,
    correlated_db: ArrayLike,
    uncorrelated_db: ArrayLike,
    across_frequency: Across = "common",
    draws: int = 2000,
    seed: int = SEED,
) -> MonteCarlo:
    """Apply a function to levels with random errors, many times.

    Parameters
    ----------
    function : callable
        Takes levels of the shape given and returns a number, or None where it is not determined.
    level : array_like, shape (..., n)
        dB; frequency is the last axis, directions come before.
    correlated_db : array_like, broadcast to (n,)
        Standard uncertainty in dB of what all directions share.
    uncorrelated_db : array_like, broadcast to the levels
        Standard uncertainty in dB of what is each direction's own.
    across_frequency : {"independent", "common"}
        Whether a direction's own error is drawn for each frequency, or once for all; what all directions share is
        drawn once for all frequencies.
    draws, seed : int
        Number of draws, and seed of the generator.

    Returns
    -------
    MonteCarlo

    Raises
    ------
    ValueError
        If shapes do not match, an option has no such value or there are fewer than 2 draws.
    """
    if across_frequency not in ("independent", "common"):
        raise ValueError(f'across_frequency is "independent" or "common", not {across_frequency!r}')
    if draws < 2:
        raise ValueError(f"two draws or more, not {draws}")
    values = np.asarray(level, dtype=np.float64)
    common = np.broadcast_to(np.asarray(correlated_db, dtype=np.float64), values.shape[-1:])
    own = np.broadcast_to(np.asarray(uncorrelated_db, dtype=np.float64), values.shape)
    generator = np.random.Generator(np.random.PCG64(seed))
    value = function(values)
    shape = values.shape if across_frequency == "independent" else (*values.shape[:-1], 1)
    found = []
    for _ in range(draws):
        error = common * generator.standard_normal() + own * generator.standard_normal(shape)
        drawn = function(values + error)
        if drawn is not None and np.isfinite(drawn):
            found.append(float(drawn))
    return spread_of_draws(value, found, draws)


def spread_of_draws(value: float | None, found: Sequence[float], draws: int) -> MonteCarlo:
    """What a number did in the draws of a Monte Carlo propagation.

    Parameters
    ----------
    value : float or None
        The number without errors; None if it is not determined.
    found : sequence of float
        Its value in each draw in which it was determined.
    draws : int
        How many there were.

    Returns
    -------
    MonteCarlo
    """
    lost = draws - len(found)
    if value is None or len(found) < 2:
        words = "the number is not determined" if value is None else f"it was lost in {lost} of {draws} draws"
        return MonteCarlo(value, None, None, None, None, draws, len(found), words)
    low, high = np.quantile(found, [0.025, 0.975])
    words = f"the number was not determined in {lost} of {draws} draws" if lost else ""
    mean, standard = float(np.mean(found)), float(np.std(found, ddof=1))
    return MonteCarlo(value, mean, standard, float(low), float(high), draws, len(found), words)
