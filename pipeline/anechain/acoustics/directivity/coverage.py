"""Coverage: mean total beam width in a band."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.segments import mean_over_octaves, segment_in_band
from anechain.acoustics.directivity.beam_width import NO_DATA, NOT_REACHED, BeamWidth
from anechain.methods import method

__all__ = ["Coverage", "mean_coverage", "open_coverage"]

MAX_OPEN_SHARE = 0.5
"""Largest share of the frequencies of a band at which a beam may be open if its coverage is still determined."""


@dataclass(frozen=True)
class Coverage:
    """Mean total coverage of one plane in a band.

    Attributes
    ----------
    mean_deg, narrowest_deg, widest_deg : float or None
        Total angle of both sides in degrees, from the first angles; None if not determined. The mean is over log
        frequency.
    positive_deg, negative_deg : float or None
        Mean half angle of each side in degrees.
    low_hz, high_hz : float
        Band in Hz.
    ambiguous_share : float
        Share of the frequencies of the band at which the outermost angle differs from the first, or is missing.
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


def _open_end(beam: BeamWidth, low_hz: float, high_hz: float) -> str:
    """Return why an end of the band cannot be interpolated because the beam is open beyond it; empty if it can."""
    grid = beam.frequency_hz
    neighbours = {low_hz: np.flatnonzero(grid < low_hz)[-1:], high_hz: np.flatnonzero(grid > high_hz)[:1]}
    for end, rows in neighbours.items():
        for row in rows.tolist():
            if NOT_REACHED in (beam.state_positive[row], beam.state_negative[row]):
                edge = f"at {format_hertz(end)} Hz, an end of the band"
                return f"{edge}, the level does not fall by the drop up to the last angle"
    return ""


@method(
    "mean-coverage",
    version=2,
    title="Mean coverage angle in a band",
    formula="Mean over log frequency of the sum of the first angles on both sides",
    source="mean over log frequency of the total beam width from its first angles",
    source_status="common practice, no source",
    limitations="Only if the beam ends on both sides at every frequency of the band.",
)
def mean_coverage(beam: BeamWidth, low_hz: float, high_hz: float) -> Coverage:
    """Return the mean, narrowest and widest total angle of a beam in a band.

    Parameters
    ----------
    beam : BeamWidth
    low_hz, high_hz : float
        Band in Hz.

    Returns
    -------
    Coverage

    Raises
    ------
    ValueError
        If the band is empty.
    """
    inside = (beam.frequency_hz >= low_hz) & (beam.frequency_hz <= high_hz)
    ambiguous = float(beam.ambiguous[inside].mean()) if inside.any() else 0.0
    total = segment_in_band(beam.frequency_hz, beam.first_total_deg, low_hz, high_hz)
    if total.reason:
        shares = []
        for state in (NOT_REACHED, NO_DATA):
            in_state = ((beam.state_positive == state) | (beam.state_negative == state))[inside]
            if in_state.any():
                shares.append(f"{in_state.mean():.0%} {state}")
        reason = f"of the band's frequencies {', '.join(shares)} on a side" if shares else ""
        reason = reason or _open_end(beam, low_hz, high_hz) or total.reason
        return Coverage(None, None, None, None, None, low_hz, high_hz, ambiguous, reason)
    halves = [
        mean_over_octaves(part.frequency, part.level)
        for part in (
            segment_in_band(beam.frequency_hz, side, low_hz, high_hz)
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
        ambiguous_share=ambiguous,
        reason="",
    )


@method(
    "open-coverage",
    version=2,
    title="Lower limit of the mean coverage angle of a beam that is open at some frequencies of a band",
    formula="Mean over log frequency of the sum of the first angles on both sides; where a side is open (the level "
    "never falls by the drop), its last measured angle",
    source="mean over log frequency; an open beam is at least as wide as the measured angles",
    source_status="common practice, no source",
    limitations="A lower limit. Not determined if a side is open at more than half of the frequencies of the band.",
)
def open_coverage(
    beam: BeamWidth, low_hz: float, high_hz: float, last_positive_deg: float = 180.0, last_negative_deg: float = 180.0
) -> Coverage:
    """Return the coverage of a beam in a band, with open sides counted up to their last measured angle.

    Parameters
    ----------
    beam : BeamWidth
    low_hz, high_hz : float
        Band in Hz.
    last_positive_deg, last_negative_deg : float
        Last measured angle of each side in degrees.

    Returns
    -------
    Coverage
        Not determined if :func:`mean_coverage` is not determined for another reason, or if a side is open at more than
        half of the frequencies.

    Raises
    ------
    ValueError
        If the band is empty.
    """
    inside = (beam.frequency_hz >= low_hz) & (beam.frequency_hz <= high_hz)
    open_sides = beam.state_positive == NOT_REACHED, beam.state_negative == NOT_REACHED
    closed = replace(
        beam,
        first_positive_deg=np.where(open_sides[0], last_positive_deg, beam.first_positive_deg),
        first_negative_deg=np.where(open_sides[1], last_negative_deg, beam.first_negative_deg),
    )
    # Lobes are those of the beam itself: replacing an open side by its last angle adds none.
    ambiguous = float(beam.ambiguous[inside].mean()) if inside.any() else 0.0
    coverage = replace(mean_coverage(closed, low_hz, high_hz), ambiguous_share=ambiguous)
    share = float((open_sides[0] | open_sides[1])[inside].mean()) if inside.any() else 0.0
    if coverage.reason or share <= MAX_OPEN_SHARE:
        return coverage
    reason = f"at {share:.0%} of the band's frequencies the level does not fall by the drop on a side"
    return replace(
        coverage,
        mean_deg=None,
        narrowest_deg=None,
        widest_deg=None,
        positive_deg=None,
        negative_deg=None,
        reason=reason,
    )
