"""Random errors of directions with their correlation over directions, frequencies and curves.

Each direction has its own errors, and errors that all directions share. Errors are drawn for directions. The error of a
curve is the sum of the errors of its directions, each multiplied by the direction's share. So curves with common
directions have common errors, and a number from single directions has the same errors as the curves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.uncertainty.correlated_errors import at_frequencies, error_weights
from anechain.acoustics.uncertainty.monte_carlo import SEED
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "DirectionErrors",
    "curve_errors",
    "first_order",
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
        dB. One error for all directions, independent after `response_octaves`: the microphone's response.
    own : numpy.ndarray, shape (directions, n)
        dB. An error of each direction, independent after `own_octaves`: repeatability.
    angle_error : numpy.ndarray, shape (directions, n)
        dB, with sign. An error of each direction, the same at all frequencies: the setting of the angle.
    shares : mapping of str to numpy.ndarray, shape (directions, n)
        By curve or index: its sensitivity to the level of each direction, dB per dB. The sum over directions is 1 for
        a curve and 0 for an index.
    place : numpy.ndarray of int, shape (plane, angle)
        Number of the direction at each angle of the orbits; -1 where none was measured. A direction that both orbits
        share has one number.
    own_octaves, response_octaves : float
        Octaves after which `own` and `response` are independent; infinite for one error at all frequencies.
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
    def own_weights(self) -> Any:
        """Weights of the draws of the repeatability error; see :func:`error_weights`."""
        return error_weights(self.frequency, self.own_octaves)

    @cached_property
    def response_weights(self) -> Any:
        """Weights of the draws of the error of the microphone's response; see :func:`error_weights`."""
        return error_weights(self.frequency, self.response_octaves)

    @cached_property
    def normal(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Normal deviates of all draws: broadband, response (knots), angle (directions), own (directions, knots).

        The seed is fixed, so that all numbers have the same draws.
        """
        generator = np.random.Generator(np.random.PCG64(SEED))
        count, directions = self.draws, len(self.own)
        return (
            generator.standard_normal(count),
            generator.standard_normal((count, self.response_weights.shape[1])),
            generator.standard_normal((count, directions)),
            generator.standard_normal((count, directions, self.own_weights.shape[1])),
        )

    @cached_property
    def _rows(self) -> dict[str, Floats]:
        return {}

    @cached_property
    def _dense_weights(self) -> dict[bytes, tuple[Floats, Floats]]:
        return {}

    def weights_at(self, rows: NDArray[np.intp]) -> tuple[Floats, Floats]:
        """Return the weights of `own` and of `response` at some frequencies, shape (knots, k), computed once."""
        key = rows.tobytes()
        if key not in self._dense_weights:
            own, response = (weights[rows].toarray().T.copy() for weights in (self.own_weights, self.response_weights))
            self._dense_weights[key] = own, response
        return self._dense_weights[key]

    def rows(self, name: str) -> Floats:
        """Return :func:`curve_errors` of a curve, computed once."""
        if name not in self._rows:
            self._rows[name] = curve_errors(self, name)
        return self._rows[name]


def _weighted(share: Floats, size: Floats) -> Floats:
    """Return share times size. An unknown size (NaN) has no effect where the share is zero."""
    return np.asarray(np.where(share != 0, share * size, 0.0))


def _common(errors: DirectionErrors) -> Floats:
    """Return the errors that all directions share, dB, shape (draws, n)."""
    z_broadband, z_response = errors.normal[:2]
    drawn = at_frequencies(z_response, errors.response_weights)
    return np.asarray(z_broadband[:, np.newaxis] * errors.broadband_error + drawn * errors.response)


@method(
    "drawn-errors",
    version=2,
    title="Random errors of the directions with their correlation, and the errors of curves",
    formula="In each draw: one normal deviate for all directions and frequencies; one for each knot of the "
    "microphone's response; for each direction one for its angle, times the slope of its level over angle, and one for "
    "each knot of the repeatability; between knots a Gaussian kernel, so that errors d octaves apart have the "
    "correlation exp(-pi d² / R²), R being the stated octaves; the error of a curve is the sum over its directions of "
    "share of squared pressure times error",
    source="JCGM 101:2008 (supplement 1 to the GUM), 6.4.7 and 7.3: normal errors drawn for each input quantity",
    limitations="Errors are normal and small: shares are those of the levels without errors. The correlation over "
    "frequency is a judgement, and an option. Errors are those of the levels as "
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
    own, weights = _weighted(share, errors.own), errors.own_weights.tocsc()
    for knot in range(weights.shape[1]):
        # The frequencies that depend on the draws at this knot.
        stored = slice(weights.indptr[knot], weights.indptr[knot + 1])
        rows = weights.indices[stored]
        if rows.size:
            result[:, rows] += z_own[:, :, knot] @ (own[:, rows] * weights.data[stored])
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
    own_weights, response_weights = errors.weights_at(rows)
    common = errors.broadband_error[rows] * z_broadband + errors.response[rows] * (z_response @ response_weights)
    own = errors.own[:, rows] * (z_own @ own_weights)
    own += errors.angle_error[:, rows] * z_angle[:, np.newaxis]
    # The last row is that of directions which were not measured: their number is -1.
    all_directions = np.concatenate([own + common, np.full((1, rows.size), np.nan)])
    return np.asarray(all_directions[errors.place])


@method(
    "first-order-errors",
    version=2,
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
    sensitivity = np.where(gradient != 0, errors.shares[name] * gradient, 0.0)

    def variance(effects: Floats, weights: Any) -> float:
        """Return the sum of squares of the effects, shape (m, n), after addition by the draw that they depend on."""
        return float((np.asarray(effects @ weights) ** 2).sum())

    common = sensitivity.sum(axis=0, keepdims=True)
    return float(
        np.sqrt(
            (common @ errors.broadband_error)[0] ** 2
            + variance(common * errors.response, errors.response_weights)
            + (_weighted(sensitivity, errors.angle_error).sum(axis=1) ** 2).sum()
            + variance(_weighted(sensitivity, errors.own), errors.own_weights)
        )
    )
