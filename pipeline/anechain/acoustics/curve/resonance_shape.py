"""Shape of a resonance in a level curve: its level, bandwidth, height and width.

The sound of a panel or a port is added to the sound of the drivers with some phase: the level curve then has a peak
next to a dip. Added in phase, a resonance has the shape of the peaking section of an equaliser.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats

__all__ = [
    "MAX_Q",
    "MIN_Q",
    "AddedResonance",
    "LevelProfile",
    "bandwidth_of_q",
    "level_profile",
    "peaking_section",
    "q_of_bandwidth",
    "resonance_basis",
    "resonance_level",
]

MIN_Q, MAX_Q = 0.2, 200.0
"""Range of Q that is fitted."""


@dataclass(frozen=True)
class AddedResonance:
    """A second-order band-pass that is added to other sound of pressure 1.

    Attributes
    ----------
    centre_log2 : float
        log2 of the centre frequency in Hz.
    real, imaginary : float
        Pressure of the resonance at its centre re the other sound: the part in phase with it, and the part 90 degrees
        ahead of it.
    q : float
        Q of the resonance's poles.
    residual_db : float
        Root mean square residual in dB, without a polynomial; 0 if nothing was fitted.
    """

    centre_log2: float
    real: float
    imaginary: float
    q: float
    residual_db: float = 0.0


@dataclass(frozen=True)
class LevelProfile:
    """Height and width of a resonance in a level curve.

    Attributes
    ----------
    shift_octaves : float
        Octaves from the centre of the resonance to the largest deviation.
    height_db : float
        Largest deviation in dB, with its sign.
    opposite_db : float
        Largest deviation in dB of the other sign.
    width_octaves : float
        Octaves between the points of half of `height_db`.
    """

    shift_octaves: float
    height_db: float
    opposite_db: float
    width_octaves: float


def bandwidth_of_q(q: ArrayLike) -> Floats:
    """Return the bandwidth of a peaking section of a known Q.

    Parameters
    ----------
    q : array_like
        Q of the section.

    Returns
    -------
    numpy.ndarray
        Octaves between the points of half the gain in dB (W3C note "Audio EQ Cookbook", analogue form).
    """
    return np.asarray(2 / np.log(2) * np.arcsinh(1 / (2 * np.asarray(q, dtype=np.float64))))


def q_of_bandwidth(octaves: ArrayLike) -> Floats:
    """Return the Q of a peaking section of a known bandwidth; the inverse of :func:`bandwidth_of_q`.

    Parameters
    ----------
    octaves : array_like
        Octaves between the points of half the gain in dB.

    Returns
    -------
    numpy.ndarray
    """
    return np.asarray(1 / (2 * np.sinh(np.log(2) / 2 * np.asarray(octaves, dtype=np.float64))))


def peaking_section(height_db: float, q: float, centre_log2: float = 0.0) -> AddedResonance:
    """Write the peaking section of an equaliser as a resonance that is added in phase.

    Parameters
    ----------
    height_db, q : float
        Gain in dB and Q of the section (W3C note "Audio EQ Cookbook").
    centre_log2 : float
        log2 of the centre frequency in Hz.

    Returns
    -------
    AddedResonance
        Its Q is `q` times 10^(`height_db` / 40).
    """
    a = 10 ** (height_db / 40)
    return AddedResonance(centre_log2, a**2 - 1, 0.0, q * a)


def resonance_basis(octaves: Floats, q: ArrayLike, window_octaves: float) -> Floats:
    """Return the two functions of frequency that make up the squared pressure of 1 plus a resonance.

    Parameters
    ----------
    octaves : numpy.ndarray, shape (..., n)
        Octaves from the centre.
    q : array_like
        Q of the resonance; broadcast with `octaves`.
    window_octaves : float
        Width of the window over which squared pressure is averaged; 0 for none. A Q below 1 is not averaged.

    Returns
    -------
    numpy.ndarray, shape (2, ..., n)
        1 / (1 + w²), which is even in log frequency, and w / (1 + w²), which is odd, w = q (f / f0 - f0 / f).

    Notes
    -----
    The means over a window in log frequency are exact: with t = ln(f / f0), w = 2 q sinh t and k² = 4 q² - 1, the
    integrals are atan(k tanh t) / k and ln((2 q cosh t - k) / (2 q cosh t + k)) / (2 k).
    """
    t = np.log(2) * octaves
    q = np.asarray(q, dtype=np.float64)
    if window_octaves == 0 or np.min(q) < 1:
        w = 2 * q * np.sinh(t)
        even = 1 / (1 + w**2)
        return np.stack([even, w * even])
    half_window = np.log(2) * window_octaves / 2
    k = np.sqrt(4 * q**2 - 1)
    integrals = []
    for end in (t + half_window, t - half_window):
        root = 2 * q * np.cosh(end)
        integrals.append((np.arctan(k * np.tanh(end)) / k, np.log((root - k) / (root + k)) / (2 * k)))
    (upper_even, upper_odd), (lower_even, lower_odd) = integrals
    return np.asarray(np.stack([upper_even - lower_even, upper_odd - lower_odd]) / (2 * half_window))


def resonance_level(
    octaves: ArrayLike, real: ArrayLike, imaginary: ArrayLike, q: ArrayLike, window_octaves: float = 0.0
) -> Floats:
    """Return the level of 1 plus a resonance.

    Parameters
    ----------
    octaves : array_like
        Octaves from the centre of the resonance.
    real, imaginary, q : array_like
        The resonance, as in :class:`AddedResonance`; broadcast with `octaves`.
    window_octaves : float
        Width of the window over which squared pressure is averaged; 0 for none. A Q below 1 is not averaged.

    Returns
    -------
    numpy.ndarray
        dB, at least -80.

    Notes
    -----
    |1 + r / (1 + j w)|² = 1 + (|1 + r|² - 1 + 2 w Im r) / (1 + w²), with w = q (f / f0 - f0 / f).
    """
    r, i = np.asarray(real, dtype=np.float64), np.asarray(imaginary, dtype=np.float64)
    even, odd = resonance_basis(np.asarray(octaves, dtype=np.float64), q, window_octaves)
    return np.asarray(10 * np.log10(np.maximum(1 + ((1 + r) ** 2 + i**2 - 1) * even + 2 * i * odd, 1e-8)))


def level_profile(resonance: AddedResonance, window_octaves: float) -> LevelProfile:
    """Return the height and width of a resonance in a level curve.

    Parameters
    ----------
    resonance : AddedResonance
    window_octaves : float
        Width of the smoothing window of the curve; 0 for none.

    Returns
    -------
    LevelProfile
    """
    reach = min(6.0 / resonance.q + 2 * window_octaves, 3.0)
    x = np.linspace(-reach, reach, 1201)
    level = resonance_level(x, resonance.real, resonance.imaginary, resonance.q, window_octaves)
    top = int(np.argmax(np.abs(level)))
    sign = np.sign(level[top])
    inside = sign * level >= 0.5 * sign * level[top]
    low = top - int(np.argmin(inside[: top + 1][::-1])) if not inside[: top + 1].all() else 0
    high = top + int(np.argmin(inside[top:])) if not inside[top:].all() else x.size - 1
    opposite = float(-sign * (-sign * level).max())
    return LevelProfile(float(x[top]), float(level[top]), opposite, float(x[high] - x[low]))
