"""Beam width: angles at which the level is a stated drop below the axis, for each side of a plane."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.frequencies import check_grid
from anechain.acoustics.curve.levels import power_of_level
from anechain.acoustics.directivity.directions import wrap_angle
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["COMES_BACK", "FOUND", "NOT_REACHED", "NO_DATA", "BeamWidth", "beam_width", "interpolation_share"]

Words = NDArray[np.str_]

BEAM_DROP = 6.0
"""Default drop in dB below the axis at which the beam ends."""


INTERPOLATION_ERROR = ((3.0, 5.0, 10.0, 14.0), (0.025, 0.04, 0.07, 0.22))
"""Fall of the level in dB across a step, and root mean square error of an interpolated angle in steps.

Constant below and above. Found on closed forms (tests/test_beam_interpolation.py). With more than 12 dB per step the
beam usually ends in the first step from the axis."""

_ITERATIONS = 6

FOUND, NOT_REACHED, COMES_BACK, NO_DATA = "found", "not reached", "comes back", "no data"


@dataclass(frozen=True)
class BeamWidth:
    """Half angles of one plane by frequency; arrays have the shape (n,).

    Attributes
    ----------
    frequency_hz : numpy.ndarray
        Hz.
    drop_db : float
        dB below the axis.
    first_positive_deg, first_negative_deg : numpy.ndarray
        First angle outwards from the axis at which the level is lower by the drop: left or up, and right or down.
        Degrees from the axis, both positive; NaN where there is none.
    outermost_positive_deg, outermost_negative_deg : numpy.ndarray
        Angle beyond which the level stays below up to the last measured angle; NaN where there is none. If it differs
        from the first angle, there is a lobe between them.
    state_positive, state_negative : numpy.ndarray of str
        "found"; "not reached" (the level never falls by the drop); "comes back" (it falls by the drop, but rises again
        up to the last angle, so there is no outermost angle); "no data".
    interpolation_positive_deg, interpolation_negative_deg : numpy.ndarray
        Standard uncertainty in degrees of the first angle by interpolation between the measured angles; NaN where there
        is none.
    """

    frequency_hz: Floats
    drop_db: float
    first_positive_deg: Floats
    first_negative_deg: Floats
    outermost_positive_deg: Floats
    outermost_negative_deg: Floats
    state_positive: Words
    state_negative: Words
    interpolation_positive_deg: Floats
    interpolation_negative_deg: Floats

    @property
    def first_total_deg(self) -> Floats:
        """Total angle in degrees between the first angles of both sides; NaN where one of them is missing."""
        return self.first_positive_deg + self.first_negative_deg

    @property
    def ambiguous(self) -> NDArray[np.bool_]:
        """True where the first and the outermost angle differ, or only the first exists, on one side."""
        sides = (
            (self.first_positive_deg, self.outermost_positive_deg),
            (self.first_negative_deg, self.outermost_negative_deg),
        )
        return np.asarray(np.any([~np.isnan(first) & (first != outermost) for first, outermost in sides], axis=0))


class _Side(NamedTuple):
    """Beam of one side by frequency; see the attributes of :class:`BeamWidth`."""

    first: Floats
    outermost: Floats
    interpolation: Floats
    state: Words


def _side(angle: Floats, fall: Floats) -> _Side:
    """Return first angle, outermost angle, interpolation error and state of one side, by frequency.

    `fall`, shape (angles + 2, frequencies), is the level re the axis plus the drop in dB: negative outside the beam.
    The first and the last row are neighbours beyond the axis and beyond the last angle, for interpolation only.
    """
    count, frequencies = fall.shape[0] - 2, fall.shape[1]
    first, outermost, error = (np.full(frequencies, np.nan) for _ in range(3))
    # Angles beyond a direction without a value are not used.
    usable = np.logical_and.accumulate(~np.isnan(fall[1:-1]), axis=0)
    below = fall[1:-1] < 0
    outwards = ~below[:-1] & below[1:] & usable[1:]
    crosses = outwards.any(axis=0)
    known = usable.sum(axis=0)
    state = np.where(crosses, COMES_BACK, np.where(known == count, NOT_REACHED, NO_DATA))
    state[known < 2] = NO_DATA
    at = np.flatnonzero(crosses)
    if at.size:
        inner = np.argmax(outwards[:, at], axis=0)
        first[at], error[at] = _crossings(angle, fall, inner, at)
        ends = at[below[known[at] - 1, at]]
        last = outwards.shape[0] - 1 - np.argmax(outwards[::-1, ends], axis=0)
        outermost[ends] = first[ends]
        later = last != np.argmax(outwards[:, ends], axis=0)
        if later.any():
            outermost[ends[later]] = _crossings(angle, fall, last[later], ends[later])[0]
        state[ends] = FOUND
    return _Side(first, outermost, error, state)


def _crossings(
    angle: Floats, fall: Floats, inner: NDArray[np.intp], columns: NDArray[np.intp]
) -> tuple[Floats, Floats]:
    """Return the angles at which the level crosses, between rows `inner + 1` and `inner + 2`, and their errors.

    Squared pressure is a monotone cubic over angle, as in
    :func:`anechain.acoustics.directivity.orbit_interpolation.interpolate_orbit`; beyond missing neighbours it goes
    straight on.
    """
    rows = inner + np.arange(4)[:, np.newaxis]
    x, decibels = angle[rows], fall[rows, columns]
    power = power_of_level(decibels)
    gap, difference = np.diff(x, axis=0), np.diff(power, axis=0)
    width = gap[1]
    with np.errstate(invalid="ignore", divide="ignore"):
        secant = difference / gap
        slopes = []
        for beside in (0, 2):
            # Weighted harmonic mean of the secants on both sides of the node; the nearer one counts more.
            w_beside, w_own = 2 * width + gap[beside], width + 2 * gap[beside]
            mean = (w_beside + w_own) / (w_beside / secant[beside] + w_own / secant[1])
            slope = np.where(secant[beside] * secant[1] <= 0, 0.0, mean)
            slopes.append(np.where(np.isnan(secant[beside]), secant[1], slope) * width)
        t = np.where(np.isinf(decibels[2]), 0.5, decibels[1] / (decibels[1] - decibels[2]))
    # Coefficients of the cubic over the part of the step, minus the squared pressure at the drop.
    constant, linear = power[1] - 1.0, slopes[0]
    square = 3 * difference[1] - 2 * slopes[0] - slopes[1]
    cubic = slopes[0] + slopes[1] - 2 * difference[1]
    low, high = np.zeros(t.size), np.ones(t.size)
    for _ in range(_ITERATIONS):
        value = constant + t * (linear + t * (square + t * cubic))
        low, high = np.where(value > 0, t, low), np.where(value > 0, high, t)
        with np.errstate(invalid="ignore", divide="ignore"):
            newton = t - value / (linear + t * (2 * square + 3 * t * cubic))
        # Newton's step, or half the interval where it leaves it.
        t = np.where((newton >= low) & (newton <= high), newton, (low + high) / 2)
    return x[1] + t * width, width * interpolation_share(decibels[1] - decibels[2])


def interpolation_share(fall_db: ArrayLike) -> Floats:
    """Return the standard uncertainty of an angle by interpolation, as a share of the step between two directions.

    Parameters
    ----------
    fall_db : array_like
        Fall of the level across the step in which the angle is, dB.

    Returns
    -------
    numpy.ndarray
        Root mean square error of interpolated angles, measured on closed forms: pistons in a baffle and on a sphere,
        line sources and first-order patterns, at steps of 2.5 to 15 degrees and drops of 3, 6 and 10 dB.
    """
    return np.asarray(np.interp(np.asarray(fall_db, dtype=np.float64), *INTERPOLATION_ERROR))


@method(
    "beam-width",
    version=2,
    title="Beam width: angles at which the level is 6 dB below the axis",
    formula="Outwards from the axis on each side, the first and the last angle at which the level crosses the level on "
    "the axis minus the drop, by a monotone cubic of squared pressure over angle",
    source="first and outermost crossing on each side of an orbit; Fritsch and Butland 1984, SIAM J. Sci. Stat. "
    "Comput. 5, 300-304 (monotone cubic)",
    source_status="common practice, no source",
    limitations="Relative to the axis: where the axis has a dip, the beam seems wide. Interpolation errs by 0.025 of "
    "a step (r.m.s.) where the level falls by up to 3 dB in that step, 0.07 at 10 dB, 0.22 at 14 dB and more. A lobe "
    "between two measured angles is not seen.",
)
def beam_width(
    frequency: ArrayLike, angles: ArrayLike, level: ArrayLike, drop_db: float = BEAM_DROP, axis_deg: float = 0.0
) -> BeamWidth:
    """Return the angles at which the level on an orbit is a stated drop below the axis.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    angles : array_like, shape (m,)
        Degrees on one orbit, in any order, the axis among them.
    level : array_like, shape (m, n)
        dB; NaN where there is no value.
    drop_db : float
        Drop in dB.
    axis_deg : float
        Measured angle that is used as the axis.

    Returns
    -------
    BeamWidth

    Raises
    ------
    ValueError
        If the shapes disagree, the drop is not above zero or the axis is not among the angles.
    """
    grid, values = check_grid(frequency), np.asarray(level, dtype=np.float64)
    from_axis = np.atleast_1d(wrap_angle(np.asarray(angles, dtype=np.float64) - axis_deg))
    if values.shape != (from_axis.size, grid.size):
        raise ValueError(f"{from_axis.size} angles and {grid.size} frequencies for levels of shape {values.shape}")
    if not drop_db > 0:
        raise ValueError(f"the drop must be above zero, not {drop_db}")
    axis = np.flatnonzero(np.abs(from_axis) < 0.01)
    if axis.size != 1:
        raise ValueError(f"the axis, {axis_deg:g} degrees, must be among the angles once, not {axis.size} times")
    with np.errstate(invalid="ignore"):
        fall = values - values[axis[0]] + drop_db
    sides = []
    missing = np.full((1, grid.size), np.nan)
    for outwards in (from_axis, np.where(from_axis == 180.0, 180.0, -from_axis)):
        order = np.argsort(outwards)
        side, other = order[outwards[order] > -0.01], order[outwards[order] <= -0.01]
        # Neighbours beyond the axis, and beyond 180 degrees if the orbit is closed.
        closed = other.size > 0 and outwards[side[-1]] == 180.0
        before = (outwards[other[-1]], fall[other[-1:]]) if other.size else (-1.0, missing)
        after = (outwards[other[0]] + 360.0, fall[other[:1]]) if closed else (outwards[side[-1]] + 1.0, missing)
        angle = np.concatenate([[before[0]], np.abs(outwards[side]), [after[0]]])
        sides.append(_side(angle, np.concatenate([before[1], fall[side], after[1]])))
    left, right = sides
    return BeamWidth(
        grid,
        drop_db,
        left.first,
        right.first,
        left.outermost,
        right.outermost,
        left.state,
        right.state,
        left.interpolation,
        right.interpolation,
    )
