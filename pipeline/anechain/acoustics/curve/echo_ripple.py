"""Ripple of an echo in a level curve: peaks and dips evenly spaced in Hz, from the level alone.

Sound plus its copy after a delay T, weaker by a factor g, has the level of |1 + g e^(-j w T)|: a ripple over frequency
with the period 1/T. The power cepstrum has a peak at T. The curves of exports are not evenly spaced in Hz, so the
cepstrum is computed as a periodogram by least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_grid
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["MAX_STEP", "MIN_PERIODS", "Ripple", "fitted_ripple", "power_cepstrum", "ripple_of_delay"]

MIN_PERIODS = 4.0
"""Fewest periods of a ripple in the band: with fewer, even spacing cannot be seen."""

MAX_STEP = 0.4
"""Largest step between samples in periods of the ripple."""

KNOT_OCTAVES = 1.0
"""Octaves between the knots of the smooth background."""

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
    """

    delay_s: float
    weight: Floats


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


def fitted_ripple(frequency: ArrayLike, levels: ArrayLike, ripple: Ripple, rounds: int = 4) -> tuple[Floats, Floats]:
    """Fit the ripple of an echo of known delay to each of several curves, together with a smooth background.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    levels : array_like, shape (rows, n)
        dB; a row with a value that is not finite has a ripple of zero.
    ripple : Ripple
    rounds : int
        Rounds of the fit of 20 lg |1 + g e^(-j w T)|, whose first order in g is linear.

    Returns
    -------
    ripple_db : numpy.ndarray, shape (rows, n)
        The ripple in dB, as smoothed as the curve.
    gain : numpy.ndarray, shape (rows, n)
        Complex amplitude g of the echo re the direct sound; it changes smoothly with log frequency.
    """
    grid = check_grid(frequency)
    rows = np.atleast_2d(np.asarray(levels, dtype=np.float64)) / _NEPER_DB
    usable = np.isfinite(rows).all(axis=1)
    octaves = np.log2(grid)
    seen = ripple.weight > 0
    position = octaves - (octaves[seen].mean() if seen.any() else octaves.mean())
    # Air, the size of the object and the directivity change an echo smoothly over frequency.
    shapes = np.stack([np.ones_like(position), position, position**2], axis=1)
    turn = np.exp(-2j * np.pi * grid * ripple.delay_s)
    columns = shapes * (ripple.weight * turn)[:, np.newaxis]
    basis = _background(octaves)
    design = np.concatenate([columns.real, -columns.imag], axis=1)
    design -= basis @ (basis.T @ design)
    values = np.where(usable[:, np.newaxis], rows, 0.0)
    inverse = np.linalg.pinv(design)
    gain = np.zeros(rows.shape, dtype=np.complex128)
    model = np.zeros(rows.shape)
    first_order = np.zeros(rows.shape)
    for _ in range(rounds):
        target = values - (model - first_order)
        target = target - (target @ basis) @ basis.T
        solution = target @ inverse.T
        gain = (solution[:, :3] + 1j * solution[:, 3:]) @ shapes.T
        magnitude = np.abs(gain)
        gain *= np.minimum(1.0, MAX_GAIN / np.maximum(magnitude, 1e-12))
        first_order = ripple.weight * (gain * turn).real
        model = ripple.weight * np.log(np.abs(1 + gain * turn))
    gain = np.where(usable[:, np.newaxis], gain, 0.0)
    return np.where(usable[:, np.newaxis], model * _NEPER_DB, 0.0), gain
