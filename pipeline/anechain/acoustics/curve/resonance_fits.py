"""Least squares fit of a resonance, and a polynomial over log frequency, to a piece of a level curve.

The search is written here because it takes about a third of the time of scipy.optimize.least_squares (1.8 against 5 ms
for a section on 97 points), and the search for peaks and dips makes hundreds of fits for each curve.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from anechain.acoustics.curve.resonance_shape import (
    MAX_Q,
    MIN_Q,
    AddedResonance,
    peaking_section,
    resonance_basis,
    resonance_level,
)
from anechain.arrays import Floats

__all__ = ["MIN_POINTS", "first_guesses", "fit_resonance", "fit_section"]

_Model = Callable[[Floats], Floats]
"""Levels in dB, shape (sets, n), by parameters, shape (sets, parameters)."""

MAX_HEIGHT_DB = 40.0
"""dB; largest gain or cut of a fitted section."""

MAX_PRESSURE_PART = 3.0
"""Largest real or imaginary part of a fitted resonance, re the other sound."""

MIN_POINTS = 8
"""Fewest points that a shape is fitted to."""


def _least_squares(
    model: _Model, level: Floats, start: Floats, lower: Floats, upper: Floats, polynomials: Floats
) -> tuple[Floats, float]:
    """Search by Levenberg and Marquardt within bounds.

    The coefficients of the `polynomials`, shape (n, order + 1), follow from the other parameters and are not searched.

    Returns
    -------
    parameters : numpy.ndarray
    residual_db : float
        Root mean square of the residuals.
    """
    basis = np.linalg.qr(polynomials)[0]

    def without_polynomial(rows: Floats) -> Floats:
        return np.asarray(rows - (rows @ basis) @ basis.T)

    target = without_polynomial(level)
    x = np.clip(start, lower, upper)
    steps = 1e-6 * np.maximum(upper - lower, 1e-3)
    damping = 1e-3
    residual, cost, moved = np.zeros_like(level), np.inf, True
    jacobian = np.zeros((x.size, level.size))
    for _ in range(60):
        if moved:
            # One call of the model with each parameter in turn a step further; a step back at the upper bound.
            h = np.where(x + steps > upper, -steps, steps)
            levels = without_polynomial(model(np.vstack([x, x + np.diag(h)])))
            residual = target - levels[0]
            cost = float(residual @ residual)
            jacobian = (levels[1:] - levels[0]) / h[:, np.newaxis]
        normal = jacobian @ jacobian.T
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), jacobian @ residual)
        candidate = np.clip(x + step, lower, upper)
        candidate_residual = target - without_polynomial(model(candidate[np.newaxis]))[0]
        candidate_cost = float(candidate_residual @ candidate_residual)
        moved = candidate_cost < cost
        gain = cost - candidate_cost
        if moved:
            x, damping = candidate, max(damping / 5, 1e-9)
        else:
            damping *= 6
        if abs(gain) <= 1e-7 * cost or damping > 1e6 or cost < 1e-12 * level.size:
            break
    residual = target - without_polynomial(model(x[np.newaxis]))[0]
    return x, float(np.sqrt((residual**2).mean()))


def fit_section(
    octaves: Floats,
    level: Floats,
    start: AddedResonance,
    max_shift_octaves: float,
    window_octaves: float = 0.0,
    max_q: float = MAX_Q,
    order: int = 1,
) -> AddedResonance | None:
    """Fit a peaking section, which is a resonance added in phase, and a polynomial over log frequency.

    Parameters
    ----------
    octaves, level : numpy.ndarray, shape (n,)
        log2 of the frequency in Hz, and level in dB.
    start : AddedResonance
        First guess.
    max_shift_octaves : float
        Largest distance in octaves of the centre from the guess.
    window_octaves : float
        Width of the smoothing window of the curve; the shape is smoothed in the same way. 0 for none.
    max_q : float
        Highest Q that the curve resolves.
    order : int
        Order of the polynomial.

    Returns
    -------
    AddedResonance or None
        None if there are fewer than 8 points.
    """
    if octaves.size < MIN_POINTS:
        return None
    a = np.sqrt(max(1 + start.real, 1e-3))

    def model(x: Floats) -> Floats:
        gain = 10 ** (x[:, :1] / 40)
        return resonance_level(octaves - x[:, 1:2], gain**2 - 1, 0.0, np.exp(x[:, 2:3]) * gain, window_octaves)

    lower = np.array([-MAX_HEIGHT_DB, start.centre_log2 - max_shift_octaves, np.log(MIN_Q)])
    upper = np.array([MAX_HEIGHT_DB, start.centre_log2 + max_shift_octaves, np.log(max_q)])
    guess = np.array([40 * np.log10(a), start.centre_log2, np.log(start.q / a)])
    polynomials = np.vander(octaves - start.centre_log2, order + 1)
    x, residual_db = _least_squares(model, level, guess, lower, upper, polynomials)
    return replace(peaking_section(float(x[0]), float(np.exp(x[2])), float(x[1])), residual_db=residual_db)


def fit_resonance(
    octaves: Floats,
    level: Floats,
    start: AddedResonance,
    max_shift_octaves: float,
    window_octaves: float = 0.0,
    max_q: float = MAX_Q,
    order: int = 1,
) -> AddedResonance | None:
    """Fit a resonance added with any phase, and a polynomial over log frequency.

    Parameters and result are those of :func:`fit_section`.

    Notes
    -----
    Two resonances of different strength can have the same level, since the level does not show whether the sum has
    changed its sign. The weaker resonance is fitted.
    """
    if octaves.size < MIN_POINTS:
        return None

    def model(x: Floats) -> Floats:
        return resonance_level(octaves - x[:, :1], x[:, 1:2], x[:, 2:3], np.exp(x[:, 3:4]), window_octaves)

    lower = np.array([start.centre_log2 - max_shift_octaves, -1.0, -MAX_PRESSURE_PART, np.log(MIN_Q)])
    upper = np.array([start.centre_log2 + max_shift_octaves, MAX_PRESSURE_PART, MAX_PRESSURE_PART, np.log(max_q)])
    guess = np.array([start.centre_log2, start.real, start.imaginary, np.log(start.q)])
    polynomials = np.vander(octaves - start.centre_log2, order + 1)
    x, residual_db = _least_squares(model, level, guess, lower, upper, polynomials)
    return AddedResonance(float(x[0]), float(x[1]), float(x[2]), float(np.exp(x[3])), residual_db)


def first_guesses(
    octaves: Floats, levels: Floats, centres_log2: Floats, q_values: Floats, window_octaves: float
) -> list[AddedResonance]:
    """Return the first guess of a resonance for each of several curves: the best of some centres and values of Q.

    Parameters
    ----------
    octaves, levels : numpy.ndarray, shapes (n,) and (rows, n)
        log2 of the frequency in Hz, and level in dB.
    centres_log2, q_values : numpy.ndarray
        log2 of the centres in Hz, and values of Q; all pairs are tried.
    window_octaves : float
        Width of the smoothing window of the curves; 0 for none.

    Returns
    -------
    list of AddedResonance
        One guess for each row. Real and imaginary part follow from linear least squares, as for a weak resonance.
    """
    pairs = [(float(centre), float(q)) for centre in centres_log2 for q in q_values]
    solutions, costs = [], []
    for centre, q in pairs:
        even, odd = resonance_basis(octaves - centre, q, window_octaves)
        basis = np.stack([even, odd, np.ones_like(octaves), octaves - centre], axis=1)
        solution = np.linalg.lstsq(basis, levels.T, rcond=None)[0]
        solutions.append(solution[:2])
        costs.append(((levels.T - basis @ solution) ** 2).sum(axis=0))
    guesses = []
    for row, pair in enumerate(np.argmin(costs, axis=0)):
        even_part, odd_part = solutions[pair][:, row] * np.log(10) / 10
        real = float(np.sqrt(max(1 + even_part - (odd_part / 2) ** 2, 0.05))) - 1
        centre, q = pairs[pair]
        guesses.append(AddedResonance(centre, real, float(odd_part / 2), q))
    return guesses
