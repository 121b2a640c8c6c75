"""How loud and how low: the lowest frequency down to which a device stays usable, for each level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.bandwidth import room_gain
from anechain.acoustics.curve.frequencies import band_centres, check_levels
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "DISTORTION_LIMIT",
    "RULES",
    "TAKE_OVER_ASSUMPTIONS",
    "LowestUsable",
    "frequency_at_level",
    "held_level",
    "limit_curve",
    "listening_step",
    "lowest_usable",
    "take_over",
]

Addition = Literal["incoherent", "coherent"]
Rule = Literal["distortion", "compression", "not known", "data end"]

RULES: dict[str, str] = {
    "distortion": "distortion passes its limit below",
    "compression": "compression passes its limit below",
    "not known": "below, distortion or compression is not known",
    "data end": "the data end there: it may reach lower",
}
"""What ends the usable range; without a lowest frequency, what fails at the highest frequency judged already."""

DISTORTION_LIMIT = ((100.0, 10.0), (200.0, 3.0))
"""Hz and per cent of the fundamental: 10 % up to 100 Hz, falling to 3 % from 200 Hz on. Common practice, no source."""

TAKE_OVER_ASSUMPTIONS = (
    "the next third-octave band at or above the lowest usable frequency; the filters halve the pressure of both parts "
    "there, which leaves the device a margin that is not counted; the other part is at least as capable below"
)
"""What the suggestion of a take-over frequency rests on."""


@dataclass(frozen=True)
class LowestUsable:
    """Lowest usable frequency at one drive.

    Attributes
    ----------
    frequency_hz : float or None
        From here to `judged_to_hz` both distortion and compression stay within their limits; None where they do not
        even at `judged_to_hz`, or nothing is known there.
    rule : str
        What ends the range, see `RULES`.
    at_hz : float or None
        The frequency measured at which that was found.
    judged_to_hz : float or None
        Highest frequency that was judged: both were known there.
    """

    frequency_hz: float | None
    rule: Rule
    at_hz: float | None
    judged_to_hz: float | None


def limit_curve(frequency: ArrayLike, points: ArrayLike = DISTORTION_LIMIT) -> Floats:
    """Limit by frequency: straight between points in log value over log frequency, level beyond them.

    Parameters
    ----------
    frequency : array_like
        Hz.
    points : array_like, shape (points, 2)
        Hz, ascending, and per cent.

    Raises
    ------
    ValueError
        If the points are not ascending above zero.
    """
    corners = np.asarray(points, dtype=np.float64)
    if corners.ndim != 2 or corners.shape[1] != 2 or corners.shape[0] == 0 or not (corners > 0).all():
        raise ValueError("the limit is a row of pairs above zero: Hz and per cent")
    if not (np.diff(corners[:, 0]) > 0).all():
        raise ValueError("the frequencies of the limit must ascend")
    at = np.log(np.asarray(frequency, dtype=np.float64))
    return np.asarray(np.exp(np.interp(at, np.log(corners[:, 0]), np.log(corners[:, 1]))))


@method(
    "lowest-usable-frequency",
    version=1,
    title="Lowest frequency from which on distortion and compression stay within stated limits",
    formula="From the top downwards, the first frequency at which a limit is passed",
    source="search downwards from the highest frequency judged to the first that fails; straight lines over log "
    "frequency",
    source_status="common practice, no source",
    limitations="One narrow peak ends the range. What is not known is not taken as good. Limits are conventions: how "
    "much "
    "is heard depends on the programme.",
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
    """Search downwards for the first frequency at which a device is not usable, at one drive.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    distortion_low, distortion_high : array_like, shape (n,)
        Bounds in per cent between which the distortion lies; alike where it is known. NaN where it was not measured.
    limit_percent : array_like, shape (n,)
        As :func:`limit_curve` gives it.
    delta_db : array_like, shape (n,)
        Compression at this drive in dB, NaN where it is not known.
    compression_limit_db : float
        dB, below zero.
    up_to_hz : float, optional
        Nothing above it is judged; everything with data is if absent.

    Returns
    -------
    LowestUsable

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or a limit has no such value.
    """
    grid, low = check_levels(frequency, distortion_low)
    high, limit, delta = (np.asarray(one, dtype=np.float64) for one in (distortion_high, limit_percent, delta_db))
    if not low.shape == high.shape == limit.shape == delta.shape == grid.shape:
        raise ValueError("one value of each for every frequency is asked for")
    if not compression_limit_db < 0 or not (limit > 0).all():
        raise ValueError("the limit of compression is below zero, that of distortion above")
    with np.errstate(divide="ignore"):
        # Above zero is beyond the limit, in units that are straight lines over log frequency in a figure.
        by_distortion, at_best = np.log(high / limit), np.log(low / limit)
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
    at = int(failing[-1])
    if at == top:
        failed: Rule = "compression" if by_compression[at] >= 0 else "distortion" if at_best[at] > 0 else "not known"
        return LowestUsable(None, failed, float(grid[at]), judged_to)
    # How far from the failing sample to the good one above it each of them still fails, and what it is.
    ends: list[tuple[float, Rule]] = []
    if not judged[at]:
        ends.append((1.0, "not known"))
    if by_distortion[at] > 0:
        ends.append((_crossing(by_distortion, at), "distortion" if at_best[at] > 0 else "not known"))
    if by_compression[at] >= 0:
        ends.append((_crossing(by_compression, at), "compression"))
    share, rule = max(ends, key=lambda end: end[0])
    return LowestUsable(float(grid[at] * (grid[at + 1] / grid[at]) ** share), rule, float(grid[at]), judged_to)


def _crossing(excess: Floats, at: int) -> float:
    """Share of the way to the next sample at which an excess has come down to zero; all of it if that is not known."""
    share = excess[at] / (excess[at] - excess[at + 1])
    return float(share) if np.isfinite(share) else 1.0


@method(
    "held-level",
    version=1,
    title="Level that is reached at every frequency of a range",
    formula="Lowest level in the range",
    source="lowest level between the two ends, the ends read between samples",
    source_status="common practice, no source",
    limitations="A narrow notch lowers it: smooth the level first.",
)
def held_level(
    frequency: ArrayLike,
    level: ArrayLike,
    low_hz: float,
    high_hz: float,
    longest_dimension_m: float | None = None,
) -> float | None:
    """Lowest level in a range, in dB; None where the data do not cover it without a gap.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB, smoothed as wanted.
    low_hz, high_hz : float
        The range.
    longest_dimension_m : float, optional
        Longest side of a rigid, tight room, whose gain is added; see
        :func:`anechain.acoustics.curve.bandwidth.room_gain`.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    from anechain.acoustics.curve.segments import part_in_band

    if not low_hz < high_hz:
        return None
    part = part_in_band(frequency, level, low_hz, high_hz)
    if part.reason:
        return None
    gain = 0.0 if longest_dimension_m is None else room_gain(part.frequency, longest_dimension_m)
    return float(np.min(part.level + gain))


@method(
    "listening-level",
    version=1,
    title="Step from 1 m and one device to a listening distance and several",
    formula="-20 lg(distance / 1 m), plus 10 lg n (incoherent) or 20 lg n (coherent) for n devices",
    source="inverse distance law, -20 lg(d / 1 m); n alike devices add 10 lg n (incoherent) or 20 lg n (coherent)",
    source_status="common practice, no source",
    limitations="Direct sound in the far field: the room's reverberant sound comes on top. Several devices add "
    "coherently "
    "only where their paths are alike to a fraction of a wavelength.",
)
def listening_step(distance_m: float, devices: int = 1, addition: Addition = "incoherent") -> float:
    """Step in dB that takes a level of one device at 1 m to a listening distance and to several devices.

    Raises
    ------
    ValueError
        If the distance is not above zero, there is no device, or the addition is of no known kind.
    """
    if not 0 < distance_m < np.inf or devices < 1:
        raise ValueError(f"a distance above zero and one device or more, not {distance_m} m and {devices}")
    if addition not in ("incoherent", "coherent"):
        raise ValueError(f'devices add "incoherent" or "coherent", not {addition!r}')
    per_decade = 10.0 if addition == "incoherent" else 20.0
    return float(per_decade * np.log10(devices) - 20.0 * np.log10(distance_m))


def frequency_at_level(level_db: ArrayLike, lowest_hz: ArrayLike, wanted_db: float) -> float | None:
    """Lowest usable frequency at a wanted level, read between measured levels; None beyond them.

    Parameters
    ----------
    level_db, lowest_hz : array_like, shape (drives,)
        dB, and Hz; by rising drive, NaN where there is none.
    wanted_db : float
        dB.
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
    title="Where another loudspeaker should take over below: a suggestion",
    formula="Next third-octave mid-band frequency at or above the lowest usable frequency",
    source="next mid-band frequency of IEC 61260-1:2014 third-octave bands at or above the lowest usable frequency",
    source_status="common practice, no source",
    limitations="A suggestion: filters, placing and the other loudspeaker decide.",
)
def take_over(lowest_usable_hz: float) -> float:
    """Suggest a take-over frequency in Hz; see `TAKE_OVER_ASSUMPTIONS`.

    Raises
    ------
    ValueError
        If the frequency is not above zero.
    """
    if not 0 < lowest_usable_hz < np.inf:
        raise ValueError(f"a frequency is above zero, not {lowest_usable_hz}")
    near = band_centres(3, lowest_usable_hz, lowest_usable_hz * 2.0)
    return float(near[near >= lowest_usable_hz * (1 - 1e-9)][0])
