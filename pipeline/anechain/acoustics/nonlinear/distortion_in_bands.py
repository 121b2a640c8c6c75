"""Numbers read off a distortion curve: the worst and the mean in a band, and how low it stays under a limit.

The curves are pairs: the greatest and the least that a sum can be, which differ where orders are hidden by noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import hertz, resample
from anechain.acoustics.curve.segments import mean_over_octaves, part_in_band, run_around
from anechain.methods import method

__all__ = ["BandDistortion", "LowestUnder", "distortion_in_band", "lowest_frequency_under"]


@dataclass(frozen=True)
class BandDistortion:
    """Distortion in a band, per cent; all None if not determined.

    Attributes
    ----------
    low_hz, high_hz : float
        The band.
    worst, worst_least : float or None
        The greatest that the distortion is at most anywhere in the band, and the greatest that it is at least.
    worst_hz : float or None
        Where `worst` is.
    mean, mean_least : float or None
        Root of the mean square over log frequency, at most and at least.
    reason : str
        Why it is not determined; empty if it is.
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
    title="Distortion in a band: the worst, and the root of the mean square over log frequency",
    source="the greatest value, and mean square over log frequency, of a sum of orders",
    source_status="common practice, no source",
    limitations="One number for a curve; how audible it is depends on orders and programme.",
    formula="Greatest value; root of the mean of p^2 over log frequency",
)
def distortion_in_band(
    frequency: ArrayLike, percent: ArrayLike, percent_least: ArrayLike, low_hz: float, high_hz: float
) -> BandDistortion:
    """Worst and mean distortion in a band.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    percent, percent_least : array_like, shape (n,)
        The greatest and the least that the distortion can be; NaN where it was not measured.
    low_hz, high_hz : float
        The band.

    Returns
    -------
    BandDistortion

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the band is none.
    """
    upper = part_in_band(frequency, percent, low_hz, high_hz)
    lower = part_in_band(frequency, percent_least, low_hz, high_hz)
    if upper.reason or lower.reason:
        return BandDistortion(low_hz, high_hz, None, None, None, None, None, upper.reason or lower.reason)
    at = int(np.argmax(upper.level))
    mean, mean_least = (float(np.sqrt(mean_over_octaves(part.frequency, part.level**2))) for part in (upper, lower))
    return BandDistortion(
        low_hz,
        high_hz,
        float(upper.level[at]),
        float(lower.level.max()),
        float(upper.frequency[at]),
        mean,
        mean_least,
        "",
    )


@dataclass(frozen=True)
class LowestUnder:
    """Lowest frequency down to which distortion stays under a limit.

    Attributes
    ----------
    limit : float
        Per cent.
    frequency_hz : float or None
        Hz; None if not determined.
    whole : bool
        Whether it is under the limit down to the lowest frequency measured, which then is `frequency_hz`.
    bound : bool
        Whether the crossing is that of an upper limit, so that the distortion may stay under further down.
    reason : str
        Why it is not determined; empty if it is.
    """

    limit: float
    frequency_hz: float | None
    whole: bool
    bound: bool
    reason: str


@method(
    "lowest-frequency-under",
    version=1,
    title="Lowest frequency down to which distortion stays under a limit",
    source="first crossing below a start, linear in decibels over log frequency",
    source_status="common practice, no source",
    limitations="What is above the start is not looked at; what the noise hides counts with all that it may be.",
    formula="First frequency below the start at which the distortion reaches the limit",
)
def lowest_frequency_under(
    frequency: ArrayLike, percent: ArrayLike, percent_least: ArrayLike, limit: float, start_hz: float
) -> LowestUnder:
    """Follow the distortion downwards from a start to where it reaches a limit.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    percent, percent_least : array_like, shape (n,)
        The greatest and the least that the distortion can be; NaN where it was not measured.
    limit : float
        Per cent.
    start_hz : float
        Where to start.

    Returns
    -------
    LowestUnder

    Raises
    ------
    ValueError
        If the limit is not above zero, the frequencies are not ascending above zero or the shapes disagree.
    """
    if not limit > 0:
        raise ValueError(f"a limit is above zero, not {limit}")
    with np.errstate(divide="ignore"):
        upper = 20 * np.log10(np.asarray(percent, dtype=np.float64) / limit)
    part = run_around(frequency, upper, start_hz)
    if part.reason:
        return LowestUnder(limit, None, False, False, part.reason)
    first = float(resample(part.frequency, part.level, start_hz)[0])
    if first >= 0:
        told = f"the distortion at {hertz(start_hz)} Hz is {limit * 10 ** (first / 20):.3g} % already"
        return LowestUnder(limit, None, False, False, told)
    below = part.frequency < start_hz
    grid, level = np.append(part.frequency[below], start_hz), np.append(part.level[below], first)
    over = np.flatnonzero(level >= 0)
    if not over.size:
        return LowestUnder(limit, float(grid[0]), True, False, "")
    at = int(over[-1])
    share = -level[at + 1] / (level[at] - level[at + 1])
    crossing = float(grid[at + 1] * (grid[at] / grid[at + 1]) ** share)
    least = np.asarray(percent_least, dtype=np.float64)[np.asarray(frequency) == grid[at]]
    return LowestUnder(limit, crossing, False, bool(least.size and least[0] < limit), "")
