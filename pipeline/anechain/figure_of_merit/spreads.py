"""Stated uncertainties carried to numbers: linearly for means, by Monte Carlo for everything else."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.curve_parts import part_in_band
from anechain.acoustics.curve.levels import power_of_level
from anechain.acoustics.nonlinear.compression import band_weights
from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors, first_order, orbit_errors
from anechain.acoustics.uncertainty.monte_carlo import spread_of_draws
from anechain.arrays import Floats
from anechain.data.numbers import Spread

__all__ = [
    "NOT_STATED",
    "OWN_ALONE",
    "ROUNDING",
    "USES",
    "Errors",
    "drawn",
    "drawn_orbits",
    "every",
    "linear_spread",
    "mean_spread",
    "orbit_draws",
    "spreads_of",
]

Rows = Mapping[str, Floats]
Values = Mapping[str, float | None]

USES = ("drawn-errors", "first-order-errors")
NOT_STATED = "no uncertainty stated in the campaign"
OWN_ALONE = (
    "only what is each direction's own is known, such as the spread of takes; without calibration, the microphone's "
    "response, level chain and distance it would look surer than it is"
)
CANCELS = "what is stated is alike at all frequencies or in all directions, and cancels in it"

KEPT = 0.5
"""Share of the draws, at least, in which a number is determined to have an uncertainty."""

ROUNDING = 1e-5
"""Standard uncertainty, as a share of the value or in its unit, that nobody tells from none."""

ROWS_PER_OCTAVE = 96.0
"""Frequencies at which orbits are looked at in each draw. Where a beam jumps from one frequency to the next, coarser
data would give that jump more weight than it has in the number."""


@dataclass(frozen=True)
class Errors:
    """What is known of the errors of directions and of the curves made of them.

    Attributes
    ----------
    of : DirectionErrors or None
        None if nothing is stated.
    withheld : str
        Why numbers that keep what all directions share have no uncertainty, although something is known; empty if they
        may have one.
    """

    of: DirectionErrors | None = None
    withheld: str = ""

    def missing(self, names: Iterable[str]) -> str:
        """Why the uncertainty of one of some curves is not known; empty if all are."""
        if self.of is None:
            return NOT_STATED
        for name in names:
            share = self.of.shares.get(name)
            if share is None or np.isnan(share).all():
                return f"the uncertainty of {name} is not known"
            # An index keeps nothing of what directions share: what is their own is all of its uncertainty.
            if self.withheld and np.nanmax(np.abs(share.sum(axis=0))) > 1e-9:
                return self.withheld
        return ""


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
    reason = errors.missing([name])
    if reason or errors.of is None:
        return Spread(None, reason=reason)
    if reason := part_in_band(errors.of.frequency, level, low_hz, high_hz).reason:
        return Spread(None, reason=reason)
    weight = band_weights(errors.of.frequency, low_hz, high_hz)
    inside = weight > 0
    gradient = np.zeros(weight.size)
    gradient[inside] = weight[inside] * power_of_level(level[inside] - level[inside].max())
    return linear_spread(errors, name, gradient / gradient.sum())


def linear_spread(errors: Errors, name: str, gradient: Floats) -> Spread:
    """Uncertainty of a number that is a sum over frequency of a curve's or an index's decibels (GUM, first order).

    Parameters
    ----------
    errors : Errors
    name : str
        The curve or index.
    gradient : numpy.ndarray, shape (n,)
        Weight of each frequency in the number.
    """
    reason = errors.missing([name])
    if reason or errors.of is None:
        return Spread(None, reason=reason)
    found = first_order(errors.of, name, gradient)
    if not np.isfinite(found):
        return Spread(None, reason=f"the uncertainty of {name} is not known at all its frequencies")
    return Spread(found, "first order (GUM)") if found > 0 else Spread(None, reason=CANCELS)


def drawn(errors: Errors, curves: Rows, function: Callable[[Rows], Values]) -> dict[str, Spread]:
    """Uncertainty of everything that a function reads off curves, by Monte Carlo.

    Errors are those of the directions, see :mod:`anechain.acoustics.uncertainty.drawn_errors`: curves that share
    directions share
    them.

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
    reason = errors.missing(curves)
    if reason or errors.of is None:
        return dict.fromkeys(undisturbed, Spread(None, reason=reason))
    rows = {name: errors.of.rows(name) for name in curves}
    draws = (
        function({name: level + rows[name][draw] for name, level in curves.items()}) for draw in range(errors.of.draws)
    )
    return spreads_of(errors, undisturbed, draws)


def drawn_orbits(
    errors: Errors, level: Floats, function: Callable[[Floats, Floats], Values], keeps_common: bool = False
) -> dict[str, Spread]:
    """Uncertainty of everything that a function reads off single directions, by Monte Carlo.

    Parameters
    ----------
    errors : Errors
    level : numpy.ndarray, shape (plane, angle, n)
        dB.
    function : callable
        Takes frequencies, shape (k,), and levels, shape (plane, angle, k): those of every so many to the octave. Gives
        numbers by name, None where one is not determined; always the same names.
    keeps_common : bool
        Whether an error that all directions share may be one of the numbers: not where directions are only held
        against each other.

    Returns
    -------
    dict of str to Spread
        By the names that the function gives.
    """
    draws = orbit_draws(errors, level)
    undisturbed = function(*next(draws))
    if errors.withheld and keeps_common:
        return dict.fromkeys(undisturbed, Spread(None, reason=errors.withheld))
    return spreads_of(errors, undisturbed, (function(*draw) for draw in draws))


def orbit_draws(errors: Errors, level: Floats) -> Iterator[tuple[Floats, Floats]]:
    """Frequencies and levels of the orbits: first as they are, then with the errors of each draw.

    Parameters
    ----------
    errors : Errors
    level : numpy.ndarray, shape (plane, angle, n)
        dB.

    Yields
    ------
    frequency : numpy.ndarray, shape (k,)
        Hz: every so many to the octave.
    level : numpy.ndarray, shape (plane, angle, k)
        dB.
    """
    of = errors.of
    if of is None:
        return
    picked = every(of.frequency)
    yield of.frequency[picked], level[..., picked]
    for draw in range(of.draws):
        yield of.frequency[picked], level[..., picked] + orbit_errors(of, draw, picked)


def _parts(of: DirectionErrors) -> str:
    """What is drawn, and how far one error of each kind reaches, in words."""
    known = [
        "calibration, level chain and distance: one error at all frequencies" if (of.broadband_error > 0).any() else "",
        f"the microphone's response: another after {_octaves(of.response_octaves)}" if (of.response > 0).any() else "",
        "each angle: one error at all frequencies" if (np.nan_to_num(of.angle_error) != 0).any() else "",
        f"from take to take: another after {_octaves(of.own_octaves)}" if (np.nan_to_num(of.own) > 0).any() else "",
    ]
    return "; ".join(filter(None, known))


def _octaves(count: float) -> str:
    return f"{count:g} octave{'s' * (count != 1)}"


def every(frequency: Floats, per_octave: float = ROWS_PER_OCTAVE) -> NDArray[np.intp]:
    """Rows of a grid, at most so many to the octave, first and last among them."""
    octaves = np.log2(frequency)
    count = int(np.ceil(np.ptp(octaves) * per_octave - 1e-9)) + 1
    if frequency.size <= count:
        return np.arange(frequency.size)
    wanted = np.linspace(octaves[0], octaves[-1], count)
    return np.unique(np.clip(np.searchsorted(octaves, wanted - 1e-9), 0, frequency.size - 1))


def spreads_of(errors: Errors, undisturbed: Values, draws: Iterable[Values]) -> dict[str, Spread]:
    """Uncertainty of numbers from what they were in each draw.

    Parameters
    ----------
    errors : Errors
        Something is stated.
    undisturbed : mapping of str to float or None
        The numbers without errors; None where one is not determined.
    draws : iterable of mapping of str to float or None
        The same numbers in each draw.

    Returns
    -------
    dict of str to Spread
    """
    of = errors.of
    if of is None:
        return dict.fromkeys(undisturbed, Spread(None, reason=NOT_STATED))
    found: dict[str, list[float]] = {name: [] for name in undisturbed}
    for values in draws:
        for name, value in values.items():
            if value is not None and np.isfinite(value):
                found[name].append(float(value))
    how = _parts(of)
    spreads = {}
    for name, value in undisturbed.items():
        result = spread_of_draws(value, found[name], of.draws)
        if value is None or result.standard is None or result.determined < KEPT * of.draws:
            spreads[name] = Spread(None, reason=result.reason)
        elif result.standard <= ROUNDING * max(1.0, abs(value)):
            spreads[name] = Spread(None, reason=CANCELS)
        else:
            scatter = 100 / np.sqrt(2 * (result.determined - 1))
            said = f"Monte Carlo, {of.draws} draws (JCGM 101), of normal errors good to {scatter:.0f} %; {how}"
            spreads[name] = Spread(result.standard, said, note=result.reason, interval=result.interval)
    return spreads
