"""How wide: the angles at which the level has fallen by a stated step below the axis, by plane and side."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.frequencies import check_grid, hertz
from anechain.acoustics.curve.segments import mean_over_octaves, part_in_band
from anechain.acoustics.directivity.directions import wrap_angle
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "BeamWidth",
    "Coverage",
    "FirstNarrowing",
    "Narrowing",
    "beam_width",
    "first_narrowing",
    "mean_coverage",
    "narrowing_frequency",
    "open_coverage",
]

Words = NDArray[np.str_]

BEAM_DROP = 6.0
"""dB below the axis at which the beam ends unless told otherwise."""

MOSTLY_OPEN = 0.5
"""Share of a band's frequencies at which a beam may be open and still have a least coverage."""

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


@dataclass(frozen=True)
class FirstNarrowing:
    """First stretch of frequencies in which the beam is narrower than a stated angle.

    Attributes
    ----------
    frequency_hz, until_hz : float or None
        Hz: where it begins and where it ends; None if there is none.
    angle_deg : float
        Total angle in degrees.
    reason : str
        Why there is none; empty if there is one.
    """

    frequency_hz: float | None
    until_hz: float | None
    angle_deg: float
    reason: str


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


def _open_end(beam: BeamWidth, low_hz: float, high_hz: float) -> str:
    """Whether the beam does not end at a sample that an end of a band is read from; empty if it does."""
    grid = beam.frequency_hz
    beside = {low_hz: np.flatnonzero(grid < low_hz)[-1:], high_hz: np.flatnonzero(grid > high_hz)[:1]}
    for end, rows in beside.items():
        for row in rows.tolist():
            if NOT_REACHED in (beam.state_positive[row], beam.state_negative[row]):
                return f"at {hertz(end)} Hz, an end of the band, the level does not fall that far up to the last angle"
    return ""


@method(
    "mean-coverage",
    version=1,
    title="Mean coverage angle in a band",
    formula="Mean over log frequency of the sum of the first angles on both sides",
    source="mean over log frequency of the total beam width by its first angles",
    source_status="common practice, no source",
    limitations="Only where the beam ends on both sides at every frequency of the band.",
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
    "open-coverage",
    version=1,
    title="Least mean coverage angle of a beam that is open at some frequencies of a band",
    formula="Mean over log frequency of the sum of the first angles on both sides; where the level never falls that "
    "far on a side, the last measured angle of that side",
    source="mean over log frequency; a beam that does not end is as wide as was looked, or wider",
    source_status="common practice, no source",
    limitations="A lower limit. Not given where a side is open at more than half of the band's frequencies.",
)
def open_coverage(
    beam: BeamWidth, low_hz: float, high_hz: float, last_positive_deg: float = 180.0, last_negative_deg: float = 180.0
) -> Coverage:
    """Mean, narrowest and widest total angle of a beam in a band, an open side counted up to its last angle.

    Parameters
    ----------
    beam : BeamWidth
    low_hz, high_hz : float
        The band.
    last_positive_deg, last_negative_deg : float
        Degrees up to which each side was measured.

    Returns
    -------
    Coverage
        Not determined, with the reason, where :func:`mean_coverage` is not for another reason, or a side is open at
        more than half of the frequencies.

    Raises
    ------
    ValueError
        If the band is none.
    """
    inside = (beam.frequency_hz >= low_hz) & (beam.frequency_hz <= high_hz)
    open_sides = beam.state_positive == NOT_REACHED, beam.state_negative == NOT_REACHED
    closed = replace(
        beam,
        first_positive_deg=np.where(open_sides[0], last_positive_deg, beam.first_positive_deg),
        first_negative_deg=np.where(open_sides[1], last_negative_deg, beam.first_negative_deg),
    )
    # A lobe is one of the beam itself: the last angle that stands in for an open side is none.
    lobes = float(beam.ambiguous[inside].mean()) if inside.any() else 0.0
    found = replace(mean_coverage(closed, low_hz, high_hz), ambiguous_share=lobes)
    share = float((open_sides[0] | open_sides[1])[inside].mean()) if inside.any() else 0.0
    if found.reason or share <= MOSTLY_OPEN:
        return found
    words = f"at {share:.0%} of the band's frequencies the level does not fall that far on a side"
    return replace(
        found,
        mean_deg=None,
        narrowest_deg=None,
        widest_deg=None,
        positive_deg=None,
        negative_deg=None,
        reason=words,
    )


@method(
    "first-narrowing",
    version=1,
    title="First stretch of frequencies in which the beam is narrower than a stated angle",
    formula="Lowest frequency from which the sum of the first angles on both sides stays below the stated angle for a "
    "stated part of an octave at least, and the frequency up to which it does",
    source="first crossing of the total beam width by its first angles, straight lines over log frequency",
    source_status="common practice, no source",
    limitations="Depends on the angle and on the length that are stated.",
)
def first_narrowing(beam: BeamWidth, angle_deg: float = 90.0, octaves: float = 1.0 / 6.0) -> FirstNarrowing:
    """Search the first stretch in which the total beam width is below an angle in degrees.

    Parameters
    ----------
    beam : BeamWidth
    angle_deg : float
        Total angle.
    octaves : float
        Shortest stretch that counts.

    Returns
    -------
    FirstNarrowing

    Raises
    ------
    ValueError
        If the angle is not between 0 and 360 degrees or the length is negative.
    """
    if not 0 < angle_deg < 360 or not octaves >= 0:
        raise ValueError(f"an angle between 0 and 360 degrees, not {angle_deg}, and a length, not {octaves}")
    blind = (beam.state_positive == NO_DATA) | (beam.state_negative == NO_DATA)
    grid, total = beam.frequency_hz[~blind], beam.first_total_deg[~blind]
    if grid.size < 2:
        return FirstNarrowing(None, None, angle_deg, "there are no directions to tell it from")
    narrow = ~np.isnan(total) & (total < angle_deg)
    edges = np.flatnonzero(np.diff(narrow)).tolist()

    def crossing(row: int) -> float:
        wide, close = (row, row + 1) if narrow[row + 1] else (row + 1, row)
        if np.isnan(total[wide]):
            return float(grid[close])
        t = (total[wide] - angle_deg) / (total[wide] - total[close])
        return float(grid[wide] * (grid[close] / grid[wide]) ** t)

    starts = [float(grid[0])] * bool(narrow[0]) + [crossing(row) for row in edges if not narrow[row]]
    stops = [crossing(row) for row in edges if narrow[row]] + [float(grid[-1])] * bool(narrow[-1])
    for start, stop in zip(starts, stops, strict=True):
        if np.log2(stop / start) >= octaves:
            return FirstNarrowing(start, stop, angle_deg, "")
    return FirstNarrowing(None, None, angle_deg, f"the beam is nowhere narrower than {angle_deg:g}° for long enough")


@method(
    "narrowing-frequency",
    version=1,
    title="Frequency from which up the beam stays narrower than a stated angle",
    formula="Highest frequency at which the sum of the first angles on both sides crosses the stated angle",
    source="last crossing of the total beam width by its first angles, straight lines over log frequency; a beam that "
    "does not end counts as wider",
    source_status="common practice, no source",
    limitations="Depends on the angle that is stated.",
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
