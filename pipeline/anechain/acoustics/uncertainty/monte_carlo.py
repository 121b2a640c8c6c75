"""Monte Carlo propagation: spread of a number under random errors of its input levels."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["SEED", "MonteCarlo", "monte_carlo", "monte_carlo_result"]

Across = Literal["independent", "common"]

SEED = 20260
"""Seed of the random numbers: the same input always has the same result."""


@dataclass(frozen=True)
class MonteCarlo:
    """Spread of a number under random errors.

    Attributes
    ----------
    value : float or None
        The number without errors; None if it is not determined.
    mean, standard : float or None
        Mean and standard deviation over the draws in which the number was determined, in its own unit.
    low, high : float or None
        Ends of the interval that contains 95 % of these draws, with 2.5 % of them below and 2.5 % above.
    draws, determined : int
        Number of draws, and number of draws in which the number was determined.
    reason : str
        Why there is no uncertainty, or in how many draws the number was not determined; empty otherwise.
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
        """Both ends of the 95 % interval; None if it is not determined."""
        return None if self.low is None or self.high is None else (self.low, self.high)


@method(
    "monte-carlo-uncertainty",
    version=2,
    title="Uncertainty of a number by Monte Carlo, with a fixed seed",
    formula="Standard deviation of the number over many draws of the levels with normal errors of the stated sizes",
    source="JCGM 101:2008 (supplement 1 to the GUM): normal errors, propagation of distributions",
    limitations="The correlation of the errors over frequency must be stated; the true one is between independent and "
    "common. Draws in which the number is not determined are left out and counted.",
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
    """Apply a function many times to levels with random errors.

    Parameters
    ----------
    function : callable
        Takes levels of the same shape and returns a number, or None where it is not determined.
    level : array_like, shape (..., n)
        dB; frequency is the last axis, directions come before.
    correlated_db : array_like, broadcast to (n,)
        Standard uncertainty in dB of the error that all directions share.
    uncorrelated_db : array_like, broadcast to the levels
        Standard uncertainty in dB of the error that each direction has by itself.
    across_frequency : {"independent", "common"}
        Whether a direction's own error is drawn for each frequency, or once for all frequencies. The error that all
        directions share is drawn once for all frequencies.
    draws, seed : int
        Number of draws, and seed of the generator.

    Returns
    -------
    MonteCarlo

    Raises
    ------
    ValueError
        If shapes do not match, an option has an unknown value or there are fewer than two draws.
    """
    if across_frequency not in ("independent", "common"):
        raise ValueError(f'across_frequency must be "independent" or "common", not {across_frequency!r}')
    if draws < 2:
        raise ValueError(f"needs two draws or more, not {draws}")
    values = np.asarray(level, dtype=np.float64)
    common = np.broadcast_to(np.asarray(correlated_db, dtype=np.float64), values.shape[-1:])
    own = np.broadcast_to(np.asarray(uncorrelated_db, dtype=np.float64), values.shape)
    generator = np.random.Generator(np.random.PCG64(seed))
    value = function(values)
    shape = values.shape if across_frequency == "independent" else (*values.shape[:-1], 1)
    results = []
    for _ in range(draws):
        error = common * generator.standard_normal() + own * generator.standard_normal(shape)
        result = function(values + error)
        if result is not None and np.isfinite(result):
            results.append(float(result))
    return monte_carlo_result(value, results, draws)


def monte_carlo_result(value: float | None, results: Sequence[float], draws: int) -> MonteCarlo:
    """Summarise the values of a number in the draws of a Monte Carlo propagation.

    Parameters
    ----------
    value : float or None
        The number without errors; None if it is not determined.
    results : sequence of float
        Value of the number in each draw in which it was determined.
    draws : int
        Number of draws.

    Returns
    -------
    MonteCarlo
    """
    lost = draws - len(results)
    if value is None or len(results) < 2:
        reason = (
            "the number is not determined" if value is None else f"it was not determined in {lost} of {draws} draws"
        )
        return MonteCarlo(value, None, None, None, None, draws, len(results), reason)
    low, high = np.quantile(results, [0.025, 0.975], method="weibull")
    reason = f"the number was not determined in {lost} of {draws} draws" if lost else ""
    mean, standard = float(np.mean(results)), float(np.std(results, ddof=1))
    return MonteCarlo(value, mean, standard, float(low), float(high), draws, len(results), reason)
