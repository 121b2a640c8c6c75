"""Minimum phase of a level curve, and the error of what is not known of the level beyond its ends."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["EdgeSlopes", "edge_slopes", "minimum_phase", "phase_of_slope_beyond", "slope_ranges"]

_POINTS_PER_OCTAVE = 960
"""Density of the grid of the integral; the error of a coarser grid is that of interpolated levels."""
_NEPER = math.log(10) / 20
"""Nepers per decibel."""
_FITTED_OCTAVES = 1 / 3
"""Octaves at each end of a curve whose slope continues it."""
_STEEPEST = 36.0
"""dB per octave; steepest slope with which a curve is continued."""
_USUAL_ROLL_OFF = 24.0
"""dB per octave; steepest roll-off of a loudspeaker that is taken as possible beyond a flat end: a vented box."""
_SLOPE_STEP = 12.0
"""dB per octave by which a slope may change beyond the end: one more pair of poles."""


@dataclass(frozen=True)
class EdgeSlopes:
    """Slopes in dB per octave with which a level curve is continued below and above its ends."""

    low: float
    high: float


def _integral_of_kernel(x: Floats) -> Floats:
    """Return the integral of ln coth |y / 2| from 0 to x; odd, and pi^2 / 4 at infinity."""
    from scipy.special import spence

    # 2 (1 - 1/3^2 ...) sums of e^(-k x) over odd k: two dilogarithms, and spence(z) is Li2(1 - z).
    decay = np.exp(-np.abs(x))
    return np.asarray(np.sign(x) * (np.pi**2 / 4 - spence(1 - decay) + spence(1 + decay)))


def edge_slopes(frequency: ArrayLike, level: ArrayLike) -> EdgeSlopes:
    """Return the slopes with which a level curve is continued beyond its ends.

    The slope of the last third of an octave by least squares; from 0 to 36 dB per octave at the lower end and from -36
    to 0 dB per octave at the upper end, because a loudspeaker radiates less and less beyond its band.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending, two or more.
    level : array_like, shape (n,)
        dB.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    f, db = check_levels(frequency, level)
    octaves = np.log2(f)

    def slope(inside: Floats) -> float:
        rows = np.flatnonzero(inside)
        at = octaves[rows] - octaves[rows].mean()
        power = float(at @ at)
        return float(at @ db[rows]) / power if power > 0 else 0.0

    # At least two samples, on a coarse grid too.
    low = slope(octaves <= max(octaves[0] + _FITTED_OCTAVES, octaves[min(1, f.size - 1)]))
    high = slope(octaves >= min(octaves[-1] - _FITTED_OCTAVES, octaves[max(f.size - 2, 0)]))
    return EdgeSlopes(min(max(low, 0.0), _STEEPEST), max(min(high, 0.0), -_STEEPEST))


def slope_ranges(slopes: EdgeSlopes) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the ranges of slopes that are possible below and above a curve: dB per octave, smallest first.

    From 12 dB per octave less steep than the slope at the end to 12 dB per octave steeper, and at least from 0 to
    24 dB per octave: a flat end may be followed by the roll-off of a vented box.
    """
    steepness = slopes.low, -slopes.high
    low, high = ((max(steep - _SLOPE_STEP, 0.0), max(steep + _SLOPE_STEP, _USUAL_ROLL_OFF)) for steep in steepness)
    return low, (-high[1], -high[0])


def phase_of_slope_beyond(frequency: ArrayLike, end: float, slope: float) -> Floats:
    """Return the minimum phase that a level has of its slope beyond one end of a band.

    The closed form of the integral of :func:`minimum_phase` over the part beyond the end. It is also the change of the
    minimum phase if the slope there changes by this much.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, inside the band.
    end : float
        Hz; lower or upper end of the band.
    slope : float
        dB per octave, constant beyond the end.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Degrees.
    """
    distance = np.abs(np.log(np.asarray(frequency, np.float64) / end))
    beyond = np.pi**2 / 4 - _integral_of_kernel(distance)
    return np.asarray(np.rad2deg(slope * _NEPER / math.log(2) / np.pi * beyond))


@method(
    "minimum-phase",
    version=1,
    title="Minimum phase that a level curve implies",
    formula="Integral over log frequency of the slope of the level in nepers times ln coth |u / 2|, over pi; u is the "
    "log of the ratio of both frequencies",
    source="Bode 1945, Network Analysis and Feedback Amplifier Design, chapter 14; integrated exactly for straight "
    "lines between samples",
    source_status="recalled",
    limitations="The level beyond the curve is a straight line over log frequency with the slope of its last third of "
    "an octave. A slope that is wrong there by 12 dB per octave changes the phase an octave inside by 37 degrees, "
    "three octaves inside by 9 degrees; beyond the upper end nearly all of it is a delay.",
)
def minimum_phase(frequency: ArrayLike, level: ArrayLike, slopes: EdgeSlopes | None = None) -> Floats:
    """Return the phase of the minimum-phase system with a level curve.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending, two or more.
    level : array_like, shape (n,)
        dB, without NaN; a straight line over log frequency between samples.
    slopes : EdgeSlopes, optional
        Continuation of the level beyond its ends; by default that of :func:`edge_slopes`.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Degrees, not wrapped; 90 degrees for each 6.02 dB per octave of a level that rises everywhere.

    Raises
    ------
    ValueError
        If there are fewer than two frequencies, they are not ascending above zero, or a level is not finite.
    """
    from scipy.signal import fftconvolve

    f, db = check_levels(frequency, level)
    if f.size < 2 or not np.isfinite(db).all():
        raise ValueError("a minimum phase needs two or more finite levels")
    beyond = edge_slopes(f, db) if slopes is None else slopes
    position = np.log(f)
    count = max(math.ceil((position[-1] - position[0]) / math.log(2) * _POINTS_PER_OCTAVE), 2)
    grid, step = np.linspace(position[0], position[-1], count + 1, retstep=True)
    slope = np.diff(np.interp(grid, position, db)) * _NEPER / step
    # The kernel's integral over each interval of the grid, for each distance between a point and an interval.
    edge = _integral_of_kernel(step * np.arange(-count, count + 1))
    inside = fftconvolve(slope, np.diff(edge)[::-1], mode="full")[count - 1 : 2 * count] / np.pi
    inside = np.interp(position, grid, np.rad2deg(inside))
    below = phase_of_slope_beyond(f, float(f[0]), beyond.low)
    above = phase_of_slope_beyond(f, float(f[-1]), beyond.high)
    return np.asarray(inside + below + above)
