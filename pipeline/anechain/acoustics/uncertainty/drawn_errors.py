"""Random errors of directions with their correlation over directions, frequencies and curves.

Each direction has its own errors, and errors that all directions share. Errors are drawn for directions. The error of a
curve is the sum of the errors of its directions, each multiplied by the direction's share. So curves with common
directions have common errors, and a number from single directions has the same errors as the curves.
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
    "curve_errors",
    "error_knots",
    "first_order",
    "interpolation_weights",
    "orbit_errors",
]


@dataclass(frozen=True)
class DirectionErrors:
    """Standard uncertainties of directions and their correlation.

    Attributes
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending.
    broadband_error : numpy.ndarray, shape (n,)
        dB. One error for all directions and all frequencies: calibration, gain and drive, distance.
    response : numpy.ndarray, shape (n,)
        dB. One error for all directions, with independent values every `response_octaves`: the microphone's response.
    own : numpy.ndarray, shape (directions, n)
        dB. An error of each direction, with independent values every `own_octaves`: repeatability.
    angle_error : numpy.ndarray, shape (directions, n)
        dB, with sign. An error of each direction, the same at all frequencies: the setting of the angle.
    shares : mapping of str to numpy.ndarray, shape (directions, n)
        By curve or index: its sensitivity to the level of each direction, dB per dB. The sum over directions is 1 for
        a curve and 0 for an index.
    place : numpy.ndarray of int, shape (plane, angle)
        Number of the direction at each angle of the orbits; -1 where none was measured. A direction that both orbits
        share has one number.
    own_octaves, response_octaves : float
        Distance in octaves of independent values of `own` and of `response`.
    draws : int
        Number of draws of a Monte Carlo propagation.
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
        """Knots of the repeatability error, log2 of Hz; see :func:`error_knots`."""
        return error_knots(self.frequency, self.own_octaves)

    @cached_property
    def response_knots(self) -> Floats:
        """Knots of the error of the microphone's response, log2 of Hz; see :func:`error_knots`."""
        return error_knots(self.frequency, self.response_octaves)

    @cached_property
    def normal(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Normal deviates of all draws: broadband, response (knots), angle (directions), own (directions, knots).

        The seed is fixed, so that all numbers have the same draws.
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
        """Return :func:`curve_errors` of a curve, computed once."""
        if name not in self._rows:
            self._rows[name] = curve_errors(self, name)
        return self._rows[name]


def error_knots(frequency: Floats, reach: float) -> Floats:
    """Return the frequencies (knots) at which errors are drawn.

    They are evenly spaced over log frequency from the first to the last frequency of the data. There are never more
    knots than frequencies, but at least two. For one error at all frequencies the second knot is at infinity, where it
    has no weight.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending.
    reach : float
        Largest distance of two knots in octaves; infinite for one error at all frequencies.

    Returns
    -------
    numpy.ndarray, shape (knots,)
        Log2 of Hz.
    """
    if np.isinf(reach):
        return np.array([np.log2(frequency[0]), np.inf])
    low, high = np.log2(frequency[0]), np.log2(frequency[-1])
    count = min(int(np.ceil((high - low) / reach - 1e-9)) + 1, frequency.size)
    return np.linspace(low, high, max(count, 2))


def interpolation_weights(octaves: Floats, knots: Floats) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Return the weights with which errors drawn at knots are interpolated linearly.

    The mean of two independent draws has a smaller standard deviation than each of them. The weights are scaled so that
    the standard deviation is the same at all frequencies.

    Parameters
    ----------
    octaves : numpy.ndarray, shape (n,)
        Log2 of Hz at which errors are interpolated.
    knots : numpy.ndarray, shape (knots,)
        Log2 of Hz; see :func:`error_knots`.

    Returns
    -------
    below : numpy.ndarray of int, shape (n,)
        Index of the knot below.
    first, second : numpy.ndarray, shape (n,)
        Weights of the draws at this knot and at the next one.
    """
    position = np.clip((octaves - knots[0]) / max(knots[1] - knots[0], 1e-9), 0.0, knots.size - 1.0)
    below = np.minimum(position.astype(np.intp), knots.size - 2)
    t = position - below
    scale = np.sqrt((1 - t) ** 2 + t**2)
    return below, np.asarray((1 - t) / scale), np.asarray(t / scale)


def _weighted(share: Floats, size: Floats) -> Floats:
    """Return share times size. An unknown size (NaN) has no effect where the share is zero."""
    return np.asarray(np.where(share != 0, share * size, 0.0))


def _common(errors: DirectionErrors) -> Floats:
    """Return the errors that all directions share, dB, shape (draws, n)."""
    below, first, second = interpolation_weights(np.log2(errors.frequency), errors.response_knots)
    z_broadband, z_response = errors.normal[:2]
    drawn = first * z_response[:, below] + second * z_response[:, below + 1]
    return np.asarray(z_broadband[:, np.newaxis] * errors.broadband_error + drawn * errors.response)


@method(
    "drawn-errors",
    version=1,
    title="Random errors of the directions with their correlation, and the errors of curves",
    formula="In each draw: one normal deviate for all directions and frequencies; one for each knot of the "
    "microphone's response; for each direction one for its angle, times the slope of its level over angle, and one for "
    "each knot of the repeatability; the error of a curve is the sum over its directions of share of squared pressure "
    "times error",
    source="JCGM 101:2008 (supplement 1 to the GUM), 6.4.7 and 7.3: normal errors drawn for each input quantity",
    limitations="Errors are normal and small: shares are those of the levels without errors. The correlation over "
    "frequency (distance of the knots in octaves) is a judgement, and an option. Errors are those of the levels as "
    "measured: smoothing would reduce errors that vary over frequency, which is not included. The standard deviation "
    "of few takes is used as if it were known exactly.",
)
def curve_errors(errors: DirectionErrors, name: str) -> Floats:
    """Return the errors of a curve or index in every draw.

    Parameters
    ----------
    errors : DirectionErrors
    name : str
        Curve or index; a key of `errors.shares`.

    Returns
    -------
    numpy.ndarray, shape (draws, n)
        dB; NaN where a share is unknown, or where an error with a share has an unknown size.

    Raises
    ------
    KeyError
        If `errors` has no shares of this curve.
    """
    share = errors.shares[name]
    z_angle, z_own = errors.normal[2:]
    result = _common(errors) * share.sum(axis=0) + z_angle @ _weighted(share, errors.angle_error)
    below, first, second = interpolation_weights(np.log2(errors.frequency), errors.own_knots)
    own = _weighted(share, errors.own)
    # All frequencies between two knots depend on the same two draws.
    for knot in np.unique(below):
        between = below == knot
        result[:, between] += z_own[:, :, knot] @ (own[:, between] * first[between])
        result[:, between] += z_own[:, :, knot + 1] @ (own[:, between] * second[between])
    return np.asarray(result)


def orbit_errors(errors: DirectionErrors, draw: int, rows: NDArray[np.intp]) -> Floats:
    """Return the errors of every direction of the orbits in one draw, at some of the frequencies.

    Parameters
    ----------
    errors : DirectionErrors
    draw : int
        Index of the draw.
    rows : numpy.ndarray of int, shape (k,)
        Indices of the frequencies.

    Returns
    -------
    numpy.ndarray, shape (plane, angle, k)
        dB; NaN where a direction was not measured.
    """
    z_broadband, z_response, z_angle, z_own = (part[draw] for part in errors.normal)
    octaves = np.log2(errors.frequency[rows])
    below, first, second = interpolation_weights(octaves, errors.response_knots)
    common = errors.broadband_error[rows] * z_broadband
    common = common + errors.response[rows] * (first * z_response[below] + second * z_response[below + 1])
    below, first, second = interpolation_weights(octaves, errors.own_knots)
    own = errors.own[:, rows] * (first * z_own[:, below] + second * z_own[:, below + 1])
    own += errors.angle_error[:, rows] * z_angle[:, np.newaxis]
    # The last row is that of directions which were not measured: their number is -1.
    all_directions = np.concatenate([own + common, np.full((1, rows.size), np.nan)])
    return np.asarray(all_directions[errors.place])


@method(
    "first-order-errors",
    version=1,
    title="Uncertainty of a number that is linear in the levels of a curve",
    formula="Root of the sum of squares of the effect of each independent error on the number; the effect is the "
    "gradient of the number times the share of the direction times the size of the error, summed over the frequencies "
    "that depend on this error",
    source="GUM, JCGM 100:2008, 5.1.2 and 5.2.2, for the errors of the directions",
    limitations="First order; the correlation over frequency is a judgement, and an option.",
)
def first_order(errors: DirectionErrors, name: str, gradient: Floats) -> float:
    """Return the standard uncertainty of a number from its gradient with the levels of a curve.

    Parameters
    ----------
    errors : DirectionErrors
    name : str
        Curve or index; a key of `errors.shares`.
    gradient : numpy.ndarray, shape (n,)
        Change of the number per dB of the curve at each frequency; zero where the number does not depend on it.

    Returns
    -------
    float
        In the unit of the number; NaN if a share is unknown where the gradient is not zero.
    """
    octaves = np.log2(errors.frequency)
    sensitivity = np.where(gradient != 0, errors.shares[name] * gradient, 0.0)

    def variance(effects: Floats, knots: Floats) -> float:
        """Return the sum of squares of the effects, shape (m, n), after addition by the knot that they depend on."""
        below, first, second = interpolation_weights(octaves, knots)
        sums = np.zeros((len(effects), knots.size))
        for row, effect in enumerate(effects):
            sums[row] = np.bincount(below, effect * first, knots.size)
            sums[row] += np.bincount(below + 1, effect * second, knots.size)
        return float((sums**2).sum())

    common = sensitivity.sum(axis=0, keepdims=True)
    return float(
        np.sqrt(
            (common @ errors.broadband_error)[0] ** 2
            + variance(common * errors.response, errors.response_knots)
            + (_weighted(sensitivity, errors.angle_error).sum(axis=1) ** 2).sum()
            + variance(_weighted(sensitivity, errors.own), errors.own_knots)
        )
    )
