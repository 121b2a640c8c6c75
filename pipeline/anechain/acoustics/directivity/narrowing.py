"""Narrowing: frequencies at which the total beam width falls below a stated angle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.directivity.beam_width import NO_DATA, BeamWidth
from anechain.methods import method

__all__ = ["FirstNarrowing", "Narrowing", "first_narrowing", "narrowing_frequency"]


@dataclass(frozen=True)
class Narrowing:
    """Frequency above which the beam is always narrower than a stated angle.

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
    """First range of frequencies in which the beam is narrower than a stated angle.

    Attributes
    ----------
    frequency_hz, until_hz : float or None
        Ends of the range in Hz; None if there is none.
    angle_deg : float
        Total angle in degrees.
    reason : str
        Why there is none; empty if there is one.
    """

    frequency_hz: float | None
    until_hz: float | None
    angle_deg: float
    reason: str


@method(
    "first-narrowing",
    version=2,
    title="First range of frequencies in which the beam is narrower than a stated angle",
    formula="Lowest frequency above which the sum of the first angles on both sides is below the stated angle for at "
    "least a stated part of an octave, and the frequency up to which it is",
    source="first crossing of the total beam width from its first angles, linear interpolation over log frequency",
    source_status="common practice, no source",
    limitations="Depends on the stated angle and width of the range.",
)
def first_narrowing(beam: BeamWidth, angle_deg: float = 90.0, octaves: float = 1.0 / 6.0) -> FirstNarrowing:
    """Find the first range of frequencies in which the total beam width is below an angle.

    Parameters
    ----------
    beam : BeamWidth
    angle_deg : float
        Total angle in degrees.
    octaves : float
        Smallest width of the range in octaves.

    Returns
    -------
    FirstNarrowing

    Raises
    ------
    ValueError
        If the angle is not between 0 and 360 degrees or the width is negative.
    """
    if not 0 < angle_deg < 360 or not octaves >= 0:
        raise ValueError(
            f"needs an angle between 0 and 360 degrees and a width that is not negative, not {angle_deg} and {octaves}"
        )
    no_data = (beam.state_positive == NO_DATA) | (beam.state_negative == NO_DATA)
    grid, total = beam.frequency_hz[~no_data], beam.first_total_deg[~no_data]
    if grid.size < 2:
        return FirstNarrowing(None, None, angle_deg, "needs directions on both sides")
    narrow = ~np.isnan(total) & (total < angle_deg)
    edges = np.flatnonzero(np.diff(narrow)).tolist()

    def crossing(row: int) -> float:
        outer, inner = (row, row + 1) if narrow[row + 1] else (row + 1, row)
        if np.isnan(total[outer]):
            return float(grid[inner])
        t = (total[outer] - angle_deg) / (total[outer] - total[inner])
        return float(grid[outer] * (grid[inner] / grid[outer]) ** t)

    starts = [float(grid[0])] * bool(narrow[0]) + [crossing(row) for row in edges if not narrow[row]]
    stops = [crossing(row) for row in edges if narrow[row]] + [float(grid[-1])] * bool(narrow[-1])
    for start, stop in zip(starts, stops, strict=True):
        if np.log2(stop / start) >= octaves:
            return FirstNarrowing(start, stop, angle_deg, "")
    return FirstNarrowing(
        None, None, angle_deg, f"the beam is nowhere narrower than {angle_deg:g}° over {octaves:.2g} octave"
    )


@method(
    "narrowing-frequency",
    version=2,
    title="Frequency above which the beam is always narrower than a stated angle",
    formula="Highest frequency at which the sum of the first angles on both sides crosses the stated angle",
    source="last crossing of the total beam width from its first angles, linear interpolation over log frequency; an "
    "open beam is wider",
    source_status="common practice, no source",
    limitations="Depends on the stated angle.",
)
def narrowing_frequency(beam: BeamWidth, angle_deg: float = 90.0) -> Narrowing:
    """Find the lowest frequency above which the total beam width is always below an angle.

    Parameters
    ----------
    beam : BeamWidth
    angle_deg : float
        Total angle in degrees.

    Returns
    -------
    Narrowing

    Raises
    ------
    ValueError
        If the angle is not between 0 and 360 degrees.
    """
    if not 0 < angle_deg < 360:
        raise ValueError(f"needs an angle between 0 and 360 degrees, not {angle_deg}")
    no_data = (beam.state_positive == NO_DATA) | (beam.state_negative == NO_DATA)
    grid, total = beam.frequency_hz[~no_data], beam.first_total_deg[~no_data]
    if grid.size < 2:
        return Narrowing(None, angle_deg, "needs directions on both sides")
    wide = np.isnan(total) | (total >= angle_deg)
    if wide[-1]:
        return Narrowing(None, angle_deg, f"at {format_hertz(grid[-1])} Hz the beam is {angle_deg:g}° wide or wider")
    if not wide.any():
        return Narrowing(
            None, angle_deg, f"the beam is narrower than {angle_deg:g}° from {format_hertz(grid[0])} Hz on"
        )
    last = int(np.flatnonzero(wide)[-1])
    if np.isnan(total[last]):
        return Narrowing(float(grid[last + 1]), angle_deg, "")
    t = (total[last] - angle_deg) / (total[last] - total[last + 1])
    return Narrowing(float(grid[last] * (grid[last + 1] / grid[last]) ** t), angle_deg, "")
