"""Ripple of an echo in a level curve: peaks and dips evenly spaced in Hz, from the level alone.

Sound plus its copy after a delay T, weaker by a factor g, has the level of |1 + g e^(-j w T)|: a ripple over frequency
with the period 1/T. The power cepstrum has a peak at T. The curves of exports are not evenly spaced in Hz, so the
cepstrum is computed as a periodogram by least squares.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.frequencies import check_grid
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "MAX_STEP",
    "MIN_PERIODS",
    "Ripple",
    "fitted_ripple",
    "power_cepstrum",
    "refined_delay",
    "ripple_of_delay",
    "trusted_samples",
    "with_order",
]

MIN_PERIODS = 4.0
"""Fewest periods of a ripple in the band: with fewer, even spacing cannot be seen."""

MAX_STEP = 0.4
"""Largest step between samples in periods of the ripple."""

KNOT_OCTAVES = 1.0
"""Octaves between the knots of the smooth background."""

ROBUST_ROUNDS = 5
"""Rounds in which samples beside the ripple lose weight."""

MAX_OVER_BEST, MIN_LEFT_DB = 1.5, 0.03
"""Factor, and dB, up to which a lower order may leave more than the best one (median of the absolute values)."""

MIN_SCALE_DB = 0.05
"""dB; smallest scale of what is left."""

MAX_GAIN = 0.9
"""Largest relative amplitude of an echo in a fit."""

_NEPER_DB = 20.0 / np.log(10.0)


@dataclass(frozen=True)
class Ripple:
    """Ripple of one delay, and where it can be seen.

    Attributes
    ----------
    delay_s : float
        Delay of the copy in seconds.
    weight : numpy.ndarray, shape (n,)
        Height of the ripple in the curve re that before smoothing; 0 where samples are too far apart.
    order : int
        Order of the polynomial in log frequency that the echo's complex amplitude follows.
    """

    delay_s: float
    weight: Floats
    order: int = 0


def _background(log_frequency: Floats) -> Floats:
    """Return an orthonormal basis, shape (n, k), of smooth curves: cubic splines over log2 frequency."""
    from scipy.interpolate import BSpline

    low, high = float(log_frequency[0]), float(log_frequency[-1])
    count = max(round((high - low) / KNOT_OCTAVES), 1)
    inner = np.linspace(low, high, count + 1)
    knots = np.concatenate([[low] * 3, inner, [high] * 3])
    return np.linalg.qr(BSpline.design_matrix(log_frequency, knots, 3).toarray())[0]


def ripple_of_delay(
    frequency: Floats, delay_s: ArrayLike, smoothing: float | None, max_step: float = MAX_STEP
) -> Floats:
    """Return the height of ripples in a curve re that before smoothing.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending.
    delay_s : array_like
        Seconds, shape (...).
    smoothing : float or None
        Windows per octave; None for none.
    max_step : float
        Largest step between samples in periods of the ripple.

    Returns
    -------
    numpy.ndarray, shape (..., n)
        Mean of a cosine over the window; 0 where the samples are further apart or the mean is below 0.3.
    """
    delay = np.asarray(delay_s, dtype=np.float64)[..., np.newaxis]
    step = np.gradient(frequency)
    width = 0.0 if smoothing is None else 2 ** (0.5 / smoothing) - 2 ** (-0.5 / smoothing)
    height = np.sinc(delay * frequency * width)
    return np.asarray(np.where((delay * step <= max_step) & (height >= 0.3), height, 0.0))


@method(
    "power-cepstrum-of-curve",
    version=1,
    title="Power cepstrum of a level curve: how much of it is a ripple evenly spaced in Hz, by delay",
    formula="For each delay T, the share of the variance of the level that A cos wT + B sin wT explains, after "
    "subtraction of a smooth background",
    source="peak of the power cepstrum at the delay of an echo (Bogert, Healy and Tukey 1963), computed by least "
    "squares as a periodogram of samples that are not evenly spaced (Lomb 1976)",
    source_status="recalled",
    limitations="Ripples of fewer than four periods in the band are not distinguished from the background. Samples "
    "more than 0.4 periods apart do not count.",
)
def power_cepstrum(
    frequency: ArrayLike, level: ArrayLike, delays_s: ArrayLike, smoothing: float | None = None
) -> Floats:
    """Return the share of a curve's variance that a ripple of each delay explains.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB; finite.
    delays_s : array_like, shape (k,)
        Seconds.
    smoothing : float, optional
        Windows per octave that the curve was smoothed with.

    Returns
    -------
    numpy.ndarray, shape (k,)
        0 to 1; the variance is that about a smooth background (cubic splines, a knot per octave).
    """
    grid, delays = check_grid(frequency), np.asarray(delays_s, dtype=np.float64)
    basis = _background(np.log2(grid))
    values = np.asarray(level, dtype=np.float64)
    rest = values - basis @ (basis.T @ values)
    weight = ripple_of_delay(grid, delays, smoothing)
    turns = 2 * np.pi * delays[:, np.newaxis] * grid
    cosine, sine = weight * np.cos(turns), weight * np.sin(turns)
    cosine -= (cosine @ basis) @ basis.T
    sine -= (sine @ basis) @ basis.T
    cc, ss, cs = (cosine**2).sum(-1), (sine**2).sum(-1), (cosine * sine).sum(-1)
    cy, sy = cosine @ rest, sine @ rest
    determinant = np.maximum(cc * ss - cs**2, 1e-12)
    explained = (cy**2 * ss - 2 * cy * sy * cs + sy**2 * cc) / determinant
    return np.asarray(explained / max(float(rest @ rest), 1e-12))


def fitted_ripple(
    frequency: ArrayLike, levels: ArrayLike, ripple: Ripple, trust: Floats | None = None, rounds: int = 4
) -> tuple[Floats, NDArray[np.complex128]]:
    """Fit the ripple of an echo of known delay to each of several curves, together with a smooth background.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    levels : array_like, shape (rows, n)
        dB; a row with a value that is not finite has a ripple of zero.
    ripple : Ripple
    trust : numpy.ndarray, shape (n,), optional
        Weights of the least squares, see :func:`trusted_samples`; 1 by default.
    rounds : int
        Rounds of the fit of 20 lg |1 + g e^(-j w T)|, whose first order in g is linear.

    Returns
    -------
    ripple_db : numpy.ndarray, shape (rows, n)
        The ripple in dB, as smoothed as the curve.
    gain : numpy.ndarray, shape (rows, n)
        Complex amplitude g of the echo re the direct sound; it changes smoothly with log frequency.
    """
    ripple_db, gain, _ = _fit(check_grid(frequency), np.atleast_2d(np.asarray(levels)), ripple, trust, rounds)
    return ripple_db, gain


def _fit(
    grid: Floats, levels: Floats, ripple: Ripple, trust: Floats | None, rounds: int = 4
) -> tuple[Floats, NDArray[np.complex128], Floats]:
    """Return ripples in dB, complex gains, and what the fits leave in dB, each of shape (rows, n)."""
    rows = np.asarray(levels, dtype=np.float64) / _NEPER_DB
    usable = np.isfinite(rows).all(axis=1)
    octaves = np.log2(grid)
    # Below half a period the ripple cannot show how its strength changes.
    position = np.maximum(octaves, np.log2(0.5 / ripple.delay_s))
    position = position - position.mean()
    # Air, the size of the object and the directivity change an echo smoothly over frequency.
    shapes = np.vander(position, ripple.order + 1, increasing=True)
    count = ripple.order + 1
    turn = np.exp(-2j * np.pi * grid * ripple.delay_s)
    columns = shapes * (ripple.weight * turn)[:, np.newaxis]
    root = np.ones(grid.size) if trust is None else np.sqrt(trust)
    background = _background(octaves)
    design = np.concatenate([columns.real, -columns.imag, background], axis=1)
    inverse = np.linalg.pinv(design * root[:, np.newaxis], rcond=1e-6) * root
    values = np.where(usable[:, np.newaxis], rows, 0.0)
    model, first_order, left = np.zeros(rows.shape), np.zeros(rows.shape), np.zeros(rows.shape)
    gain = np.zeros(rows.shape, dtype=np.complex128)
    for _ in range(rounds):
        solution = (values - (model - first_order)) @ inverse.T
        gain = (solution[:, :count] + 1j * solution[:, count : 2 * count]) @ shapes.T
        gain *= np.minimum(1.0, MAX_GAIN / np.maximum(np.abs(gain), 1e-12))
        first_order = ripple.weight * (gain * turn).real
        model = ripple.weight * np.log(np.abs(1 + gain * turn))
        left = values - model - solution[:, 2 * count :] @ background.T
    finite = usable[:, np.newaxis]
    return np.where(finite, model * _NEPER_DB, 0.0), np.where(finite, gain, 0.0), left * _NEPER_DB


def trusted_samples(frequency: ArrayLike, level: ArrayLike, ripple: Ripple) -> Floats:
    """Return weights that are small where a curve has peaks and dips beside the ripple.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB; finite.
    ripple : Ripple

    Returns
    -------
    numpy.ndarray, shape (n,)
        1 / (1 + (r / s)²)², with what the fit leaves r and 2.5 robust standard deviations s (from the median of |r|).
    """
    grid, row = check_grid(frequency), np.atleast_2d(np.asarray(level, dtype=np.float64))
    trust = np.ones(grid.size)
    for _ in range(ROBUST_ROUNDS):
        left = _fit(grid, row, ripple, trust)[2][0]
        scale = max(2.5 * 1.4826 * float(np.median(np.abs(left))), MIN_SCALE_DB)
        trust = 1 / (1 + (left / scale) ** 2) ** 2
    return np.asarray(trust)


def with_order(frequency: ArrayLike, level: ArrayLike, ripple: Ripple) -> tuple[Ripple, Floats]:
    """Return a ripple with the lowest order, up to 2, that leaves about as little as the best one.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB; finite.
    ripple : Ripple

    Returns
    -------
    ripple : Ripple
    trust : numpy.ndarray, shape (n,)
        Its weights, see :func:`trusted_samples`.
    """
    grid, row = check_grid(frequency), np.atleast_2d(np.asarray(level, dtype=np.float64))
    tried = []
    for order in (0, 1, 2):
        one = replace(ripple, order=order)
        trust = trusted_samples(grid, row[0], one)
        # The median is not moved by a few peaks and dips beside the ripple.
        tried.append((float(np.median(np.abs(_fit(grid, row, one, trust)[2][0]))), one, trust))
    enough = max(MAX_OVER_BEST * min(cost for cost, _, _ in tried), MIN_LEFT_DB)
    return next((one, trust) for cost, one, trust in tried if cost <= enough)


def refined_delay(
    frequency: ArrayLike, level: ArrayLike, delays_s: ArrayLike, smoothing: float | None, trust: Floats, order: int
) -> float:
    """Return the delay whose ripple leaves least, among several.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB; finite.
    delays_s : array_like
        Seconds.
    smoothing : float or None
        Windows per octave of the smoothing.
    trust : numpy.ndarray, shape (n,)
        Weights, see :func:`trusted_samples`.
    order : int
        See :class:`Ripple`.

    Returns
    -------
    float
        Seconds.
    """
    grid, row = check_grid(frequency), np.atleast_2d(np.asarray(level, dtype=np.float64))
    delays = np.asarray(delays_s, dtype=np.float64)
    cost = []
    for delay in delays:
        one = Ripple(float(delay), ripple_of_delay(grid, delay, smoothing), order)
        left = _fit(grid, row, one, trust, 2)[2][0]
        cost.append(float((trust * left**2).sum()))
    return float(delays[int(np.argmin(cost))])
