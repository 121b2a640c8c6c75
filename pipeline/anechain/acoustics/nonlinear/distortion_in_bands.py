"""Numbers of a distortion curve: maximum and mean in a band, and lowest frequency with distortion below a limit.

Each curve has an upper and a lower bound, which differ where noise hides an order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import resample
from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.segments import mean_over_octaves, segment_around, segment_in_band
from anechain.methods import method

__all__ = ["BandDistortion", "LowestFrequency", "distortion_in_band", "lowest_frequency_below_limit"]


@dataclass(frozen=True)
class BandDistortion:
    """Distortion in a band, per cent; all None if not determined.

    Attributes
    ----------
    low_hz, high_hz : float
        Ends of the band, Hz.
    worst, worst_least : float or None
        Maximum of the upper bound in the band, and maximum of the lower bound.
    worst_hz : float or None
        Frequency of `worst`, Hz.
    mean, mean_least : float or None
        Root mean square over log frequency of the upper bound and of the lower bound.
    reason : str
        Why the distortion is not determined; empty if it is.
    """

    low_hz: float
    high_hz: float
    worst: float | None
    worst_least: float | None
    worst_hz: float | None
    mean: float | None
    mean_least: float | None
    reason: str


@method(
    "distortion-in-band",
    version=1,
    title="Distortion in a band: maximum, and root mean square over log frequency",
    source="the greatest value, and mean square over log frequency, of a sum of orders",
    source_status="common practice, no source",
    limitations="One number for a whole curve; audibility depends on the orders and the programme.",
    formula="Greatest value; root of the mean of p^2 over log frequency",
)
def distortion_in_band(
    frequency: ArrayLike, upper_percent: ArrayLike, lower_percent: ArrayLike, low_hz: float, high_hz: float
) -> BandDistortion:
    """Return maximum and mean distortion in a band.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    upper_percent, lower_percent : array_like, shape (n,)
        Upper and lower bound of the distortion, per cent; NaN where it was not measured.
    low_hz, high_hz : float
        Ends of the band, Hz.

    Returns
    -------
    BandDistortion

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the band is not ascending above zero.
    """
    upper = segment_in_band(frequency, upper_percent, low_hz, high_hz)
    lower = segment_in_band(frequency, lower_percent, low_hz, high_hz)
    if upper.reason or lower.reason:
        return BandDistortion(low_hz, high_hz, None, None, None, None, None, upper.reason or lower.reason)
    worst = int(np.argmax(upper.level))
    mean, mean_least = (float(np.sqrt(mean_over_octaves(part.frequency, part.level**2))) for part in (upper, lower))
    return BandDistortion(
        low_hz,
        high_hz,
        float(upper.level[worst]),
        float(lower.level.max()),
        float(upper.frequency[worst]),
        mean,
        mean_least,
        "",
    )


@dataclass(frozen=True)
class LowestFrequency:
    """Lowest frequency down to which distortion stays below a limit.

    Attributes
    ----------
    limit : float
        Per cent.
    frequency_hz : float or None
        Hz; None if not determined.
    whole : bool
        Whether distortion is below the limit down to the lowest measured frequency, which then is `frequency_hz`.
    bound : bool
        Whether only the upper bound crosses the limit there, so that the distortion may stay below it further down.
    reason : str
        Why the frequency is not determined; empty if it is.
    """

    limit: float
    frequency_hz: float | None
    whole: bool
    bound: bool
    reason: str


@method(
    "lowest-frequency-under",
    version=1,
    title="Lowest frequency down to which distortion stays below a limit",
    source="first crossing below a start, linear in decibels over log frequency",
    source_status="common practice, no source",
    limitations="Distortion above the start frequency is ignored; where noise hides an order, the upper bound counts.",
    formula="First frequency below the start at which the distortion reaches the limit",
)
def lowest_frequency_below_limit(
    frequency: ArrayLike, upper_percent: ArrayLike, lower_percent: ArrayLike, limit: float, start_hz: float
) -> LowestFrequency:
    """Return the first frequency below a start frequency at which distortion reaches a limit.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    upper_percent, lower_percent : array_like, shape (n,)
        Upper and lower bound of the distortion, per cent; NaN where it was not measured.
    limit : float
        Per cent.
    start_hz : float
        Frequency at which the search starts, Hz.

    Returns
    -------
    LowestUnder

    Raises
    ------
    ValueError
        If the limit is not above zero, the frequencies are not ascending above zero or the shapes disagree.
    """
    if not limit > 0:
        raise ValueError(f"the limit must be above zero, not {limit}")
    with np.errstate(divide="ignore"):
        upper = 20 * np.log10(np.asarray(upper_percent, dtype=np.float64) / limit)
    part = segment_around(frequency, upper, start_hz)
    if part.reason:
        return LowestFrequency(limit, None, False, False, part.reason)
    first = float(resample(part.frequency, part.level, start_hz)[0])
    if first >= 0:
        reason = f"the distortion at {format_hertz(start_hz)} Hz is {limit * 10 ** (first / 20):.3g} % already"
        return LowestFrequency(limit, None, False, False, reason)
    below = part.frequency < start_hz
    grid, level = np.append(part.frequency[below], start_hz), np.append(part.level[below], first)
    over = np.flatnonzero(level >= 0)
    if not over.size:
        return LowestFrequency(limit, float(grid[0]), True, False, "")
    last = int(over[-1])
    share = -level[last + 1] / (level[last] - level[last + 1])
    crossing = float(grid[last + 1] * (grid[last] / grid[last + 1]) ** share)
    lower = np.asarray(lower_percent, dtype=np.float64)[np.asarray(frequency) == grid[last]]
    return LowestFrequency(limit, crossing, False, bool(lower.size and lower[0] < limit), "")
