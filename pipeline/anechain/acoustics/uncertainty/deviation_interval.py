"""Interval of a deviation (a range, a root mean square, a mean of absolute values) that errors of measurement enlarge.

Errors add to a deviation: that of an ideally flat curve is zero, that of its measurement is not. Draws of further
errors around the measured curve would add them once more. So the interval is not that of the draws, but contains each
true deviation for which the measured one would not be improbable (Neyman).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["curve_without_noise", "deviation_interval", "noise_averages"]

Measure = Callable[[Floats], Floats]

WIDTHS_OCTAVES = (8 / 3, 4 / 3, 2 / 3, 1 / 3, 1 / 6)
"""Widths of the averages that are tried, from wide to narrow."""

SELECTION_DRAWS = 60
SELECTION_QUANTILE = 0.9

PROBABILITIES = (0.025, 0.975)
_STEPS = 30
_TOLERANCE = 1e-6


def curve_without_noise(frequency: Floats, level: Floats, errors: Floats) -> Floats:
    """Return a curve averaged over frequency, as far as errors alone would explain what the average removes.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending.
    level : numpy.ndarray, shape (n,)
        dB.
    errors : numpy.ndarray, shape (draws, n)
        dB; drawn errors of the curve.

    Returns
    -------
    numpy.ndarray, shape (n,)
        dB; see :func:`noise_averages`.
    """
    return np.asarray(noise_averages(frequency, level, errors) @ level)


def noise_averages(
    frequency: Floats, level: Floats, errors: Floats, *, simultaneous: bool = False, narrowing: float = 1.0
) -> Floats:
    """Return the weights of averages over frequency that remove no more of a curve than errors alone would explain.

    An average is the value of a straight line over log frequency that is fitted within a window around a frequency. At
    each frequency the widest window is selected that removes, in the octave around, no more than it would remove from
    90 % of the errors; none where every window removes more.

    Parameters
    ----------
    frequency, level, errors
        As in :func:`curve_without_noise`.
    simultaneous : bool
        Whether the 90 % are those of errors over all frequencies together. No noise is then left over at single
        frequencies, but more of the curve can be lost.
    narrowing : float
        The averages are taken over windows narrower by this factor than the selected ones: less of the curve is lost,
        and more noise is left.

    Returns
    -------
    numpy.ndarray, shape (n, n)
        Each row adds to one.
    """
    octaves = np.log2(frequency)
    offset = octaves - octaves[:, np.newaxis]

    def average(half_width: float) -> Floats:
        inside = np.abs(offset) <= half_width + 1e-9
        count, first, second = (np.sum(inside * offset**power, axis=1, keepdims=True) for power in range(3))
        spread = count * second - first**2
        line = inside * (second - first * offset) / np.where(spread > 0, spread, 1.0)
        return np.asarray(np.where(spread > 0, line, inside / count))

    some = errors[:SELECTION_DRAWS]
    near = np.abs(offset) <= 0.5 + 1e-9
    around = near / near.sum(axis=1, keepdims=True)
    result, open_rows = np.eye(octaves.size), np.ones(octaves.size, dtype=np.bool_)
    for width in WIDTHS_OCTAVES:
        window = average(width / 2)
        removed = (some - some @ window.T) ** 2 @ around.T
        if simultaneous:
            typical = np.maximum(removed.mean(axis=0), 1e-12)
            from_errors = typical * np.quantile((removed / typical).max(axis=1), SELECTION_QUANTILE)
        else:
            from_errors = np.quantile(removed, SELECTION_QUANTILE, axis=0)
        accepted = open_rows & (around @ (level - window @ level) ** 2 <= from_errors)
        result[accepted] = (window if narrowing == 1.0 else average(width / 2 / narrowing))[accepted]
        open_rows &= ~accepted
    return result


@method(
    "deviation-interval",
    version=1,
    title="95 % interval of a deviation that errors of measurement enlarge",
    formula="All true deviations D for which the measured one is between the quantiles of 2.5 and 97.5 % of the "
    "deviation of (the measured curve, scaled to the deviation D) plus drawn errors; its upper end is at least the "
    "measured deviation, and at least the median of the deviation of errors alone",
    source="Neyman 1937, Outline of a theory of statistical estimation based on the classical theory of probability, "
    "Phil. Trans. R. Soc. A 236: an interval from the distribution of the estimate at each true value; normal errors "
    "as in JCGM 101:2008, 6.4.7",
    source_status="recalled",
    limitations="The true curve is taken to have the shape of the measured one, averaged over frequency where errors "
    "alone would explain what the average removes.",
)
def deviation_interval(measure: Measure, shape: Floats, errors: Floats, value: float) -> tuple[float, float]:
    """Return the 95 % interval of a deviation.

    Parameters
    ----------
    measure : callable
        Takes curves, shape (draws, n) in dB, and returns their deviations, shape (draws,). Of a curve times a factor
        above zero it is the deviation times this factor, of a sum of curves at most the sum of their deviations.
    shape : numpy.ndarray, shape (n,)
        dB; shape of the true curve, such as from :func:`curve_without_noise`.
    errors : numpy.ndarray, shape (draws, n)
        dB; drawn errors of the curve.
    value : float
        Deviation of the measured curve.

    Returns
    -------
    low, high : float
        In the unit of the deviation; low is 0 where errors alone would explain the measured deviation.
    """
    size, alone = float(measure(shape[np.newaxis])[0]), measure(errors)
    # Errors of the stated size hide a smaller deviation, however small the measured one is.
    least_high = max(value, float(np.median(alone)))
    if not size > 0:
        return 0.0, least_high
    # Over the scale, the deviation with errors is convex, and at this scale at least as large as the measured one: the
    # method of Newton goes down to the largest scale at which both are equal, or below zero if there is none.
    scale = (value + alone) / size
    for _ in range(_STEPS):
        step = np.maximum(_TOLERANCE * scale, 1e-12)
        above = measure(scale[:, np.newaxis] * shape + errors) - value
        slope = (above - measure((scale - step)[:, np.newaxis] * shape + errors) + value) / step
        lower = np.where((scale > 0) & (slope > 0), scale - above / np.where(slope > 0, slope, 1.0), 0.0)
        lower = np.clip(lower, 0.0, scale)
        converged = (scale - lower <= 10 * _TOLERANCE * (scale + _TOLERANCE)).all()
        scale = lower
        if converged:
            break
    from_zero = np.where(alone >= value, 0.0, scale)
    low = float(np.quantile(size * from_zero, PROBABILITIES[0], method="weibull"))
    high = float(np.quantile(size * scale, PROBABILITIES[1], method="weibull"))
    return min(low, value), max(high, least_high)
