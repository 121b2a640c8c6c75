"""The shape of one resonance in a level curve, how it is fitted, and from what height on it is heard."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "FittedShape",
    "audibility_threshold",
    "bandwidth_of_q",
    "fit_resonance",
    "q_of_bandwidth",
    "resonance_level",
]


THRESHOLD_AT_Q_1 = -22.0
"""dB; level of an added resonance of Q = 1, re the sound it is added to, at the threshold with pink noise.
Recalled, and uncertain by several decibels."""

THRESHOLD_PER_DOUBLING = 3.0
"""dB by which that level rises for each doubling of Q. Recalled."""

LOWEST_Q, HIGHEST_Q = 0.2, 200.0
GREATEST_HEIGHT = 40.0


@dataclass(frozen=True)
class FittedShape:
    """A second-order section and a straight line, fitted to a piece of a curve.

    Attributes
    ----------
    height_db : float
        Gain at the centre, re the line.
    centre_hz : float
    q : float
        Of the equaliser section that makes or mends it: between the points of half its decibels lies centre / q when
        it is narrow.
    residual_db : float
        Root mean square of what is left.
    """

    height_db: float
    centre_hz: float
    q: float
    residual_db: float


def bandwidth_of_q(q: ArrayLike) -> Floats:
    """Octaves between the points of half the decibels, of a section's Q (W3C audio equaliser note, analogue form)."""
    return np.asarray(2 / np.log(2) * np.arcsinh(1 / (2 * np.asarray(q, dtype=np.float64))))


def q_of_bandwidth(octaves: ArrayLike) -> Floats:
    """Q of a section whose points of half the decibels lie that many octaves apart."""
    return np.asarray(1 / (2 * np.sinh(np.log(2) / 2 * np.asarray(octaves, dtype=np.float64))))


def resonance_level(octaves: ArrayLike, height_db: float, q: float) -> Floats:
    """Level in dB of a resonance, octaves away from its centre.

    |H|² = (u + (A / Q)²) / (u + 1 / (A Q)²) with u = (f/f0 - f0/f)² and A = 10^(height / 40): the peaking section of
    the W3C note "Audio EQ Cookbook" in its analogue form, and just as well a resonance of Q A added to a flat response.
    """
    u = (2 * np.sinh(np.log(2) * np.asarray(octaves, dtype=np.float64))) ** 2
    a = 10 ** (height_db / 40)
    return np.asarray(10 * np.log10((u + (a / q) ** 2) / (u + 1 / (a * q) ** 2)))


def fit_resonance(
    octaves: Floats, level: Floats, place: float, height_db: float, q: float, reach: float
) -> FittedShape | None:
    """Fit a resonance and a line over log frequency by least squares, from a first guess.

    Parameters
    ----------
    octaves, level : numpy.ndarray, shape (n,)
        log2 of the frequency in Hz, and dB.
    place, height_db, q : float
        First guess: log2 of the centre in Hz, dB, Q.
    reach : float
        Octaves that the centre may be away from the guess.

    Returns
    -------
    FittedShape or None
        None if there are too few points or the fit does not settle.
    """
    from scipy.optimize import least_squares

    if octaves.size < 8:
        return None

    around = np.vander(octaves - place, 2)
    pseudoinverse = np.linalg.pinv(around)

    def left(x: Floats) -> Floats:
        # The line follows from the shape: only the shape's three numbers are searched.
        rest = level - resonance_level(octaves - x[1], x[0], float(np.exp(x[2])))
        return rest - around @ (pseudoinverse @ rest)

    guess = np.array([height_db, place, np.log(np.clip(q, LOWEST_Q * 1.1, HIGHEST_Q / 1.1))])
    low = [-GREATEST_HEIGHT, place - reach, np.log(LOWEST_Q)]
    high = [GREATEST_HEIGHT, place + reach, np.log(HIGHEST_Q)]
    guess[0] = np.clip(guess[0], -GREATEST_HEIGHT / 1.1, GREATEST_HEIGHT / 1.1)
    found = least_squares(left, guess, bounds=(low, high), x_scale=[1.0, 0.05, 0.3], xtol=1e-9, ftol=1e-9, max_nfev=200)
    if not found.success:
        return None
    height, centre, log_q = (float(value) for value in found.x)
    return FittedShape(height, float(2**centre), float(np.exp(log_q)), float(np.sqrt((found.fun**2).mean())))


@method(
    "resonance-audibility",
    version=1,
    title="Height from which a resonance is heard, by its Q",
    formula="20 lg(1 + 10^(L / 20)) with L the level of the added resonance at Q = 1 plus the rise per doubling times "
    "log2 Q",
    source="Toole and Olive 1988, The Modification of Timbre by Resonances, J. Audio Eng. Soc. 36(3): the threshold of "
    "an added resonance rises by 3 dB per doubling of Q",
    source_status="recalled",
    limitations="The threshold at Q = 1 (-22 dB, pink noise) is recalled only roughly; with other sounds it is up to "
    "some "
    "10 dB higher, in reverberation lower, for dips higher than for peaks. It says what may be heard, not what is.",
)
def audibility_threshold(
    pole_q: ArrayLike, level_at_q_1_db: float = THRESHOLD_AT_Q_1, per_doubling_db: float = THRESHOLD_PER_DOUBLING
) -> Floats:
    """Height in dB that a resonance makes in a level curve when it is just heard.

    Parameters
    ----------
    pole_q : array_like
        Q of the resonance's poles.
    level_at_q_1_db, per_doubling_db : float
        Level of the added resonance re the sound it is added to, at the threshold, for Q = 1; and its rise with Q.

    Returns
    -------
    numpy.ndarray
        20 lg(1 + 10^(L/20)) with L the level at that Q: 0.66 dB at Q = 1, 2 dB at Q = 10, 4 dB at Q = 50.

    Raises
    ------
    ValueError
        If a Q is not above zero.
    """
    q = np.asarray(pole_q, dtype=np.float64)
    if not (q > 0).all():
        raise ValueError("Q must be above zero")
    added = level_at_q_1_db + per_doubling_db * np.log2(q)
    return np.asarray(20 * np.log10(1 + 10 ** (added / 20)))
