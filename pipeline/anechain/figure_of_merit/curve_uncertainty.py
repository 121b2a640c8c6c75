"""Uncertainty of numbers that are read from curves or directions: first order for means, Monte Carlo otherwise."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.levels import power_of_level
from anechain.acoustics.curve.segments import segment_in_band
from anechain.acoustics.nonlinear.octave_weights import band_weights
from anechain.acoustics.uncertainty.deviation_interval import noise_averages
from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors, first_order, orbit_errors
from anechain.acoustics.uncertainty.monte_carlo import monte_carlo_result
from anechain.arrays import Floats
from anechain.data.numbers import Uncertainty

__all__ = [
    "CANCELS",
    "NOT_STATED",
    "REPEATABILITY_ONLY",
    "ROUNDING",
    "USES",
    "StatedErrors",
    "averaged_without_noise",
    "band_level_uncertainty",
    "components_text",
    "correlation_text",
    "level_without_noise",
    "linear_uncertainty",
    "monte_carlo_of_curves",
    "monte_carlo_of_orbits",
    "orbit_draws",
    "thinned_rows",
    "uncertainties_of_draws",
]

Levels = Mapping[str, Floats]
Values = Mapping[str, float | None]

USES = ("drawn-errors", "first-order-errors")
NOT_STATED = "no uncertainty stated in the campaign"
REPEATABILITY_ONLY = (
    "only uncorrelated components are known, such as the repeatability of takes; without calibration, microphone "
    "response, gain, drive and distance the uncertainty would be too small"
)
CANCELS = "all stated errors are the same at all frequencies or in all directions, and cancel in this number"

MIN_DETERMINED_SHARE = 0.5
"""A number has an uncertainty only if it could be determined in at least this share of the draws."""

ROUNDING = 1e-5
"""Standard uncertainties up to this share of the value (or this value in its unit) are rounding errors."""

NORMAL_95 = 1.96
"""Half of the 95 % interval of a normal distribution re its standard deviation."""

ROWS_PER_OCTAVE = 96.0
"""Frequencies per octave at which orbits are evaluated in each draw. Where a beam width jumps between two frequencies,
a coarser grid would give the jump more weight than it has in the number."""


@dataclass(frozen=True)
class StatedErrors:
    """Stated uncertainties of the directions, and of the curves derived from them.

    Attributes
    ----------
    directions : DirectionErrors or None
        None if no uncertainty is stated.
    withheld_reason : str
        Why a number in which common errors do not cancel has no uncertainty although some components are known; empty
        if it may have one.
    """

    directions: DirectionErrors | None = None
    withheld_reason: str = ""

    def unknown_reason(self, names: Iterable[str]) -> str:
        """Return why the uncertainty of one of some curves is not known; empty if all are known."""
        if self.directions is None:
            return NOT_STATED
        for name in names:
            share = self.directions.shares.get(name)
            if share is None or np.isnan(share).all():
                return f"the uncertainty of {name} is not known"
            # Common errors cancel in an index, so its uncorrelated errors are its whole uncertainty.
            if self.withheld_reason and np.nanmax(np.abs(share.sum(axis=0))) > 1e-9:
                return self.withheld_reason
        return ""


def band_level_uncertainty(
    errors: StatedErrors, name: str, level: Floats, low_hz: float, high_hz: float
) -> Uncertainty:
    """Return the uncertainty of the level of a curve's mean squared pressure in a band (GUM, first order).

    Parameters
    ----------
    errors : StatedErrors
    name : str
        The curve.
    level : numpy.ndarray, shape (n,)
        dB.
    low_hz, high_hz : float
        The band, Hz.
    """
    reason = errors.unknown_reason([name])
    if reason or errors.directions is None:
        return Uncertainty(None, reason=reason)
    if reason := segment_in_band(errors.directions.frequency, level, low_hz, high_hz).reason:
        return Uncertainty(None, reason=reason)
    weight = band_weights(errors.directions.frequency, low_hz, high_hz)
    inside = weight > 0
    gradient = np.zeros(weight.size)
    gradient[inside] = weight[inside] * power_of_level(level[inside] - level[inside].max())
    return linear_uncertainty(errors, name, gradient / gradient.sum())


def linear_uncertainty(errors: StatedErrors, name: str, gradient: Floats) -> Uncertainty:
    """Return the uncertainty of a weighted sum over frequency of a curve or an index in dB (GUM, first order).

    Parameters
    ----------
    errors : StatedErrors
    name : str
        The curve or index.
    gradient : numpy.ndarray, shape (n,)
        Weight of each frequency in the number.
    """
    reason = errors.unknown_reason([name])
    if reason or errors.directions is None:
        return Uncertainty(None, reason=reason)
    standard = first_order(errors.directions, name, gradient)
    if not np.isfinite(standard):
        return Uncertainty(None, reason=f"the uncertainty of {name} is not known at all its frequencies")
    return Uncertainty(standard, "first order (GUM)") if standard > 0 else Uncertainty(None, reason=CANCELS)


def monte_carlo_of_curves(
    errors: StatedErrors, curves: Levels, function: Callable[[Levels], Values]
) -> dict[str, Uncertainty]:
    """Return the uncertainties of all numbers that a function reads from curves, by Monte Carlo.

    Errors are drawn for the directions (see :mod:`anechain.acoustics.uncertainty.drawn_errors`), so curves that
    contain the same directions have the same errors of these directions.

    Parameters
    ----------
    errors : StatedErrors
    curves : mapping of str to numpy.ndarray, shape (n,)
        dB by curve or index.
    function : callable
        Takes such curves and returns numbers by name, None for a number that cannot be determined; always the same
        names.

    Returns
    -------
    dict of str to Uncertainty
        By the names that the function returns.
    """
    undisturbed = function(curves)
    reason = errors.unknown_reason(curves)
    if reason or errors.directions is None:
        return dict.fromkeys(undisturbed, Uncertainty(None, reason=reason))
    directions = errors.directions
    rows = {name: directions.rows(name) for name in curves}
    # Draws around the measured curve would have its errors and those of the draw.
    bases = {name: level_without_noise(directions.frequency, level, rows[name]) for name, level in curves.items()}
    draws = (
        function({name: level + rows[name][draw] for name, level in bases.items()}) for draw in range(directions.draws)
    )
    if all(bases[name] is level for name, level in curves.items()):
        return uncertainties_of_draws(errors, undisturbed, draws)
    return uncertainties_of_draws(errors, undisturbed, draws, function(bases))


def level_without_noise(frequency: Floats, level: Floats, errors: Floats) -> Floats:
    """Return the levels of :func:`averaged_without_noise`."""
    return averaged_without_noise(frequency, level, errors)[0]


def averaged_without_noise(
    frequency: Floats, level: Floats, errors: Floats, *, simultaneous: bool = False, narrowing: float = 1.0
) -> tuple[Floats, Floats]:
    """Average a curve over frequency as far as its errors alone would explain what the averages remove.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending.
    level : numpy.ndarray, shape (n,)
        dB; NaN or minus infinity where there is none.
    errors : numpy.ndarray, shape (draws, n)
        dB; drawn errors of the curve.
    simultaneous, narrowing
        As for :func:`anechain.acoustics.uncertainty.deviation_interval.noise_averages`.

    Returns
    -------
    level : numpy.ndarray, shape (n,)
        dB; the same array if no average removes anything. A missing level stays missing.
    errors : numpy.ndarray, shape (draws, n)
        dB; the errors after the same averages.
    """
    known = np.isfinite(level) & np.isfinite(errors).all(axis=0)
    if known.sum() < 2:
        return level, errors
    averages = noise_averages(
        frequency[known], level[known], errors[:, known], simultaneous=simultaneous, narrowing=narrowing
    )
    base, averaged = level.copy(), errors.copy()
    base[known], averaged[:, known] = averages @ level[known], errors[:, known] @ averages.T
    return (level, errors) if np.array_equal(base, level, equal_nan=True) else (base, averaged)


def monte_carlo_of_orbits(
    errors: StatedErrors, level: Floats, function: Callable[[Floats, Floats], Values], keeps_common: bool = False
) -> dict[str, Uncertainty]:
    """Return the uncertainties of all numbers that a function reads from single directions, by Monte Carlo.

    Parameters
    ----------
    errors : StatedErrors
    level : numpy.ndarray, shape (plane, angle, n)
        dB.
    function : callable
        Takes frequencies, shape (k,), and levels, shape (plane, angle, k), on the thinned grid of
        :func:`thinned_rows`. Returns numbers by name, None for a number that cannot be determined; always the same
        names.
    keeps_common : bool
        Whether common errors of all directions remain in the numbers: False where directions are only compared with
        each other.

    Returns
    -------
    dict of str to Uncertainty
        By the names that the function returns.
    """
    draws = orbit_draws(errors, level)
    undisturbed = function(*next(draws))
    if errors.withheld_reason and keeps_common:
        return dict.fromkeys(undisturbed, Uncertainty(None, reason=errors.withheld_reason))
    return uncertainties_of_draws(errors, undisturbed, (function(*draw) for draw in draws))


def orbit_draws(errors: StatedErrors, level: Floats) -> Iterator[tuple[Floats, Floats]]:
    """Yield frequencies and levels of the orbits: first without errors, then with the errors of each draw.

    Parameters
    ----------
    errors : StatedErrors
    level : numpy.ndarray, shape (plane, angle, n)
        dB.

    Yields
    ------
    frequency : numpy.ndarray, shape (k,)
        Hz, on the thinned grid of :func:`thinned_rows`.
    level : numpy.ndarray, shape (plane, angle, k)
        dB.
    """
    directions = errors.directions
    if directions is None:
        return
    rows = thinned_rows(directions.frequency)
    yield directions.frequency[rows], level[..., rows]
    for draw in range(directions.draws):
        yield directions.frequency[rows], level[..., rows] + orbit_errors(directions, draw, rows)


def components_text(directions: DirectionErrors) -> str:
    """Return which errors are drawn, and over how many octaves each is correlated."""
    response, own = directions.response_octaves, directions.own_octaves
    components = [
        "calibration, gain, drive and distance: one error at all frequencies"
        if (directions.broadband_error > 0).any()
        else "",
        f"microphone response: {correlation_text(response)}" if (directions.response > 0).any() else "",
        "each angle: one error at all frequencies" if (np.nan_to_num(directions.angle_error) != 0).any() else "",
        f"repeatability: {correlation_text(own)}" if (np.nan_to_num(directions.own) > 0).any() else "",
    ]
    return "; ".join(filter(None, components))


def correlation_text(octaves: float) -> str:
    """Return over how many octaves errors are correlated, in print; infinite for one error at all frequencies."""
    if np.isinf(octaves):
        return "one error at all frequencies"
    return f"independent after {octaves:g} octave{'s' * (octaves != 1)}"


def thinned_rows(frequency: Floats, per_octave: float = ROWS_PER_OCTAVE) -> NDArray[np.intp]:
    """Return rows of a frequency grid, at most `per_octave` to the octave, with the first and the last row."""
    octaves = np.log2(frequency)
    count = int(np.ceil(np.ptp(octaves) * per_octave - 1e-9)) + 1
    if frequency.size <= count:
        return np.arange(frequency.size)
    wanted = np.linspace(octaves[0], octaves[-1], count)
    return np.unique(np.clip(np.searchsorted(octaves, wanted - 1e-9), 0, frequency.size - 1))


def _interval_without_bias(value: float, base: float | None, drawn: Sequence[float]) -> tuple[float, float]:
    """Return the 95 % interval of a number without its bias: the median of the draws minus the number before them.

    An extreme of a curve with errors, for instance, is on average larger than that of the true curve.
    """
    low, median, high = np.quantile(drawn, (0.025, 0.5, 0.975), method="weibull")
    without_bias = value - (median - (value if base is None else base))
    return float(without_bias + low - median), float(without_bias + high - median)


def uncertainties_of_draws(
    errors: StatedErrors,
    undisturbed: Values,
    draws: Iterable[Values],
    base: Values | None = None,
    other_draws: Iterable[Iterable[Values]] = (),
) -> dict[str, Uncertainty]:
    """Return the uncertainties of numbers from their values in each draw.

    Parameters
    ----------
    errors : StatedErrors
    undisturbed : mapping of str to float or None
        The numbers without errors; None for a number that cannot be determined.
    draws : iterable of mapping of str to float or None
        The same numbers in each draw.
    base : mapping of str to float or None, optional
        The numbers of the levels to which the errors of the draws were added, if these are not the measured ones.
    other_draws : iterable of iterables of mapping of str to float or None, optional
        The same numbers in draws of other estimates, such as those after :func:`averaged_without_noise`: for numbers
        that small errors move far, such as the frequency at which a limit is first exceeded.

    Returns
    -------
    dict of str to Uncertainty
        By the names of the numbers. Where noise was removed before the draws, the bias of a number is not well known:
        its interval contains that of the draws, that without the bias, those of other draws, and the number.
    """
    directions = errors.directions
    if directions is None:
        return dict.fromkeys(undisturbed, Uncertainty(None, reason=NOT_STATED))
    values_by_name = _values_by_name(undisturbed, draws)
    others_by_name = [_values_by_name(undisturbed, each) for each in other_draws]
    components = components_text(directions)
    uncertainties = {}
    for name, value in undisturbed.items():
        result = monte_carlo_result(value, values_by_name[name], directions.draws)
        if value is None or result.standard is None or result.determined < MIN_DETERMINED_SHARE * directions.draws:
            uncertainties[name] = Uncertainty(None, reason=result.reason)
        elif result.standard <= ROUNDING * max(1.0, abs(value)):
            uncertainties[name] = Uncertainty(None, reason=CANCELS)
        else:
            sampling = 100 / np.sqrt(2 * (result.determined - 1))
            propagation = (
                f"Monte Carlo, {directions.draws} draws (JCGM 101), normal distribution, sampling error "
                f"{sampling:.0f} %; {components}"
            )
            interval = _interval_without_bias(value, None if base is None else base[name], values_by_name[name])
            standard = result.standard
            if base is not None or others_by_name:
                determined = [each[name] for each in (values_by_name, *others_by_name) if each[name]]
                ends = np.array([np.quantile(each, (0.025, 0.975), method="weibull") for each in determined])
                interval = min(ends.min(), value, interval[0]), max(ends.max(), value, interval[1])
            if others_by_name:
                standard = max(standard, (interval[1] - interval[0]) / (2 * NORMAL_95))
            uncertainties[name] = Uncertainty(standard, propagation, note=result.reason, interval=interval)
    return uncertainties


def _values_by_name(names: Iterable[str], draws: Iterable[Values]) -> dict[str, list[float]]:
    """Return the values of each number in the draws in which it is determined."""
    values_by_name: dict[str, list[float]] = {name: [] for name in names}
    for values in draws:
        for name, value in values.items():
            if value is not None and np.isfinite(value):
                values_by_name[name].append(float(value))
    return values_by_name
