"""Errors of directions, drawn at random as they go together: over directions, over frequency, over curves.

Every direction has errors of its own and shares others with all directions; every curve is made of directions. Drawn
for the directions, an error is in each curve that the direction is in, by its share, and in nothing else: two curves
that share directions share their errors, and a number read off single directions has the same ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.uncertainty.monte_carlo import SEED
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "DirectionErrors",
    "error_knots",
    "first_order",
    "interpolation_weights",
    "orbit_errors",
    "row_errors",
]


@dataclass(frozen=True)
class DirectionErrors:
    """Standard uncertainties of directions, and how they go together.

    Attributes
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending.
    broadband_error : numpy.ndarray, shape (n,)
        dB; alike in all directions and one error at all frequencies: calibration, level chain, distance.
    response : numpy.ndarray, shape (n,)
        dB; alike in all directions, drawn anew from one stretch of `response_octaves` to the next: the microphone's
        response.
    own : numpy.ndarray, shape (directions, n)
        dB; each direction's own, drawn anew from one stretch of `own_octaves` to the next: what differs from take to
        take.
    angle_error : numpy.ndarray, shape (directions, n)
        dB, with its sign; each direction's own, one error at all frequencies: its angle.
    shares : mapping of str to numpy.ndarray, shape (directions, n)
        By curve or index: by how much it changes with the level of each direction. They add to one for a level, to
        zero for an index.
    place : numpy.ndarray of int, shape (plane, angle)
        Which of the directions each one of the orbits is; -1 where none was measured. A direction that is on both
        orbits is one.
    own_octaves, response_octaves : float
        As above.
    draws : int
        Of a Monte Carlo propagation.
    """

    frequency: Floats
    broadband_error: Floats
    response: Floats
    own: Floats
    angle_error: Floats
    shares: Mapping[str, Floats]
    place: NDArray[np.intp] = field(default_factory=lambda: np.zeros((0, 0), np.intp))
    own_octaves: float = 1.0
    response_octaves: float = 1.0
    draws: int = 200

    @cached_property
    def own_knots(self) -> Floats:
        """Places, in octaves, at which independent errors are drawn: no more of them than there are data."""
        return error_knots(self.frequency, self.own_octaves)

    @cached_property
    def response_knots(self) -> Floats:
        """Places, in octaves, at which the error of the microphone's response is drawn."""
        return error_knots(self.frequency, self.response_octaves)

    @cached_property
    def normal(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Normal deviates of all draws: steady, response (knots), turned (directions), own (directions, knots).

        The seed is fixed, so that every number sees the same draws.
        """
        generator = np.random.Generator(np.random.PCG64(SEED))
        count, directions = self.draws, len(self.own)
        return (
            generator.standard_normal(count),
            generator.standard_normal((count, self.response_knots.size)),
            generator.standard_normal((count, directions)),
            generator.standard_normal((count, directions, self.own_knots.size)),
        )

    @cached_property
    def _rows(self) -> dict[str, Floats]:
        return {}

    def rows(self, name: str) -> Floats:
        """:func:`row_errors` of a curve, worked out once."""
        if name not in self._rows:
            self._rows[name] = row_errors(self, name)
        return self._rows[name]


def error_knots(frequency: Floats, reach: float) -> Floats:
    """Places at which errors are drawn: evenly apart, both ends of the data included, no more of them than data.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending.
    reach : float
        Octaves from one to the next, at most.

    Returns
    -------
    numpy.ndarray, shape (places,)
        Log2 of Hz; two at least.
    """
    low, high = np.log2(frequency[0]), np.log2(frequency[-1])
    count = min(int(np.ceil((high - low) / reach - 1e-9)) + 1, frequency.size)
    return np.linspace(low, high, max(count, 2))


def interpolation_weights(octaves: Floats, knots: Floats) -> tuple[NDArray[np.intp], Floats, Floats]:
    """How draws at even places are read linearly in between.

    Parameters
    ----------
    octaves : numpy.ndarray, shape (n,)
        Log2 of Hz at which they are read.
    knots : numpy.ndarray, shape (places,)
        See :func:`error_knots`.

    Returns
    -------
    below : numpy.ndarray of int, shape (n,)
        Place below.
    first, second : numpy.ndarray, shape (n,)
        Weights of the draws at it and at the next one. Between two independent draws a mean is smaller than either:
        its size is put right.
    """
    place = np.clip((octaves - knots[0]) / max(knots[1] - knots[0], 1e-9), 0.0, knots.size - 1.0)
    below = np.minimum(place.astype(np.intp), knots.size - 2)
    t = place - below
    size = np.sqrt((1 - t) ** 2 + t**2)
    return below, np.asarray((1 - t) / size), np.asarray(t / size)


def _counted(share: Floats, size: Floats) -> Floats:
    """Sizes by their share: what is not known counts for nothing where it has no share, and is unknown elsewhere."""
    return np.asarray(np.where(share != 0, share * size, 0.0))


def _common(errors: DirectionErrors, frequency: Floats, broadband_error: Floats, response: Floats) -> Floats:
    """What all directions share, shape (draws, n)."""
    below, first, second = interpolation_weights(np.log2(frequency), errors.response_knots)
    z_steady, z_response = errors.normal[:2]
    drawn = first * z_response[:, below] + second * z_response[:, below + 1]
    return np.asarray(z_steady[:, np.newaxis] * broadband_error + drawn * response)


@method(
    "drawn-errors",
    version=1,
    title="Errors of the directions, drawn as they go together, and what they do to curves",
    formula="Each draw: one normal deviate for what all directions and frequencies share; one for each stretch of "
    "octaves of the microphone's response; for each direction one for its angle, times the slope of its level there, "
    "and one for each stretch of octaves of what differs from take to take; a curve's error is the sum of its "
    "directions', each by its share of the squared pressure",
    source="JCGM 101:2008 (supplement 1 to the GUM), 6.4.7 and 7.3: normal errors drawn for each input quantity",
    limitations="Errors are normal and small: shares are those of the undisturbed levels. How far an error reaches "
    "over "
    "frequency is a judgement, and an option. Errors are those of the levels as measured: that smoothing averages what "
    "differs over frequency is not counted. The spread of few takes is taken as known.",
)
def row_errors(errors: DirectionErrors, name: str) -> Floats:
    """Errors of a curve or index in every draw.

    Parameters
    ----------
    errors : DirectionErrors
    name : str
        One of its shares.

    Returns
    -------
    numpy.ndarray, shape (draws, n)
        dB; NaN where a share is not known, or the size of an error that has one.

    Raises
    ------
    KeyError
        If the curve has no shares.
    """
    share = errors.shares[name]
    z_turned, z_own = errors.normal[2:]
    moved = _counted(share, errors.angle_error)
    found = (
        _common(errors, errors.frequency, errors.broadband_error, errors.response) * share.sum(axis=0)
        + z_turned @ moved
    )
    below, first, second = interpolation_weights(np.log2(errors.frequency), errors.own_knots)
    sized = _counted(share, errors.own)
    # By stretches between two knots: within one, all frequencies are made of the same two draws.
    for knot in np.unique(below):
        rows = below == knot
        found[:, rows] += z_own[:, :, knot] @ (sized[:, rows] * first[rows])
        found[:, rows] += z_own[:, :, knot + 1] @ (sized[:, rows] * second[rows])
    return np.asarray(found)


def orbit_errors(errors: DirectionErrors, draw: int, rows: NDArray[np.intp]) -> Floats:
    """Errors of every direction of the orbits in one draw, at some of the frequencies.

    Parameters
    ----------
    errors : DirectionErrors
    draw : int
        Which one.
    rows : numpy.ndarray of int, shape (k,)
        Which frequencies.

    Returns
    -------
    numpy.ndarray, shape (plane, angle, k)
        dB; NaN where a direction was not measured.
    """
    z_steady, z_response, z_turned, z_own = (part[draw] for part in errors.normal)
    octaves = np.log2(errors.frequency[rows])
    below, first, second = interpolation_weights(octaves, errors.response_knots)
    common = errors.broadband_error[rows] * z_steady
    common = common + errors.response[rows] * (first * z_response[below] + second * z_response[below + 1])
    below, first, second = interpolation_weights(octaves, errors.own_knots)
    apart = errors.own[:, rows] * (first * z_own[:, below] + second * z_own[:, below + 1])
    apart += errors.angle_error[:, rows] * z_turned[:, np.newaxis]
    whole = np.concatenate([apart + common, np.full((1, rows.size), np.nan)])
    return np.asarray(whole[errors.place])


@method(
    "first-order-errors",
    version=1,
    title="Uncertainty of a number that is linear in the levels of a curve",
    formula="Root of the sum of the squares of what each independent error does to the number: gradient of the number "
    "times the curve's share of the direction times the size of the error, summed over the frequencies that one "
    "error reaches",
    source="GUM, JCGM 100:2008, 5.1.2 and 5.2.2, on the errors of the directions",
    limitations="First order; how far an error reaches over frequency is a judgement, and an option.",
)
def first_order(errors: DirectionErrors, name: str, gradient: Floats) -> float:
    """Standard uncertainty of a number from its gradient over the levels of a curve.

    Parameters
    ----------
    errors : DirectionErrors
    name : str
        One of its shares.
    gradient : numpy.ndarray, shape (n,)
        Of the number, per dB of the curve at each frequency; zero where it does not depend on it.

    Returns
    -------
    float
        In the unit of the number; NaN if the share is not known where the gradient is not zero.
    """
    octaves = np.log2(errors.frequency)
    used = gradient != 0
    share = np.where(used, errors.shares[name] * gradient, 0.0)

    def squares(parts: Floats, knots: Floats) -> float:
        below, first, second = interpolation_weights(octaves, knots)
        sums = np.zeros((len(parts), knots.size))
        for row, values in enumerate(parts):
            sums[row] = np.bincount(below, values * first, knots.size)
            sums[row] += np.bincount(below + 1, values * second, knots.size)
        return float((sums**2).sum())

    together = share.sum(axis=0, keepdims=True)
    return float(
        np.sqrt(
            (together @ errors.broadband_error)[0] ** 2
            + squares(together * errors.response, errors.response_knots)
            + (_counted(share, errors.angle_error).sum(axis=1) ** 2).sum()
            + squares(_counted(share, errors.own), errors.own_knots)
        )
    )
