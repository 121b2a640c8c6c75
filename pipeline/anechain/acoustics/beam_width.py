"""How wide: the angles at which the level has fallen by a stated step below the axis, by plane and side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve_parts import hertz, mean_over_octaves, part_in_band
from anechain.acoustics.directions import wrap_angle
from anechain.acoustics.frequencies import check_grid
from anechain.methods import method

__all__ = ["BeamWidth", "Coverage", "Narrowing", "beam_width", "mean_coverage", "narrowing_frequency"]

Floats = NDArray[np.float64]
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


@dataclass(frozen=True)
class Coverage:
    """Mean total coverage of one plane in a band.

    Attributes
    ----------
    mean_deg, narrowest_deg, widest_deg : float or None
        Total angle in degrees, both sides together, by the first angles; None if not determined. The mean is over log
        frequency.
    positive_deg, negative_deg : float or None
        Mean half angle of each side.
    low_hz, high_hz : float
        The band.
    ambiguous_share : float
        Share of the band's frequencies at which the outermost angle is another one or none.
    reason : str
        Why it is not determined; empty if it is.
    """

    mean_deg: float | None
    narrowest_deg: float | None
    widest_deg: float | None
    positive_deg: float | None
    negative_deg: float | None
    low_hz: float
    high_hz: float
    ambiguous_share: float
    reason: str


@dataclass(frozen=True)
class Narrowing:
    """Frequency from which up the beam stays narrower than a stated angle.

    Attributes
    ----------
    frequency_hz : float or None
        Hz; None if not determined.
    angle_deg : float
        Total angle in degrees.
    reason : str
        Why it is not determined; empty if it is.
    """

    frequency_hz: float | None
    angle_deg: float
    reason: str


def _side(angle: Floats, fall: Floats) -> tuple[float, float, str]:
    """First and outermost angle of one side, where `fall` is the level plus the drop, relative to the axis."""
    usable = ~np.isnan(fall)
    if usable.sum() < 2 or not usable[0]:
        return np.nan, np.nan, NO_DATA
    # A direction without a value ends what is known.
    stop = int(np.argmin(usable)) if not usable.all() else usable.size
    angle, fall = angle[:stop], fall[:stop]
    below = fall < 0
    outwards = np.flatnonzero(~below[:-1] & below[1:])
    if outwards.size == 0:
        return np.nan, np.nan, NOT_REACHED if stop == usable.size else NO_DATA
    with np.errstate(invalid="ignore"):
        t = np.where(np.isinf(fall[outwards + 1]), 0.0, fall[outwards] / (fall[outwards] - fall[outwards + 1]))
    found = angle[outwards] + t * (angle[outwards + 1] - angle[outwards])
    if not below[-1]:
        return float(found[0]), np.nan, COMES_BACK
    return float(found[0]), float(found[-1]), FOUND


@method(
    "beam-width",
    version=1,
    title="Beam width: angles at which the level is 6 dB below the axis",
    formula="Going outwards from the axis on each side, the first and the last angle at which the level crosses the "
    "level on the axis less the drop, read on straight lines of dB over angle",
    source="first and outermost crossing on each side of an orbit, straight lines in dB over angle",
    standing="common practice, no source",
    limits="Relative to the axis: where the axis is in a dip the beam looks wide. From 10 degree steps good to half "
    "a degree for a smooth beam of ±35 degrees or wider, worse for narrower ones.",
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
        sides.append([_side(np.abs(outwards[order]), fall[order, column]) for column in range(grid.size)])
    (first_p, outer_p, state_p), (first_n, outer_n, state_n) = (zip(*side, strict=True) for side in sides)
    return BeamWidth(
        grid,
        drop_db,
        np.array(first_p),
        np.array(first_n),
        np.array(outer_p),
        np.array(outer_n),
        np.array(state_p),
        np.array(state_n),
    )


def _open_end(beam: BeamWidth, low_hz: float, high_hz: float) -> str:
    """Whether the beam does not end at a sample that an end of a band is read from; empty if it does."""
    grid = beam.frequency_hz
    beside = {low_hz: np.flatnonzero(grid < low_hz)[-1:], high_hz: np.flatnonzero(grid > high_hz)[:1]}
    for end, rows in beside.items():
        for row in rows.tolist():
            if NOT_REACHED in (beam.state_positive[row], beam.state_negative[row]):
                return f"at {hertz(end)} Hz, an end of the band, the beam is just wider than the last angle on a side"
    return ""


@method(
    "mean-coverage",
    version=1,
    title="Mean coverage angle in a band",
    formula="Mean over log frequency of the sum of the first angles on both sides",
    source="mean over log frequency of the total beam width by its first angles",
    standing="common practice, no source",
    limits="Only where the beam ends on both sides at every frequency of the band.",
)
def mean_coverage(beam: BeamWidth, low_hz: float, high_hz: float) -> Coverage:
    """Mean, narrowest and widest total angle of a beam in a band.

    Raises
    ------
    ValueError
        If the band is none.
    """
    inside = (beam.frequency_hz >= low_hz) & (beam.frequency_hz <= high_hz)
    doubtful = float(beam.ambiguous[inside].mean()) if inside.any() else 0.0
    total = part_in_band(beam.frequency_hz, beam.first_total_deg, low_hz, high_hz)
    if total.reason:
        absent = []
        for state in (NOT_REACHED, NO_DATA):
            such = ((beam.state_positive == state) | (beam.state_negative == state))[inside]
            if such.any():
                absent.append(f"{such.mean():.0%} {state}")
        words = f"of the band's frequencies {', '.join(absent)} on a side" if absent else ""
        words = words or _open_end(beam, low_hz, high_hz) or total.reason
        return Coverage(None, None, None, None, None, low_hz, high_hz, doubtful, words)
    halves = [
        mean_over_octaves(part.frequency, part.level)
        for part in (
            part_in_band(beam.frequency_hz, side, low_hz, high_hz)
            for side in (beam.first_positive_deg, beam.first_negative_deg)
        )
    ]
    return Coverage(
        mean_deg=mean_over_octaves(total.frequency, total.level),
        narrowest_deg=float(total.level.min()),
        widest_deg=float(total.level.max()),
        positive_deg=halves[0],
        negative_deg=halves[1],
        low_hz=low_hz,
        high_hz=high_hz,
        ambiguous_share=doubtful,
        reason="",
    )


@method(
    "narrowing-frequency",
    version=1,
    title="Frequency from which up the beam stays narrower than a stated angle",
    formula="Highest frequency at which the sum of the first angles on both sides crosses the stated angle",
    source="last crossing of the total beam width by its first angles, straight lines over log frequency; a beam that "
    "does not end counts as wider",
    standing="common practice, no source",
    limits="Depends on the angle that is stated.",
)
def narrowing_frequency(beam: BeamWidth, angle_deg: float = 90.0) -> Narrowing:
    """Search the lowest frequency above which the total beam width is always below an angle in degrees.

    Raises
    ------
    ValueError
        If the angle is not between 0 and 360 degrees.
    """
    if not 0 < angle_deg < 360:
        raise ValueError(f"the angle lies between 0 and 360 degrees, not {angle_deg}")
    blind = (beam.state_positive == NO_DATA) | (beam.state_negative == NO_DATA)
    grid, total = beam.frequency_hz[~blind], beam.first_total_deg[~blind]
    if grid.size < 2:
        return Narrowing(None, angle_deg, "there are no directions to tell it from")
    wide = np.isnan(total) | (total >= angle_deg)
    if wide[-1]:
        return Narrowing(None, angle_deg, f"at {hertz(grid[-1])} Hz the beam is {angle_deg:g}° wide or wider")
    if not wide.any():
        return Narrowing(None, angle_deg, f"the beam is narrower than {angle_deg:g}° from {hertz(grid[0])} Hz on")
    last = int(np.flatnonzero(wide)[-1])
    if np.isnan(total[last]):
        return Narrowing(float(grid[last + 1]), angle_deg, "")
    t = (total[last] - angle_deg) / (total[last] - total[last + 1])
    return Narrowing(float(grid[last] * (grid[last + 1] / grid[last]) ** t), angle_deg, "")
