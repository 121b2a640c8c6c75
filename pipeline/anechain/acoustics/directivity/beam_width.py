"""How wide: the angles at which the level has fallen by a stated step below the axis, by plane and side."""

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
"""dB below the axis at which the beam ends unless told otherwise."""


FOUND, NOT_REACHED, COMES_BACK, NO_DATA = "found", "not reached", "comes back", "no data"


@dataclass(frozen=True)
class BeamWidth:
    """Half angles of one plane by frequency; arrays of shape (n,).

    Attributes
    ----------
    frequency_hz : numpy.ndarray
        Hz.
    drop_db : float
        dB below the axis.
    first_positive_deg, first_negative_deg : numpy.ndarray
        First angle, going outwards, at which the level has fallen that far: left or up, and right or down. Degrees
        from the axis, both positive; NaN where there is none.
    outermost_positive_deg, outermost_negative_deg : numpy.ndarray
        Angle beyond which the level stays below up to the last measured angle; NaN where there is none. Where it
        differs from the first one a lobe lies between.
    state_positive, state_negative : numpy.ndarray of str
        "found"; "not reached" (the level never falls that far); "comes back" (it does, and rises again up to the last
        angle: there is no outermost angle); "no data".
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
        """Degrees from one side's first angle to the other's; NaN where either has none."""
        return self.first_positive_deg + self.first_negative_deg

    @property
    def ambiguous(self) -> NDArray[np.bool_]:
        """Where the first and the outermost angle differ, or one of them is missing, on either side."""
        sides = (
            (self.first_positive_deg, self.outermost_positive_deg),
            (self.first_negative_deg, self.outermost_negative_deg),
        )
        return np.asarray(np.any([~np.isnan(first) & (first != outermost) for first, outermost in sides], axis=0))


def _side(angle: Floats, fall: Floats) -> tuple[Floats, Floats, Words]:
    """First and outermost angle of one side, by column of `fall`: the level plus the drop, relative to the axis."""
    count, columns = fall.shape
    first, outermost = np.full(columns, np.nan), np.full(columns, np.nan)
    # A direction without a value ends what is known.
    usable = np.logical_and.accumulate(~np.isnan(fall), axis=0)
    below = fall < 0
    outwards = ~below[:-1] & below[1:] & usable[1:]
    crosses = outwards.any(axis=0)
    known = usable.sum(axis=0)
    state = np.where(crosses, COMES_BACK, np.where(known == count, NOT_REACHED, NO_DATA))
    state[known < 2] = NO_DATA
    at = np.flatnonzero(crosses)

    def angles(inner: NDArray[np.intp], chosen: NDArray[np.intp]) -> Floats:
        here, there = fall[inner, chosen], fall[inner + 1, chosen]
        with np.errstate(invalid="ignore"):
            t = np.where(np.isinf(there), 0.0, here / (here - there))
        return np.asarray(angle[inner] + t * (angle[inner + 1] - angle[inner]))

    if at.size:
        first[at] = angles(np.argmax(outwards[:, at], axis=0), at)
        ends = at[below[known[at] - 1, at]]
        outermost[ends] = angles(outwards.shape[0] - 1 - np.argmax(outwards[::-1, ends], axis=0), ends)
        state[ends] = FOUND
    return first, outermost, state


@method(
    "beam-width",
    version=1,
    title="Beam width: angles at which the level is 6 dB below the axis",
    formula="Going outwards from the axis on each side, the first and the last angle at which the level crosses the "
    "level on the axis less the drop, read on straight lines of dB over angle",
    source="first and outermost crossing on each side of an orbit, straight lines in dB over angle",
    source_status="common practice, no source",
    limitations="Relative to the axis: where the axis is in a dip the beam looks wide. From 10 degree steps good to "
    "half a degree for a smooth beam of ±35 degrees or wider, worse for narrower ones.",
)
def beam_width(
    frequency: ArrayLike, angles: ArrayLike, level: ArrayLike, drop_db: float = BEAM_DROP, axis_deg: float = 0.0
) -> BeamWidth:
    """Angles at which the level on an orbit has fallen by a step below the axis.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    angles : array_like, shape (m,)
        Degrees on one orbit, in any order, the axis among them.
    level : array_like, shape (m, n)
        dB. NaN where there is no value.
    drop_db : float
        dB.
    axis_deg : float
        The measured angle that counts as the axis.

    Returns
    -------
    BeamWidth

    Raises
    ------
    ValueError
        If the shapes disagree, the drop is not above zero or the axis is not among the angles.
    """
    grid, values = check_grid(frequency), np.asarray(level, dtype=np.float64)
    turned = np.atleast_1d(wrap_angle(np.asarray(angles, dtype=np.float64) - axis_deg))
    if values.shape != (turned.size, grid.size):
        raise ValueError(f"{turned.size} angles and {grid.size} frequencies for levels of shape {values.shape}")
    if not drop_db > 0:
        raise ValueError(f"the drop must be above zero, not {drop_db}")
    axis = np.flatnonzero(np.abs(turned) < 0.01)
    if axis.size != 1:
        raise ValueError(f"the axis, {axis_deg:g} degrees, is once among the angles, not {axis.size} times")
    with np.errstate(invalid="ignore"):
        fall = values - values[axis[0]] + drop_db
    sides = []
    for outwards in (turned, np.where(turned == 180.0, 180.0, -turned)):
        order = [row for row in np.argsort(outwards) if outwards[row] > -0.01]
        sides.append(_side(np.abs(outwards[order]), fall[order]))
    (first_p, outer_p, state_p), (first_n, outer_n, state_n) = sides
    return BeamWidth(grid, drop_db, first_p, first_n, outer_p, outer_n, state_p, state_n)
