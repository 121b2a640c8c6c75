"""Mean over the whole sphere by spherical harmonics: power, directivity index, and error of the two-orbit estimate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["HarmonicSphere", "highest_order", "sphere_by_harmonics"]


MAX_CONDITION = 100.0
"""Largest condition number of a fit that is used: errors can grow by this factor."""

MAX_ORDER = 16
"""Default of the highest order of squared pressure; the order of the pressure is half of it."""

ROWS_AT_ONCE = 2048
"""Directions per block, which limits the memory."""


@dataclass(frozen=True)
class HarmonicSphere:
    """Mean over the whole sphere from a fit of spherical harmonics; arrays of shape (n,) by frequency.

    Attributes
    ----------
    power_db : numpy.ndarray or None
        Level of the mean squared pressure over the sphere, dB; None if not determined.
    index_db : numpy.ndarray or None
        True directivity index: level on axis minus power, dB; None without a level on the axis.
    two_orbit_error_db : numpy.ndarray or None
        Two-orbit estimate of the power minus the power, dB; None without an estimate.
    order : int
        Order of the fit of squared pressure; exact for pressures of half this order.
    condition : float
        Condition number of the fit.
    misfit_db : numpy.ndarray or None
        Root mean square of the residual of squared pressure re its mean, dB.
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
    """Return real orthonormal spherical harmonics, shape (directions, (order + 1)²); the first one is constant."""
    from scipy.special import sph_harm_y_all

    polar = np.arccos(np.clip(unit[:, 2], -1.0, 1.0))
    azimuth = np.arctan2(unit[:, 1], unit[:, 0])
    harmonics = sph_harm_y_all(order, order, polar, azimuth)
    columns = []
    for n in range(order + 1):
        columns.append(harmonics[n, 0].real)
        for m in range(1, n + 1):
            columns += [np.sqrt(2) * harmonics[n, m].real, np.sqrt(2) * harmonics[n, m].imag]
    return np.stack(columns, axis=1)


def _normal_equations(unit: Floats, order: int, weight: Floats, values: Floats | None = None) -> tuple[Floats, Floats]:
    """Return the weighted products of the harmonics with each other and with the values, summed over directions."""
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


def highest_order(vectors: ArrayLike, weight: ArrayLike | None = None, max_order: int = MAX_ORDER) -> tuple[int, float]:
    """Return the highest order that can be fitted with a condition number of 100 or less, and this number.

    Parameters
    ----------
    vectors : array_like, shape (directions, 3)
        Of any length but zero.
    weight : array_like, shape (directions,), optional
        Share of the sphere of each direction; equal by default.
    max_order : int
        Largest order.

    Returns
    -------
    order : int
    condition : float

    Raises
    ------
    ValueError
        If the shapes disagree or a weight is negative.
    """
    unit, share = _unit_and_weight(vectors, weight)
    max_order = _limited_order(max_order, unit)
    if max_order < 1:
        return 0, 1.0
    return _best_order(_normal_equations(unit, max_order, share)[0], max_order)


def _limited_order(order: int, unit: Floats) -> int:
    """Return an order, limited so that there are not more harmonics than directions."""
    return min(order, int(np.sqrt(len(unit))) - 1)


def _best_order(gram: Floats, max_order: int) -> tuple[int, float]:
    # More harmonics never reduce the condition number, so the highest usable order is found by bisection.
    low, high = 0, max_order
    while low < high:
        middle = (low + high + 1) // 2
        if _condition(gram, middle) <= MAX_CONDITION:
            low = middle
        else:
            high = middle - 1
    return low, _condition(gram, low)


@method(
    "sphere-harmonics",
    version=1,
    title="Power and directivity index of the whole sphere by spherical harmonics",
    formula="Squared pressure fitted by real spherical harmonics; the power is 10 lg of the coefficient of order 0 "
    "over sqrt(4 pi), the index is the level on axis minus the power",
    source="least squares fit of squared pressure by real orthonormal spherical harmonics; the mean over the sphere is "
    "the term of order 0 (Williams, Fourier Acoustics, ch. 6)",
    source_status="recalled",
    limitations="Directivity of a higher order causes an error of the mean (aliasing), which the misfit indicates.",
)
def sphere_by_harmonics(
    vectors: ArrayLike,
    level: ArrayLike,
    order: int | None = None,
    on_axis_level: ArrayLike | None = None,
    two_orbit_power_level: ArrayLike | None = None,
    weight: ArrayLike | None = None,
) -> HarmonicSphere:
    """Fit squared pressure on the sphere and return its mean.

    Parameters
    ----------
    vectors : array_like, shape (directions, 3)
        Of any length but zero, each direction once.
    level : array_like, shape (directions, n)
        dB. The result is NaN at a frequency at which a direction is NaN.
    order : int, optional
        Order of the fit; by default the highest that can be fitted, at most 16.
    on_axis_level, two_orbit_power_level : array_like, shape (n,), optional
        Levels in dB for the index and for the error of the two-orbit estimate.
    weight : array_like, shape (directions,), optional
        Share of the sphere of each direction (see `solid_angle_weights`) as the weights of the fit, which reduces
        aliasing of higher orders. Equal by default.

    Returns
    -------
    HarmonicSphere

    Raises
    ------
    ValueError
        If the shapes disagree, or the order or a weight is negative.
    """
    unit, share = _unit_and_weight(vectors, weight)
    values = np.asarray(level, dtype=np.float64)
    if values.ndim != 2 or len(values) != len(unit):
        raise ValueError(f"{len(unit)} directions for levels of shape {values.shape}")
    if order is not None and order < 0:
        raise ValueError(f"the order must not be negative, not {order}")
    complete = ~np.isnan(values).any(axis=0)
    loudest = values[:, complete].max(axis=0)
    squared = power_of_level(values[:, complete] - loudest)
    used = _limited_order(MAX_ORDER, unit) if order is None else order
    condition = float("inf")
    if 1 <= used <= _limited_order(used, unit):
        gram, right = _normal_equations(unit, used, share, squared)
        used, condition = (used, _condition(gram, used)) if order is not None else _best_order(gram, used)
    if used < 1:
        condition = float("inf")
    if not condition <= MAX_CONDITION:
        reason = f"{len(unit)} directions are too few or too uneven for spherical harmonics of order {max(used, 1)}"
        return HarmonicSphere(None, None, None, used, condition, None, reason)
    power, misfit = np.full(values.shape[1], np.nan), np.full(values.shape[1], np.nan)
    size = (used + 1) ** 2
    coefficient = np.linalg.solve(gram[:size, :size], right[:size])
    # Y_00 is 1 / sqrt(4 pi) everywhere, so the mean over the sphere is its coefficient over sqrt(4 pi).
    mean = coefficient[0] / np.sqrt(4 * np.pi)
    power[complete] = level_of_power(np.maximum(mean, 0.0)) + loudest
    squared_residual = np.zeros_like(mean)
    for start in range(0, len(unit), ROWS_AT_ONCE):
        block = slice(start, start + ROWS_AT_ONCE)
        residual = squared[block] - _real_harmonics(unit[block], used) @ coefficient
        squared_residual += (share[block, np.newaxis] * residual**2).sum(axis=0)
    misfit[complete] = level_of_power(np.sqrt(squared_residual) / mean)
    index = None if on_axis_level is None else np.asarray(np.asarray(on_axis_level, np.float64) - power)
    error = None if two_orbit_power_level is None else np.asarray(np.asarray(two_orbit_power_level, np.float64) - power)
    return HarmonicSphere(power, index, error, used, condition, misfit, "")
