"""Linear propagation: standard uncertainties of levels carried to sums and averages of them (GUM, first order).

Correlated and uncorrelated parts are kept apart. A correlated error does not become smaller in an average, and cancels
in a difference; an uncorrelated error becomes smaller in an average, and does not cancel in a difference.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import power_of_level
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["CurveUncertainty", "linear_combination_uncertainty", "mean_level_uncertainty", "mean_shares"]


@dataclass(frozen=True)
class CurveUncertainty:
    """Standard uncertainty in dB of a curve (arrays by frequency) or of a number (arrays without a dimension).

    Attributes
    ----------
    correlated_db, uncorrelated_db : numpy.ndarray
        Parts from errors that all directions share, and from errors that each direction has by itself.
    combined_db : numpy.ndarray
        Root of the sum of both squares.
    """

    correlated_db: Floats
    uncorrelated_db: Floats

    @property
    def combined_db(self) -> Floats:
        """Combined standard uncertainty in dB: root of the sum of both squares."""
        return np.asarray(np.hypot(self.correlated_db, self.uncorrelated_db))


@method(
    "linear-uncertainty",
    version=1,
    title="Uncertainty of a weighted sum of levels",
    formula="Root of the sum of squares of coefficient times uncorrelated uncertainty, and the signed sum of "
    "coefficient times correlated uncertainty; both by root of the sum of squares",
    source="GUM, JCGM 100:2008, 5.1.2 and 5.2.2: uncorrelated parts by squares, correlated parts by signed sum",
    limitations="First order; correlated parts are assumed to be fully correlated.",
)
def linear_combination_uncertainty(
    coefficients: ArrayLike, correlated_db: ArrayLike, uncorrelated_db: ArrayLike
) -> CurveUncertainty:
    """Return the uncertainty of the sum of c_i L_i along the first axis.

    Parameters
    ----------
    coefficients : array_like, shape (m, ...)
        Coefficients c_i: change of the result per change of each level.
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
    """Return the share of each level in a weighted mean of squared pressure.

    The share is the sensitivity of the mean's level to that level.

    Parameters
    ----------
    level : array_like, shape (m, ...)
        dB.
    weights : array_like, shape (m,)
        Weights, in any unit.

    Returns
    -------
    numpy.ndarray, shape (m, ...)
        dB per dB; the sum over the first axis is 1.

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
    formula="Root of the sum of squares of (share of the sum of squared pressures times uncorrelated uncertainty), and "
    "the sum of share times correlated uncertainty; both by root of the sum of squares",
    source="GUM, JCGM 100:2008, 5.1.2: the sensitivity to a level is its share of the sum of squared pressures",
    limitations="First order: for uncertainties well below 4 dB. A level without weight, or far below the others, has "
    "no effect.",
)
def mean_level_uncertainty(
    level: ArrayLike, weights: ArrayLike, correlated_db: ArrayLike, uncorrelated_db: ArrayLike
) -> CurveUncertainty:
    """Return the uncertainty of the level of a weighted mean of squared pressure.

    Parameters
    ----------
    level : array_like, shape (m, ...)
        dB.
    weights : array_like, shape (m,)
        Weights, in any unit.
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
