"""Usable limits of a device: lowest usable frequency at each drive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.bands import band_centres
from anechain.acoustics.curve.frequencies import check_levels
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "DISTORTION_LIMIT",
    "RULES",
    "TAKE_OVER_ASSUMPTIONS",
    "LowestUsable",
    "distortion_limit_curve",
    "frequency_at_level",
    "lowest_usable",
    "take_over",
]

Rule = Literal["distortion", "compression", "not known", "data end"]

RULES: dict[str, str] = {
    "distortion": "distortion exceeds its limit below",
    "compression": "compression exceeds its limit below",
    "not known": "below, distortion or compression is not known",
    "data end": "the data end there: the range may extend lower",
}
"""What ends the usable range. If there is no usable range: what fails at the highest frequency with data."""

DISTORTION_LIMIT = ((100.0, 10.0), (200.0, 3.0))
"""Hz and per cent of the fundamental: 10 % up to 100 Hz, 3 % from 200 Hz. Common practice, no source."""

TAKE_OVER_ASSUMPTIONS = (
    "the next third-octave band at or above the lowest usable frequency; the filters halve the pressure of both "
    "loudspeakers there, which gives the device a margin that is not counted; the other loudspeaker is at least as "
    "capable below"
)
"""Assumptions behind the suggestion of a take-over frequency."""


@dataclass(frozen=True)
class LowestUsable:
    """Lowest usable frequency at one drive.

    Attributes
    ----------
    frequency_hz : float or None
        From here to `judged_to_hz` distortion and compression are within their limits; None if they exceed a limit at
        `judged_to_hz`, or are not known.
    rule : str
        What ends the range, see `RULES`.
    at_hz : float or None
        Measured frequency at which the range ends.
    judged_to_hz : float or None
        Highest frequency at which both distortion and compression are known.
    """

    frequency_hz: float | None
    rule: Rule
    at_hz: float | None
    judged_to_hz: float | None


def distortion_limit_curve(frequency: ArrayLike, points: ArrayLike = DISTORTION_LIMIT) -> Floats:
    """Return a limit by frequency, interpolated on log-log axes between points and constant outside.

    Parameters
    ----------
    frequency : array_like
        Hz.
    points : array_like, shape (points, 2)
        Hz, ascending, and per cent.

    Returns
    -------
    numpy.ndarray
        Per cent at each frequency.

    Raises
    ------
    ValueError
        If the points are not ascending above zero.
    """
    corners = np.asarray(points, dtype=np.float64)
    if corners.ndim != 2 or corners.shape[1] != 2 or corners.shape[0] == 0 or not (corners > 0).all():
        raise ValueError("the limit must be pairs of Hz and per cent, all above zero")
    if not (np.diff(corners[:, 0]) > 0).all():
        raise ValueError("the frequencies of the limit must ascend")
    log_frequency = np.log(np.asarray(frequency, dtype=np.float64))
    return np.asarray(np.exp(np.interp(log_frequency, np.log(corners[:, 0]), np.log(corners[:, 1]))))


@method(
    "lowest-usable-frequency",
    version=1,
    title="Lowest frequency above which distortion and compression are within stated limits",
    formula="From the highest frequency downwards, the first frequency at which a limit is exceeded",
    source="search downwards from the highest frequency with data to the first that fails; straight lines over log "
    "frequency",
    source_status="common practice, no source",
    limitations="One narrow peak ends the range. Unknown values do not count as within the limit. Limits are "
    "conventions: audibility depends on the programme.",
)
def lowest_usable(
    frequency: ArrayLike,
    distortion_low: ArrayLike,
    distortion_high: ArrayLike,
    limit_percent: ArrayLike,
    delta_db: ArrayLike,
    compression_limit_db: float = -1.0,
    up_to_hz: float | None = None,
) -> LowestUsable:
    """Return the lowest frequency down to which a device is usable at one drive.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    distortion_low, distortion_high : array_like, shape (n,)
        Lower and upper bound of the distortion in per cent; equal where it is known, NaN where it was not measured.
    limit_percent : array_like, shape (n,)
        Limit of the distortion, from :func:`distortion_limit_curve`.
    delta_db : array_like, shape (n,)
        Compression at this drive in dB, NaN where it is not known.
    compression_limit_db : float
        dB, below zero.
    up_to_hz : float, optional
        Frequencies above are ignored; by default all frequencies with data count.

    Returns
    -------
    LowestUsable

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree, the limit of compression is not below zero
        or that of distortion is not above zero.
    """
    grid, low = check_levels(frequency, distortion_low)
    high, limit, delta = (np.asarray(value, dtype=np.float64) for value in (distortion_high, limit_percent, delta_db))
    if not low.shape == high.shape == limit.shape == delta.shape == grid.shape:
        raise ValueError("distortion, limit and compression need one value for each frequency")
    if not compression_limit_db < 0 or not (limit > 0).all():
        raise ValueError("the limit of compression must be below zero, that of distortion above zero")
    with np.errstate(divide="ignore"):
        # Excess over the limit, interpolated over log frequency as straight lines on log axes.
        by_distortion, by_lower_bound = np.log(high / limit), np.log(low / limit)
    by_compression = compression_limit_db - delta
    judged = np.isfinite(delta) & ~np.isnan(high)
    if up_to_hz is not None:
        judged &= grid <= up_to_hz
    rows = np.flatnonzero(judged)
    if rows.size == 0:
        return LowestUsable(None, "not known", None, None)
    top = int(rows[-1])
    passes = judged & (by_distortion <= 0) & (by_compression < 0)
    failing = np.flatnonzero(~passes[: top + 1])
    judged_to = float(grid[top])
    if failing.size == 0:
        return LowestUsable(float(grid[0]), "data end", float(grid[0]), judged_to)
    last = int(failing[-1])
    distortion_rule: Rule = "distortion" if by_lower_bound[last] > 0 else "not known"
    if last == top:
        rule: Rule = "compression" if by_compression[last] >= 0 else distortion_rule
        return LowestUsable(None, rule, float(grid[last]), judged_to)
    # Position between the failing sample (0) and the next one (1) at which each criterion is met again.
    ends: list[tuple[float, Rule]] = []
    if not judged[last]:
        ends.append((1.0, "not known"))
    if by_distortion[last] > 0:
        ends.append((_crossing(by_distortion, last), distortion_rule))
    if by_compression[last] >= 0:
        ends.append((_crossing(by_compression, last), "compression"))
    share, rule = max(ends, key=lambda end: end[0])
    return LowestUsable(float(grid[last] * (grid[last + 1] / grid[last]) ** share), rule, float(grid[last]), judged_to)


def _crossing(excess: Floats, sample: int) -> float:
    """Return the position between a sample (0) and the next one (1) where an excess is zero; 1 if it is not known."""
    share = excess[sample] / (excess[sample] - excess[sample + 1])
    return float(share) if np.isfinite(share) else 1.0


def frequency_at_level(level_db: ArrayLike, lowest_hz: ArrayLike, wanted_db: float) -> float | None:
    """Return the lowest usable frequency at a level, interpolated between measured levels.

    Parameters
    ----------
    level_db, lowest_hz : array_like, shape (drives,)
        Level in dB and lowest usable frequency in Hz, by rising drive; NaN where there is none.
    wanted_db : float
        Level, dB.

    Returns
    -------
    float or None
        Hz; None outside the measured levels.
    """
    levels, lowest = np.asarray(level_db, dtype=np.float64), np.asarray(lowest_hz, dtype=np.float64)
    for row in range(levels.size - 1):
        below, above = levels[row], levels[row + 1]
        if below <= wanted_db <= above and np.isfinite(lowest[row : row + 2]).all():
            t = (wanted_db - below) / (above - below) if above > below else 0.0
            return float(lowest[row] * (lowest[row + 1] / lowest[row]) ** t)
    return None


@method(
    "take-over-frequency",
    version=1,
    title="Suggested frequency below which another loudspeaker takes over",
    formula="Next third-octave mid-band frequency at or above the lowest usable frequency",
    source="next mid-band frequency of IEC 61260-1:2014 third-octave bands at or above the lowest usable frequency",
    source_status="common practice, no source",
    limitations="A suggestion only: filters, placement and the other loudspeaker decide.",
)
def take_over(lowest_usable_hz: float) -> float:
    """Return a suggested take-over frequency; see `TAKE_OVER_ASSUMPTIONS`.

    Parameters
    ----------
    lowest_usable_hz : float
        Lowest usable frequency, Hz.

    Returns
    -------
    float
        Hz.

    Raises
    ------
    ValueError
        If the frequency is not above zero.
    """
    if not 0 < lowest_usable_hz < np.inf:
        raise ValueError(f"the frequency must be above zero, not {lowest_usable_hz}")
    centres = band_centres(3, lowest_usable_hz, lowest_usable_hz * 2.0)
    return float(centres[centres >= lowest_usable_hz * (1 - 1e-9)][0])
