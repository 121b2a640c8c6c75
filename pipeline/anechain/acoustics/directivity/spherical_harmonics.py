"""The whole sphere by spherical harmonics: its power, its directivity index, and what two orbits get wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["HarmonicSphere", "highest_order", "sphere_by_harmonics"]


WORST_CONDITION = 100.0
"""Condition number of the fit beyond which an order is not used: errors would grow by as much."""

HIGHEST_ORDER = 16
"""Orders that are tried unless one is asked for: squared pressures of this order are pressures of half of it."""

ROWS_AT_ONCE = 2048


@dataclass(frozen=True)
class HarmonicSphere:
    """Mean over the whole sphere from a fit of spherical harmonics; arrays of shape (n,) by frequency.

    Attributes
    ----------
    power_db : numpy.ndarray or None
        Level of the mean squared pressure over the sphere, dB; None if not determined.
    index_db : numpy.ndarray or None
        True directivity index: on axis less power, dB; None if there is no level on the axis.
    two_orbit_error_db : numpy.ndarray or None
        Two-orbit estimate of the power less the power, dB; None if there is no such estimate.
    order : int
        Order of the fit of squared pressure; it holds pressures of half this order exactly.
    condition : float
        Condition number of the fit.
    misfit_db : numpy.ndarray or None
        dB; root mean square of what the fit leaves of squared pressure, re its mean.
    reason : str
        Why it is not determined; empty if it is.
    """

    power_db: Floats | None
    index_db: Floats | None
    two_orbit_error_db: Floats | None
    order: int
    condition: float
    misfit_db: Floats | None
    reason: str


def _real_harmonics(unit: Floats, order: int) -> Floats:
    """Real orthonormal spherical harmonics, shape (directions, (order + 1)²); the first one is constant."""
    from scipy.special import sph_harm_y_all

    polar = np.arccos(np.clip(unit[:, 2], -1.0, 1.0))
    azimuth = np.arctan2(unit[:, 1], unit[:, 0])
    every = sph_harm_y_all(order, order, polar, azimuth)
    columns = []
    for n in range(order + 1):
        columns.append(every[n, 0].real)
        for m in range(1, n + 1):
            columns += [np.sqrt(2) * every[n, m].real, np.sqrt(2) * every[n, m].imag]
    return np.stack(columns, axis=1)


def _normal_equations(unit: Floats, order: int, weight: Floats, values: Floats | None = None) -> tuple[Floats, Floats]:
    """Weighted products of the harmonics with each other and with the values, summed over blocks of directions."""
    columns = (order + 1) ** 2
    gram = np.zeros((columns, columns))
    right = np.zeros((columns, 0 if values is None else values.shape[1]))
    for start in range(0, len(unit), ROWS_AT_ONCE):
        block = slice(start, start + ROWS_AT_ONCE)
        basis = _real_harmonics(unit[block], order)
        weighted = basis * weight[block, np.newaxis]
        gram += weighted.T @ basis
        if values is not None:
            right += weighted.T @ values[block]
    return gram, right


def _condition(gram: Floats, order: int) -> float:
    size = (order + 1) ** 2
    eigenvalues = np.linalg.eigvalsh(gram[:size, :size])
    return float(np.sqrt(eigenvalues[-1] / eigenvalues[0])) if eigenvalues[0] > 0 else float("inf")


def _unit_and_weight(vectors: ArrayLike, weight: ArrayLike | None) -> tuple[Floats, Floats]:
    v = np.asarray(vectors, dtype=np.float64)
    share = np.ones(len(v)) if weight is None else np.asarray(weight, dtype=np.float64)
    if v.ndim != 2 or v.shape[1] != 3 or share.shape != (len(v),) or (share < 0).any() or not share.sum() > 0:
        raise ValueError(f"directions of shape {v.shape} with weights of shape {share.shape}, not negative")
    return np.asarray(v / np.linalg.norm(v, axis=1, keepdims=True)), np.asarray(share / share.sum())


def highest_order(vectors: ArrayLike, weight: ArrayLike | None = None, most: int = HIGHEST_ORDER) -> tuple[int, float]:
    """Highest order that directions carry with a condition number of 100 or less, and that number.

    Parameters
    ----------
    vectors : array_like, shape (directions, 3)
        Of any length but zero.
    weight : array_like, shape (directions,), optional
        Share of the sphere of each; equal without it.
    most : int
        Order to stop at.

    Raises
    ------
    ValueError
        If the shapes disagree or a weight is negative.
    """
    unit, share = _unit_and_weight(vectors, weight)
    most = _no_more_than(most, unit)
    if most < 1:
        return 0, 1.0
    return _best_order(_normal_equations(unit, most, share)[0], most)


def _no_more_than(order: int, unit: Floats) -> int:
    """An order, or the one that has as many harmonics as there are directions."""
    return min(order, int(np.sqrt(len(unit))) - 1)


def _best_order(gram: Floats, most: int) -> tuple[int, float]:
    # More harmonics never lower the condition number, so the last order that will do is found by halving.
    low, high = 0, most
    while low < high:
        middle = (low + high + 1) // 2
        if _condition(gram, middle) <= WORST_CONDITION:
            low = middle
        else:
            high = middle - 1
    return low, _condition(gram, low)


@method(
    "sphere-harmonics",
    version=1,
    title="Power and directivity index of the whole sphere by spherical harmonics",
    formula="Squared pressure fitted by real spherical harmonics; the power is 10 lg of the coefficient of order 0 "
    "over sqrt(4 pi), the index the level on axis less the power",
    source="least squares fit of squared pressure by real orthonormal spherical harmonics; the mean over the sphere is "
    "the term of order 0 (Williams, Fourier Acoustics, ch. 6)",
    source_status="recalled",
    limitations="Directivity finer than the order folds back into the mean, as the misfit shows.",
)
def sphere_by_harmonics(
    vectors: ArrayLike,
    level: ArrayLike,
    order: int | None = None,
    on_axis_level: ArrayLike | None = None,
    two_orbit_power_level: ArrayLike | None = None,
    weight: ArrayLike | None = None,
) -> HarmonicSphere:
    """Fit squared pressure on a sphere, and read off its mean.

    Parameters
    ----------
    vectors : array_like, shape (directions, 3)
        Of any length but zero, each direction once.
    level : array_like, shape (directions, n)
        dB. A direction without a value at a frequency leaves that frequency undetermined (NaN).
    order : int, optional
        Order of the fit; the highest that the directions carry, 16 at most, without it.
    on_axis_level, two_orbit_power_level : array_like, shape (n,), optional
        dB; for the index and for the error of the two-orbit estimate.
    weight : array_like, shape (directions,), optional
        Share of the sphere of each direction (see `solid_angle_weights`), by which squares are weighted: what is finer
        than the order then hardly reaches the mean. Equal without it.

    Returns
    -------
    HarmonicSphere

    Raises
    ------
    ValueError
        If the shapes disagree, the order or a weight is negative.
    """
    unit, share = _unit_and_weight(vectors, weight)
    values = np.asarray(level, dtype=np.float64)
    if values.ndim != 2 or len(values) != len(unit):
        raise ValueError(f"{len(unit)} directions for levels of shape {values.shape}")
    if order is not None and order < 0:
        raise ValueError(f"an order is not negative, as {order} is")
    whole = ~np.isnan(values).any(axis=0)
    loudest = values[:, whole].max(axis=0)
    squared = power_of_level(values[:, whole] - loudest)
    used = _no_more_than(HIGHEST_ORDER, unit) if order is None else order
    condition = float("inf")
    if 1 <= used <= _no_more_than(used, unit):
        gram, right = _normal_equations(unit, used, share, squared)
        used, condition = (used, _condition(gram, used)) if order is not None else _best_order(gram, used)
    if used < 1:
        condition = float("inf")
    if not condition <= WORST_CONDITION:
        words = f"{len(unit)} directions do not carry spherical harmonics of order {max(used, 1)} over the whole sphere"
        return HarmonicSphere(None, None, None, used, condition, None, words)
    power, misfit = np.full(values.shape[1], np.nan), np.full(values.shape[1], np.nan)
    size = (used + 1) ** 2
    coefficient = np.linalg.solve(gram[:size, :size], right[:size])
    # Y_00 is 1 / sqrt(4 pi) everywhere, so the mean over the sphere is its coefficient over sqrt(4 pi).
    mean = coefficient[0] / np.sqrt(4 * np.pi)
    power[whole] = level_of_power(np.maximum(mean, 0.0)) + loudest
    left = np.zeros_like(mean)
    for start in range(0, len(unit), ROWS_AT_ONCE):
        block = slice(start, start + ROWS_AT_ONCE)
        rest = squared[block] - _real_harmonics(unit[block], used) @ coefficient
        left += (share[block, np.newaxis] * rest**2).sum(axis=0)
    misfit[whole] = level_of_power(np.sqrt(left) / mean)
    index = None if on_axis_level is None else np.asarray(np.asarray(on_axis_level, np.float64) - power)
    error = None if two_orbit_power_level is None else np.asarray(np.asarray(two_orbit_power_level, np.float64) - power)
    return HarmonicSphere(power, index, error, used, condition, misfit, "")
