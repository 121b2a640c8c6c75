"""Excess phase: what the phase of a response has beyond its minimum phase and a delay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels
from anechain.acoustics.phase.minimum_phase import (
    EdgeSlopes,
    edge_slopes,
    minimum_phase,
    phase_of_slope_beyond,
    slope_ranges,
)
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["ExcessPhase", "excess_phase", "polarity_of_phase", "unwrapped_without_delay"]

_EARLIEST, _LATEST = -0.002, 0.1
"""Seconds; range of the delay that is searched on a grid of unequal steps."""
_LARGEST_STEP = 90.0
"""Degrees of phase from one frequency to the next above which a step is doubtful."""
_DOUBTFUL_STEPS = 0.05
"""Largest share of doubtful steps with which a phase can be followed. Common practice, no source."""
_REFERENCE_OCTAVES = 2.0
"""Octaves below the upper end from which the delay is determined. Common practice, no source."""


@dataclass(frozen=True)
class ExcessPhase:
    """Phase of a response as a delay, a minimum phase and an excess phase.

    Attributes
    ----------
    delay : float or None
        Seconds; None if the phase cannot be followed.
    minimum : numpy.ndarray, shape (n,)
        Minimum phase in degrees.
    excess : numpy.ndarray, shape (n,)
        Excess phase in degrees, not wrapped, without the delay; its mean over the reference octaves is within 180
        degrees of zero. NaN if the phase cannot be followed.
    low_error, high_error : numpy.ndarray, shape (n,)
        Standard uncertainty of the excess phase in degrees, with the sign that it has at all frequencies together, of
        the unknown level below and above the band.
    reason : str
        Why the phase cannot be followed; empty if it can.
    """

    delay: float | None
    minimum: Floats
    excess: Floats
    low_error: Floats
    high_error: Floats
    reason: str = ""


def unwrapped_without_delay(frequency: ArrayLike, phase: ArrayLike) -> tuple[Floats, float, float]:
    """Return a phase without its delay, not wrapped.

    The delay is that with which the phase changes least from each frequency to the next: the largest sum over
    frequencies of the cosine of these changes.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending. With equal steps, delays that differ by 1 / step cannot be distinguished.
    phase : array_like, shape (n,)
        Degrees; a delay makes it fall with frequency.

    Returns
    -------
    phase : numpy.ndarray, shape (n,)
        Degrees.
    delay : float
        Seconds.
    doubtful : float
        Share of the steps that are larger than 90 degrees.
    """
    f, degrees = np.asarray(frequency, np.float64), np.asarray(phase, np.float64)
    steps, change = np.diff(f), np.exp(1j * np.deg2rad(np.diff(degrees)))
    widest = float(steps.max())
    latest = _LATEST
    if widest < 1.5 * float(steps.min()):
        latest = min(latest, 0.9 / widest + _EARLIEST)
    delays = np.arange(_EARLIEST, latest, 0.05 / widest)
    # A few hundred steps decide; thousands of equal ones say the same.
    rows = np.unique(np.linspace(0, steps.size - 1, min(steps.size, 600)).round().astype(np.intp))
    sums = (change[rows] @ np.exp(2j * np.pi * steps[rows, np.newaxis] * delays)).real
    delay = float(delays[int(np.argmax(sums))])
    without = np.rad2deg(np.unwrap(np.deg2rad(degrees + 360.0 * f * delay)))
    return without, delay, float((np.abs(np.diff(without)) > _LARGEST_STEP).mean())


def _without_delay_at_top(frequency: Floats, phase: Floats) -> tuple[Floats, float]:
    """Return a phase without its delay towards high frequencies, and that delay in seconds.

    The phase of an all-pass approaches its limit as 1 / f: a constant, a term in f, which is the delay, and one in
    1 / f are fitted over the reference octaves.
    """
    top = float(frequency[-1])
    at = np.geomspace(max(top / 2.0**_REFERENCE_OCTAVES, float(frequency[0])), top, 64)
    terms = np.stack([np.ones(at.size), at / top, top / at], axis=1)
    fitted = np.linalg.lstsq(terms, np.interp(at, frequency, phase), rcond=None)[0]
    delay = -float(fitted[1]) / top / 360.0
    return np.asarray(phase + 360.0 * frequency * delay), delay


@method(
    "excess-phase",
    version=1,
    title="Excess phase: phase without the minimum phase and without the delay",
    formula="Phase minus minimum phase plus 360 f T; the delay T is the term in f of a fit of a constant, f and 1 / f "
    "to the two highest octaves",
    source="Bode 1945, Network Analysis and Feedback Amplifier Design, chapter 14: minimum phase times all-pass",
    source_status="recalled",
    limitations="As good as the minimum phase. A delay that is the same at all frequencies cannot be told from the "
    "travel time of the sound. Frequencies must be close enough for the phase to be followed: at most 90 degrees apart "
    "after the delay is removed, apart from one step in twenty.",
)
def excess_phase(
    frequency: ArrayLike, level: ArrayLike, phase: ArrayLike, slopes: EdgeSlopes | None = None
) -> ExcessPhase:
    """Return the delay, the minimum phase and the excess phase of a response.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending, eight or more.
    level : array_like, shape (n,)
        dB, without NaN.
    phase : array_like, shape (n,)
        Degrees, wrapped or not, without NaN; with any delay.
    slopes : EdgeSlopes, optional
        Continuation of the level, as in :func:`minimum_phase`.

    Returns
    -------
    ExcessPhase

    Raises
    ------
    ValueError
        If there are fewer than eight frequencies, they are not ascending above zero, or a value is not finite.
    """
    f, db = check_levels(frequency, level)
    degrees = np.asarray(phase, np.float64)
    if f.size < 8 or degrees.shape != f.shape or not np.isfinite(degrees).all():
        raise ValueError("an excess phase needs eight or more frequencies, each with a level and a phase")
    beyond = edge_slopes(f, db) if slopes is None else slopes
    minimum = minimum_phase(f, db, beyond)
    low_error, high_error = _errors(f, beyond)
    excess, coarse, doubtful = unwrapped_without_delay(f, degrees - minimum)
    if doubtful > _DOUBTFUL_STEPS:
        reason = (
            f"the phase changes by more than {_LARGEST_STEP:g}° between {100 * doubtful:.0f} % of the frequencies: "
            "measure with a shorter time window, or export more frequencies"
        )
        return ExcessPhase(None, minimum, np.full(f.size, np.nan), low_error, high_error, reason)
    excess, fine = _without_delay_at_top(f, excess)
    middle = excess[f >= f[-1] / 2.0**_REFERENCE_OCTAVES].mean()
    excess = excess - 360.0 * np.round(middle / 360.0)
    return ExcessPhase(coarse + fine, minimum, excess, low_error, high_error)


def _errors(frequency: Floats, slopes: EdgeSlopes) -> tuple[Floats, Floats]:
    """Return the standard uncertainty of the excess phase of the unknown level below and above the band."""
    errors = []
    ends = (frequency[0], slopes.low), (frequency[-1], slopes.high)
    for (end, used), (least, most) in zip(ends, slope_ranges(slopes), strict=True):
        # Rectangular over the range (GUM, 4.3.7), about the slope that is used, which need not be its middle.
        spread = np.sqrt(((most - used) ** 3 + (used - least) ** 3) / (3 * (most - least)))
        # What is a delay goes into the delay.
        errors.append(_without_delay_at_top(frequency, phase_of_slope_beyond(frequency, float(end), spread))[0])
    return errors[0], errors[1]


@method(
    "polarity-of-phase",
    version=1,
    title="Polarity of a band from its excess phase",
    formula="Sign of the cosine of the mean excess phase over the band",
    source="excess phase of an all-pass of even order without a reversed driver: a multiple of 360 degrees far from "
    "its centre",
    source_status="common practice, no source",
    limitations="Not determined where the mean is more than 60 degrees from 0 and 180 degrees, as within an octave of "
    "a crossover of first or third order.",
)
def polarity_of_phase(excess: ArrayLike, limit: float = 60.0) -> int:
    """Return the polarity of a band.

    Parameters
    ----------
    excess : array_like, shape (n,)
        Excess phase in degrees, not wrapped.
    limit : float
        Degrees; largest distance of the mean from 0 or 180 degrees.

    Returns
    -------
    int
        1 for positive, -1 for negative, 0 if it is not determined.
    """
    values = np.asarray(excess, np.float64)
    if not values.size or not np.isfinite(values).all():
        return 0
    cosine = float(np.cos(np.deg2rad(values.mean())))
    return int(np.sign(cosine)) if abs(cosine) >= np.cos(np.deg2rad(limit)) else 0
