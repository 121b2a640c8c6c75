"""Stated uncertainties carried from curves to numbers: linearly for means, by Monte Carlo for everything else."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve_parts import part_in_band
from anechain.acoustics.frequencies import resample
from anechain.acoustics.uncertainty import mean_level_uncertainty, monte_carlo
from anechain.numbers import Spread

__all__ = ["NOT_STATED", "OWN_ALONE", "Errors", "drawn", "mean_spread"]

Floats = NDArray[np.float64]
Rows = Mapping[str, Floats]
Values = Mapping[str, float | None]

NOT_STATED = "no uncertainty stated in the campaign"
OWN_ALONE = (
    "only what is each direction's own is known, such as the spread of takes; without calibration, level chain and "
    "distance it would look surer than it is"
)
CANCELS = "what is stated is one error at all frequencies, and cancels in it"

ROUNDING = 1e-9
"""Standard uncertainty, as a share of the value, that comes of rounding alone."""


@dataclass(frozen=True)
class Errors:
    """Standard uncertainties of curves and indices.

    Attributes
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz.
    common, independent : mapping of str to numpy.ndarray, shape (n,)
        dB by curve or index: the part that all directions share, and the part that is each direction's own. Both empty
        if nothing is stated.
    per_octave : float
        The independent part is drawn anew this many times per octave.
    draws : int
        Of a Monte Carlo propagation.
    response : numpy.ndarray or None, shape (n,)
        dB; the part of the common one that comes of the microphone's response. The rest is one error at all
        frequencies.
    response_octaves : float
        Octaves from one to the next of which that is drawn anew.
    withheld : str
        Why the rows of some curves are left out, although something is known of them.
    """

    frequency: Floats
    common: Rows
    independent: Rows
    per_octave: float = 20.0
    draws: int = 200
    response: Floats | None = None
    response_octaves: float = 1.0
    withheld: str = ""

    def missing(self, names: Sequence[str]) -> str:
        """Why the uncertainty of one of some curves is not known; empty if all are."""
        if self.withheld and any(name not in self.common for name in names):
            return self.withheld
        if not self.common:
            return NOT_STATED
        lacking = [name for name in names if name not in self.common or np.isnan(self.common[name]).all()]
        return f"the uncertainty of {lacking[0]} is not known" if lacking else ""


def _knots(errors: Errors, low_hz: float, high_hz: float) -> Floats:
    """Places, in octaves, from one to the next of which independent errors are drawn anew; both ends included."""
    low, high = np.log2(low_hz), np.log2(high_hz)
    inside = int(np.count_nonzero((errors.frequency >= low_hz) & (errors.frequency <= high_hz)))
    # No more of them than there are data: between two samples nothing was measured.
    count = min(int(np.ceil((high - low) * errors.per_octave)) + 1, inside)
    return np.linspace(low, high, max(count, 2))


def mean_spread(errors: Errors, name: str, level: Floats, low_hz: float, high_hz: float) -> Spread:
    """Uncertainty of the level of a curve's mean squared pressure in a band (GUM, first order).

    Parameters
    ----------
    errors : Errors
    name : str
        The curve.
    level : numpy.ndarray, shape (n,)
        dB.
    low_hz, high_hz : float
        The band.
    """
    if reason := errors.missing([name]):
        return Spread(None, reason=reason)
    octaves = _knots(errors, low_hz, high_hz)
    parts = [
        part_in_band(errors.frequency, row, low_hz, high_hz)
        for row in (level, errors.common[name], errors.independent[name])
    ]
    if reason := next((part.reason for part in parts if part.reason), ""):
        return Spread(None, reason=reason)
    wanted = np.clip(2**octaves, parts[0].frequency[0], parts[0].frequency[-1])
    values, common, own = (resample(part.frequency, part.level, wanted) for part in parts)
    weights = np.ones(octaves.size)
    weights[[0, -1]] = 0.5
    found = mean_level_uncertainty(values, weights, common, own)
    return Spread(float(found.combined_db), "first order (GUM)")


def drawn(errors: Errors, curves: Rows, function: Callable[[Rows], Values]) -> dict[str, Spread]:
    """Uncertainty of everything that a function reads off curves, by Monte Carlo.

    What is common is drawn once for all curves: once for all frequencies, but for the microphone's response, which is
    drawn for each stretch of octaves. The independent part is drawn for each curve and each share of an octave. Draws
    are read linearly in between, their size kept.
    Curves that share directions are drawn apart.

    Parameters
    ----------
    errors : Errors
    curves : mapping of str to numpy.ndarray, shape (n,)
        dB by curve or index.
    function : callable
        Takes such curves and gives numbers by name, None where one is not determined; always the same names.

    Returns
    -------
    dict of str to Spread
        By the names that the function gives.
    """
    undisturbed = function(curves)
    if reason := errors.missing(list(curves)):
        return dict.fromkeys(undisturbed, Spread(None, reason=reason))
    names = list(curves)
    octaves = np.log2(errors.frequency)
    knots = _knots(errors, float(errors.frequency[0]), float(errors.frequency[-1]))
    own_draws = _between(octaves, knots)
    count = min(max(int(np.ceil((knots[-1] - knots[0]) / errors.response_octaves - 1e-9)) + 1, 2), knots.size)
    response_draws = _between(octaves, np.linspace(knots[0], knots[-1], count))
    common = {name: np.nan_to_num(errors.common[name]) for name in names}
    # In an index the microphone cancels with all else that directions share.
    varying = {
        name: np.zeros_like(one) if errors.response is None else np.minimum(np.nan_to_num(errors.response), one)
        for name, one in common.items()
    }
    steady = {name: np.sqrt(one**2 - varying[name] ** 2) for name, one in common.items()}
    own = {name: np.nan_to_num(errors.independent[name]) for name in names}
    known: dict[bytes, Values] = {}

    def values(normal: Floats) -> Values:
        key = normal.tobytes()
        if key not in known:
            response = response_draws(normal[1])
            known[key] = function(
                {
                    name: curves[name]
                    + steady[name] * normal[0, 0]
                    + varying[name] * response
                    + own[name] * own_draws(normal[row])
                    for row, name in enumerate(names, 2)
                }
            )
        return known[key]

    nothing = np.zeros((len(names) + 2, knots.size))
    found = {}
    for quantity, value in undisturbed.items():
        if value is None:
            found[quantity] = Spread(None, reason="the number is not determined")
            continue
        # The seed is fixed, so that every quantity sees the same draws, each of which is worked out once.
        result = monte_carlo(
            lambda normal, of=quantity: values(normal)[of],  # type: ignore[misc]
            nothing,
            0.0,
            1.0,
            "independent",
            errors.draws,
        )
        how = (
            f"Monte Carlo, {errors.draws} draws (JCGM 101); an error of calibration, level chain or distance is one at "
            f"all frequencies, one of the microphone's response over {errors.response_octaves:g} octaves"
        )
        if result.standard is None:
            found[quantity] = Spread(None, reason=result.reason)
        elif result.standard <= ROUNDING * max(1.0, abs(value)):
            found[quantity] = Spread(None, reason=CANCELS)
        else:
            found[quantity] = Spread(result.standard, how, note=result.reason)
    return found


def _between(octaves: Floats, knots: Floats) -> Callable[[Floats], Floats]:
    """Read independent draws at even knots linearly in between, as large there as at the knots."""
    place = np.clip((octaves - knots[0]) / (knots[1] - knots[0]), 0.0, knots.size - 1.0)
    below = np.minimum(place.astype(np.intp), knots.size - 2)
    t = place - below
    # Between two independent draws a mean is smaller than either: its size is put right.
    size = np.sqrt((1 - t) ** 2 + t**2)
    return lambda draws: np.asarray(((1 - t) * draws[below] + t * draws[below + 1]) / size)
