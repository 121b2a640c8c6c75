"""Frequency limits of a curve: where it falls by a stated drop below a stated reference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels, resample
from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.segments import CurveSegment, segment_around
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["DROPS_DB", "HALF_POWER", "FrequencyLimit", "FrequencyLimits", "Minus3dB", "frequency_limits"]

Minus3dB = Literal["half power", "3.000 dB"]

HALF_POWER = float(10 * np.log10(2))
"""dB, 3.0103: the drop that halves squared pressure."""

DROPS_DB = (3.0, 6.0, 10.0)
"""dB below the reference; default drops."""


@dataclass(frozen=True)
class FrequencyLimit:
    """Where a curve falls below a level, searched outwards from inside the range.

    Attributes
    ----------
    drop_db : float
        dB below the reference.
    first_crossing_hz : float or None
        Frequency in Hz of the first crossing outwards; None if not determined.
    bracket_hz : tuple of float or None
        The two frequencies of the data, in Hz, between which `first_crossing_hz` was interpolated.
    last_crossing_hz : float or None
        Frequency in Hz of the last crossing, beyond which the curve stays below the level up to the end of the data;
        None if not determined. It differs from `first_crossing_hz` where the curve rises above the level again.
    reason : str
        Why a crossing is None, or why the crossings differ; empty if both are known and equal.
    """

    drop_db: float
    first_crossing_hz: float | None
    bracket_hz: tuple[float, float] | None
    last_crossing_hz: float | None
    reason: str


@dataclass(frozen=True)
class FrequencyLimits:
    """Limits at both ends of the range.

    Attributes
    ----------
    reference_db : float or None
        Reference level in dB; None if not determined.
    reference : str
        Description of that level.
    lower, upper : tuple of FrequencyLimit
        One limit for each drop, in the order of the drops.
    reason : str
        Why there are no limits at all; empty if there are.
    """

    reference_db: float | None
    reference: str
    lower: tuple[FrequencyLimit, ...]
    upper: tuple[FrequencyLimit, ...]
    reason: str


def _crossings(octaves: Floats, excess: Floats) -> tuple[list[tuple[float, int]], list[float]]:
    """Return the crossings of zero along a path, in octaves: downward ones with their interval, and upward ones."""
    down: list[tuple[float, int]] = []
    up: list[float] = []
    for interval in range(excess.size - 1):
        current, following = excess[interval], excess[interval + 1]
        if (current >= 0) == (following >= 0):
            continue
        t = current / (current - following)
        place = float(octaves[interval] + t * (octaves[interval + 1] - octaves[interval]))
        if current >= 0:
            down.append((place, interval))
        else:
            up.append(place)
    return down, up


def _limit(
    run: CurveSegment,
    threshold: float,
    drop: float,
    start_hz: float,
    outwards: int,
    ignored_dip_octaves: float,
    gap: bool,
) -> FrequencyLimit:
    """Search from the start to one end of a curve without gaps.

    `outwards` is -1 for the lower end, 1 for the upper end. `gap` is True if the data continue after a gap there.
    """
    start_level = float(resample(run.frequency, run.level, start_hz)[0])
    if start_level < threshold:
        reason = f"at {format_hertz(start_hz)} Hz, where the search begins, the curve is below the limit already"
        return FrequencyLimit(drop, None, None, None, reason)
    beyond = run.frequency < start_hz if outwards < 0 else run.frequency > start_hz
    frequency = np.concatenate([[start_hz], run.frequency[beyond][::outwards]])
    excess = np.concatenate([[start_level], run.level[beyond][::outwards]]) - threshold
    octaves = np.log2(frequency)
    down, up = _crossings(octaves, excess)
    verb = "have a gap beyond" if gap else "end at"
    end = f"the data {verb} {format_hertz(frequency[-1])} Hz with the curve {abs(excess[-1]):.1f} dB above the limit"
    lasting = [
        (place, interval)
        for number, (place, interval) in enumerate(down)
        if number >= len(up) or abs(up[number] - place) >= ignored_dip_octaves
    ]
    if not lasting:
        return FrequencyLimit(drop, None, None, None, end)
    place, interval = lasting[0]
    low, high = sorted((float(frequency[interval]), float(frequency[interval + 1])))
    nearest = float(2**place)
    if excess[-1] >= 0:
        return FrequencyLimit(drop, nearest, (low, high), None, f"the curve rises again: {end}")
    outermost = float(2 ** down[-1][0])
    reason = "" if outermost == nearest else f"the curve rises again above the limit beyond {format_hertz(nearest)} Hz"
    return FrequencyLimit(drop, nearest, (low, high), outermost, reason)


@method(
    "frequency-limits",
    version=1,
    title="Frequencies at which a curve is 3, 6 and 10 dB below a reference",
    formula="From the start outwards, the first frequency at which the level crosses the reference minus the drop, "
    "interpolated linearly in dB over log frequency; and the last such frequency",
    source="first and outermost crossing of a level below a stated reference, interpolated linearly in dB over "
    "log frequency",
    source_status="common practice, no source",
    limitations="Resolution of the data: the frequencies of the data on either side are stated. Data beyond a gap are "
    "not searched.",
)
def frequency_limits(
    frequency: ArrayLike,
    level: ArrayLike,
    reference_db: float,
    reference: str,
    start_hz: float = 1000.0,
    drops_db: tuple[float, ...] = DROPS_DB,
    minus_3_db: Minus3dB = "half power",
    ignored_dip_octaves: float = 0.0,
) -> FrequencyLimits:
    """Find the frequencies, at both ends of the range, at which a curve falls below a reference.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB. Data beyond a NaN are not searched.
    reference_db : float
        Reference level in dB.
    reference : str
        Description of that level; kept with the result.
    start_hz : float
        Frequency in Hz, inside the range, at which the search begins.
    drops_db : tuple of float
        Drops in dB.
    minus_3_db : {"half power", "3.000 dB"}
        Meaning of a drop of 3: the half-power point, 3.0103 dB, or 3.000 dB. Other drops are used unchanged.
    ignored_dip_octaves : float
        Dips narrower than this, measured at the limit itself, do not end the range.

    Returns
    -------
    FrequencyLimits

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or an option has another value.

    Notes
    -----
    For a Butterworth high-pass of second order the ratio of the -6.000 dB to the -3 dB frequency is 0.7610 with
    3.0103 dB and 0.7601 with 3.000 dB.
    """
    check_levels(frequency, level)
    if minus_3_db not in ("half power", "3.000 dB"):
        raise ValueError(f'minus_3_db is "half power" or "3.000 dB", not {minus_3_db!r}')
    if not all(drop > 0 for drop in drops_db) or not ignored_dip_octaves >= 0:
        raise ValueError("drops must be above zero, and the width of ignored dips must not be negative")
    drops = [HALF_POWER if drop == 3.0 and minus_3_db == "half power" else drop for drop in drops_db]
    if not np.isfinite(reference_db):
        return FrequencyLimits(None, reference, (), (), "the reference level is not determined")
    run = segment_around(frequency, level, start_hz)
    if run.reason:
        return FrequencyLimits(reference_db, reference, (), (), run.reason)
    grid, values = check_levels(frequency, level)
    known = grid[np.isfinite(values)]
    gaps = {-1: bool(known[0] < run.frequency[0]), 1: bool(known[-1] > run.frequency[-1])}
    lower, upper = (
        tuple(_limit(run, reference_db - drop, drop, start_hz, side, ignored_dip_octaves, gaps[side]) for drop in drops)
        for side in (-1, 1)
    )
    return FrequencyLimits(reference_db, reference, lower, upper, "")
