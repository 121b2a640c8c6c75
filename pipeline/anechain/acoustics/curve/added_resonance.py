"""A resonance added to other sound with a phase of its own: its level, smoothed as the curve is, and how it is fitted.

What a panel or a port radiates is added to the sound of the drivers with some phase, and the level curve then has a
peak beside a dip. Without a phase it is the peaking section of an equaliser.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.resonance_shape import HIGHEST_Q, LOWEST_Q
from anechain.arrays import Floats

__all__ = [
    "AddedResonance",
    "Profile",
    "added_level",
    "first_guesses",
    "fit_added",
    "fit_section",
    "profile",
    "section",
]

_Model = Callable[[Floats], Floats]

GREATEST_HEIGHT = 40.0
GREATEST_PART = 3.0
"""Times the other sound that an added resonance may be in either part."""

FEWEST = 8


@dataclass(frozen=True)
class AddedResonance:
    """A second-order band-pass added to other sound that is 1 there.

    Attributes
    ----------
    place : float
        Log2 of the centre in Hz.
    real, imaginary : float
        In phase with the other sound and a quarter of a turn ahead of it, at the centre.
    q : float
        Of the resonance, of its poles.
    residual_db : float
        What the fit leaves of the curve beside a line, root mean square.
    """

    place: float
    real: float
    imaginary: float
    q: float
    residual_db: float = 0.0


@dataclass(frozen=True)
class Profile:
    """What is seen of a shape in a level curve.

    Attributes
    ----------
    shift : float
        Octaves from the centre to the largest deviation.
    height_db, beside_db : float
        That deviation, and the largest one of the other sign.
    width_octaves : float
        Between the points of half that deviation.
    """

    shift: float
    height_db: float
    beside_db: float
    width_octaves: float


def section(height_db: float, q: float, place: float = 0.0) -> AddedResonance:
    """Peaking section of an equaliser (W3C note "Audio EQ Cookbook") as the resonance that it adds in phase."""
    a = 10 ** (height_db / 40)
    return AddedResonance(place, a**2 - 1, 0.0, q * a)


def parts(octaves: Floats, q: ArrayLike, window: float) -> Floats:
    """Both parts of a resonance in squared pressure: 1 / (1 + w²) and w / (1 + w²), w = q (f/f0 - f0/f).

    With a window they are means over it in log frequency: in t = ln(f / f0), w = 2 q sinh t, and with k² = 4 q² - 1
    they have the integrals atan(k tanh t) / k and ln((2 q cosh t - k) / (2 q cosh t + k)) / (2 k).
    """
    t = np.log(2) * octaves
    q = np.asarray(q, dtype=np.float64)
    if window == 0 or np.min(q) < 1:
        w = 2 * q * np.sinh(t)
        even = 1 / (1 + w**2)
        return np.stack([even, w * even])
    half = np.log(2) * window / 2
    k = np.sqrt(4 * q**2 - 1)
    ends = []
    for end in (t + half, t - half):
        root = 2 * q * np.cosh(end)
        ends.append((np.arctan(k * np.tanh(end)) / k, np.log((root - k) / (root + k)) / (2 * k)))
    (high_even, high_odd), (low_even, low_odd) = ends
    return np.asarray(np.stack([high_even - low_even, high_odd - low_odd]) / (2 * half))


def added_level(
    octaves: ArrayLike, real: ArrayLike, imaginary: ArrayLike, q: ArrayLike, window_octaves: float = 0.0
) -> Floats:
    """Level in dB of 1 plus a resonance, octaves away from its centre.

    |1 + r / (1 + j w)|² = 1 + (|1 + r|² - 1 + 2 w Im r) / (1 + w²), with w = q (f/f0 - f0/f).

    Parameters
    ----------
    octaves : array_like
        From the centre.
    real, imaginary, q : array_like
        Of the resonance r, as in :class:`AddedResonance`; of shapes that go with `octaves`.
    window_octaves : float
        Width of the window over which squared pressure was averaged; 0 for none. A Q below 1 is not changed by it.

    Returns
    -------
    numpy.ndarray
    """
    r, i = np.asarray(real, dtype=np.float64), np.asarray(imaginary, dtype=np.float64)
    even, odd = parts(np.asarray(octaves, dtype=np.float64), q, window_octaves)
    return np.asarray(10 * np.log10(np.maximum(1 + ((1 + r) ** 2 + i**2 - 1) * even + 2 * i * odd, 1e-8)))


def profile(one: AddedResonance, window_octaves: float) -> Profile:
    """What is seen of a resonance: its largest deviation, where that is, and how wide it is."""
    reach = min(6.0 / one.q + 2 * window_octaves, 3.0)
    x = np.linspace(-reach, reach, 1201)
    level = added_level(x, one.real, one.imaginary, one.q, window_octaves)
    top = int(np.argmax(np.abs(level)))
    sign = np.sign(level[top])
    inside = sign * level >= 0.5 * sign * level[top]
    low = top - int(np.argmin(inside[: top + 1][::-1])) if not inside[: top + 1].all() else 0
    high = top + int(np.argmin(inside[top:])) if not inside[top:].all() else x.size - 1
    return Profile(float(x[top]), float(level[top]), float(-sign * (-sign * level).max()), float(x[high] - x[low]))


def _least_squares(
    model: _Model, level: Floats, start: Floats, low: Floats, high: Floats, around: Floats
) -> tuple[Floats, float]:
    """Levenberg and Marquardt's search within bounds; the line beside the shape follows from it."""
    across = np.linalg.qr(around)[0]

    def beside(rows: Floats) -> Floats:
        return np.asarray(rows - (rows @ across) @ across.T)

    straight = beside(level)
    x = np.clip(start, low, high)
    steps = 1e-6 * np.maximum(high - low, 1e-3)
    damping = 1e-3
    rest, cost, moved = np.zeros_like(level), np.inf, True
    slopes = np.zeros((x.size, level.size))
    for _ in range(60):
        if moved:
            # All parameters a little further at once; back from the upper bound.
            h = np.where(x + steps > high, -steps, steps)
            levels = beside(model(np.vstack([x, x + np.diag(h)])))
            rest = straight - levels[0]
            cost = float(rest @ rest)
            slopes = (levels[1:] - levels[0]) / h[:, np.newaxis]
        normal = slopes @ slopes.T
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), slopes @ rest)
        tried = np.clip(x + step, low, high)
        left = straight - beside(model(tried[np.newaxis]))[0]
        moved = bool(left @ left < cost)
        gain = cost - float(left @ left)
        if moved:
            x, damping = tried, max(damping / 5, 1e-9)
        else:
            damping *= 6
        if abs(gain) <= 1e-7 * cost or damping > 1e6 or cost < 1e-12 * level.size:
            break
    left = straight - beside(model(x[np.newaxis]))[0]
    return x, float(np.sqrt((left**2).mean()))


def fit_section(
    octaves: Floats,
    level: Floats,
    start: AddedResonance,
    reach: float,
    window_octaves: float = 0.0,
    highest_q: float = HIGHEST_Q,
    order: int = 1,
) -> AddedResonance | None:
    """Fit a resonance in phase, that is a peaking section, and a line over log frequency by least squares.

    Parameters
    ----------
    octaves, level : numpy.ndarray, shape (n,)
        Log2 of the frequency in Hz, and dB.
    start : AddedResonance
        First guess.
    reach : float
        Octaves that the centre may be away from the guess.
    window_octaves : float
        Of the smoothing; the shape is smoothed alike.
    highest_q : float
        Q, of the section or of the resonance, that the curve still resolves.
    order : int
        Of the polynomial over log frequency that is fitted beside the shape.

    Returns
    -------
    AddedResonance or None
        None if there are too few points.
    """
    if octaves.size < FEWEST:
        return None
    a = np.sqrt(max(1 + start.real, 1e-3))

    def model(x: Floats) -> Floats:
        gain = 10 ** (x[:, :1] / 40)
        return added_level(octaves - x[:, 1:2], gain**2 - 1, 0.0, np.exp(x[:, 2:3]) * gain, window_octaves)

    low = np.array([-GREATEST_HEIGHT, start.place - reach, np.log(LOWEST_Q)])
    high = np.array([GREATEST_HEIGHT, start.place + reach, np.log(highest_q)])
    guess = np.array([40 * np.log10(a), start.place, np.log(start.q / a)])
    x, left = _least_squares(model, level, guess, low, high, np.vander(octaves - start.place, order + 1))
    return replace(section(float(x[0]), float(np.exp(x[2])), float(x[1])), residual_db=left)


def fit_added(
    octaves: Floats,
    level: Floats,
    start: AddedResonance,
    reach: float,
    window_octaves: float = 0.0,
    highest_q: float = HIGHEST_Q,
    order: int = 1,
) -> AddedResonance | None:
    """Fit a resonance of any phase, and a line, as :func:`fit_section`.

    The level alone does not tell whether the sum of both has turned over: of two resonances with one level the weaker
    is taken.
    """
    if octaves.size < FEWEST:
        return None

    def model(x: Floats) -> Floats:
        return added_level(octaves - x[:, :1], x[:, 1:2], x[:, 2:3], np.exp(x[:, 3:4]), window_octaves)

    low = np.array([start.place - reach, -1.0, -GREATEST_PART, np.log(LOWEST_Q)])
    high = np.array([start.place + reach, GREATEST_PART, GREATEST_PART, np.log(highest_q)])
    guess = np.array([start.place, start.real, start.imaginary, np.log(start.q)])
    x, left = _least_squares(model, level, guess, low, high, np.vander(octaves - start.place, order + 1))
    return AddedResonance(float(x[0]), float(x[1]), float(x[2]), float(np.exp(x[3])), left)


def first_guesses(
    octaves: Floats, levels: Floats, places: Floats, qualities: Floats, window_octaves: float
) -> list[AddedResonance]:
    """Best of some centres and Q for each of several curves, with both parts from least squares as if they were small.

    Parameters
    ----------
    octaves, levels : numpy.ndarray, shapes (n,) and (rows, n)
        Log2 of the frequency in Hz, and dB.
    places, qualities : numpy.ndarray
        Centres, log2 of Hz, and Q that are tried.
    window_octaves : float
        Of the smoothing.
    """
    tried = [(float(place), float(q)) for place in places for q in qualities]
    solutions, lefts = [], []
    for place, q in tried:
        even, odd = parts(octaves - place, q, window_octaves)
        basis = np.stack([even, odd, np.ones_like(octaves), octaves - place], axis=1)
        solution = np.linalg.lstsq(basis, levels.T, rcond=None)[0]
        solutions.append(solution[:2])
        lefts.append(((levels.T - basis @ solution) ** 2).sum(axis=0))
    best = []
    for row, place_of in enumerate(np.argmin(lefts, axis=0)):
        power, across = solutions[place_of][:, row] * np.log(10) / 10
        real = float(np.sqrt(max(1 + power - (across / 2) ** 2, 0.05))) - 1
        place, q = tried[place_of]
        best.append(AddedResonance(place, real, float(across / 2), q))
    return best
