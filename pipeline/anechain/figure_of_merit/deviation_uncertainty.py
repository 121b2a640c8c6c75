"""Uncertainty of the deviations of a curve or index in a band: ranges, root mean squares, means of absolute values."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from anechain.acoustics.curve.frequencies import resample
from anechain.acoustics.curve.segments import segment_in_band
from anechain.acoustics.uncertainty.deviation_interval import curve_without_noise, deviation_interval
from anechain.acoustics.uncertainty.drawn_errors import DirectionErrors
from anechain.arrays import Floats
from anechain.data.numbers import Uncertainty
from anechain.figure_of_merit.curve_uncertainty import (
    CANCELS,
    ROUNDING,
    StatedErrors,
    components_text,
    uncertainties_of_draws,
)

__all__ = ["USES", "deviation_uncertainties", "draws_uncertainty", "interval_uncertainty"]

Measures = Mapping[str, Callable[[Floats, Floats], Floats]]

USES = ("deviation-interval", "drawn-errors")
NORMAL_95 = 1.959964
"""Half of the 95 % interval of a normal distribution over its standard deviation."""


def deviation_uncertainties(
    errors: StatedErrors, name: str, level: Floats, band: tuple[float, float], measures: Measures
) -> dict[str, Uncertainty]:
    """Return the uncertainties of deviations of a curve in a band.

    Parameters
    ----------
    errors : StatedErrors
    name : str
        The curve or index.
    level : numpy.ndarray, shape (n,)
        dB.
    band : (float, float)
        Hz.
    measures : mapping of str to callable
        By the name of a number: a function of frequencies, shape (k,), and levels, shape (draws, k), that returns the
        deviation in each draw; see :func:`anechain.acoustics.uncertainty.deviation_interval.deviation_interval`.

    Returns
    -------
    dict of str to Uncertainty
        By the names of the numbers.
    """
    directions, reason = errors.directions, errors.unknown_reason([name])
    if reason or directions is None:
        return dict.fromkeys(measures, Uncertainty(None, reason=reason))
    part = segment_in_band(directions.frequency, level, *band)
    if part.reason:
        return dict.fromkeys(measures, Uncertainty(None, reason=part.reason))
    drawn = resample(directions.frequency, directions.rows(name), part.frequency)
    if np.isnan(drawn).any():
        unknown = f"the uncertainty of {name} is not known at all its frequencies"
        return dict.fromkeys(measures, Uncertainty(None, reason=unknown))
    # A constant is no deviation: without it, scaling the curve loses no digits.
    centred = part.level - part.level.mean()
    shape = curve_without_noise(part.frequency, centred, drawn - drawn.mean(axis=1, keepdims=True))
    return {
        key: interval_uncertainty(
            directions,
            lambda levels, measure=measure: measure(part.frequency, levels),  # type: ignore[misc]
            centred,
            shape,
            drawn,
        )
        for key, measure in measures.items()
    }


def interval_uncertainty(
    directions: DirectionErrors, measure: Callable[[Floats], Floats], level: Floats, shape: Floats, drawn: Floats
) -> Uncertainty:
    """Return the uncertainty of a deviation with its 95 % interval.

    Parameters
    ----------
    directions : DirectionErrors
        Names the components of the uncertainty.
    measure : callable
        See :func:`anechain.acoustics.uncertainty.deviation_interval.deviation_interval`.
    level, shape : numpy.ndarray, shape (n,)
        dB; the measured curve, and the shape of the true one.
    drawn : numpy.ndarray, shape (draws, n)
        dB; drawn errors of the curve.
    """
    value = float(measure(level[np.newaxis])[0])
    low, high = deviation_interval(measure, shape, drawn, value)
    standard = (high - low) / (2 * NORMAL_95)
    if standard <= ROUNDING * max(1.0, value):
        return Uncertainty(None, reason=CANCELS)
    propagation = (
        f"95 % interval from {directions.draws} draws, normal distribution, without the part of the deviation that is "
        f"due to errors; {components_text(directions)}"
    )
    return Uncertainty(standard, propagation, interval=(low, high))


def draws_uncertainty(directions: DirectionErrors, value: float | None, drawn: Floats) -> Uncertainty:
    """Return the uncertainty of a number from its values in all draws.

    Parameters
    ----------
    directions : DirectionErrors
        Names the components of the uncertainty.
    value : float or None
        The number without errors.
    drawn : numpy.ndarray, shape (draws,)
        The number in each draw.
    """
    draws = ({"number": float(number)} for number in drawn)
    return uncertainties_of_draws(StatedErrors(directions), {"number": value}, draws)["number"]
