"""Beam width: angles at which the level is a stated drop below the axis, for each side of a plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.frequencies import check_grid
from anechain.acoustics.directivity.directions import wrap_angle
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["COMES_BACK", "FOUND", "NOT_REACHED", "NO_DATA", "BeamWidth", "beam_width"]

Words = NDArray[np.str_]

BEAM_DROP = 6.0
"""Default drop in dB below the axis at which the beam ends."""


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
    """

    frequency_hz: Floats
    drop_db: float
    first_positive_deg: Floats
    first_negative_deg: Floats
    outermost_positive_deg: Floats
    outermost_negative_deg: Floats
    state_positive: Words
    state_negative: Words

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


def _side(angle: Floats, fall: Floats) -> tuple[Floats, Floats, Words]:
    """Return first angle, outermost angle and state of one side, by frequency.

    `fall`, shape (angles, frequencies), is the level re the axis plus the drop in dB: negative outside the beam.
    """
    count, frequencies = fall.shape
    first, outermost = np.full(frequencies, np.nan), np.full(frequencies, np.nan)
    # Angles beyond a direction without a value are not used.
    usable = np.logical_and.accumulate(~np.isnan(fall), axis=0)
    below = fall < 0
    outwards = ~below[:-1] & below[1:] & usable[1:]
    crosses = outwards.any(axis=0)
    known = usable.sum(axis=0)
    state = np.where(crosses, COMES_BACK, np.where(known == count, NOT_REACHED, NO_DATA))
    state[known < 2] = NO_DATA
    at = np.flatnonzero(crosses)

    def crossings(inner: NDArray[np.intp], columns: NDArray[np.intp]) -> Floats:
        """Return the angles at which the level crosses, between the angles `inner` and `inner + 1`."""
        inside, outside = fall[inner, columns], fall[inner + 1, columns]
        with np.errstate(invalid="ignore"):
            t = np.where(np.isinf(outside), 0.0, inside / (inside - outside))
        return np.asarray(angle[inner] + t * (angle[inner + 1] - angle[inner]))

    if at.size:
        first[at] = crossings(np.argmax(outwards[:, at], axis=0), at)
        ends = at[below[known[at] - 1, at]]
        outermost[ends] = crossings(outwards.shape[0] - 1 - np.argmax(outwards[::-1, ends], axis=0), ends)
        state[ends] = FOUND
    return first, outermost, state


@method(
    "beam-width",
    version=1,
    title="Beam width: angles at which the level is 6 dB below the axis",
    formula="Outwards from the axis on each side, the first and the last angle at which the level crosses the level on "
    "the axis minus the drop, by linear interpolation of dB over angle",
    source="first and outermost crossing on each side of an orbit, linear interpolation of dB over angle",
    source_status="common practice, no source",
    limitations="Relative to the axis: where the axis has a dip, the beam seems wide. With steps of 10 degrees, "
    "accurate to half a degree for a smooth beam of ±35 degrees or wider, less for narrower ones.",
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
    for outwards in (from_axis, np.where(from_axis == 180.0, 180.0, -from_axis)):
        order = [row for row in np.argsort(outwards) if outwards[row] > -0.01]
        sides.append(_side(np.abs(outwards[order]), fall[order]))
    (first_p, outer_p, state_p), (first_n, outer_n, state_n) = sides
    return BeamWidth(grid, drop_db, first_p, first_n, outer_p, outer_n, state_p, state_n)
