"""How deep and how high: the frequencies at which a curve has fallen by a stated step below a stated reference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels, hertz, resample
from anechain.acoustics.curve.segments import CurveSegment, mean_power_level, part_in_band, run_around
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "DROPS",
    "HALF_POWER",
    "FrequencyLimit",
    "FrequencyLimits",
    "effective_frequency_range",
    "frequency_limits",
    "in_room_extension",
    "loudest_octave",
    "room_gain",
]

ThreeDecibels = Literal["half power", "3.000 dB"]

HALF_POWER = float(10 * np.log10(2))
"""dB, 3.0103: the drop that halves squared pressure."""

DROPS = (3.0, 6.0, 10.0)
"""dB below the reference at which limits are given unless told otherwise."""

NEGLIGIBLE_TROUGH = 1.0 / 9.0
"""Octaves; narrower troughs do not end the effective frequency range (IEC 60268-5, 21.2)."""

IN_ROOM_REFERENCE_BAND = (200.0, 400.0)
"""Hz; octave above the bass that the in-room extension refers to. Common practice, no source."""


@dataclass(frozen=True)
class FrequencyLimit:
    """Where a curve falls below a level, seen from the middle of the range outwards.

    Attributes
    ----------
    drop_db : float
        dB below the reference.
    nearest_hz : float or None
        First crossing met on the way outwards; None if not determined.
    bracket_hz : tuple of float or None
        The two measured frequencies between which `nearest_hz` was read.
    outermost_hz : float or None
        Crossing beyond which the curve stays below up to the end of the data; None if not determined. It differs from
        `nearest_hz` where the curve comes back.
    reason : str
        Why one of them is None, or that they differ; empty if there is one limit and no doubt.
    """

    drop_db: float
    nearest_hz: float | None
    bracket_hz: tuple[float, float] | None
    outermost_hz: float | None
    reason: str


@dataclass(frozen=True)
class FrequencyLimits:
    """Limits at both ends of the range.

    Attributes
    ----------
    reference_db : float or None
        dB, the level that the drops are taken from; None if it is not determined.
    reference : str
        What that level is, in words.
    lower, upper : tuple of FrequencyLimit
        One for each drop, in the order asked for.
    reason : str
        Why there are no limits at all; empty if there are.
    """

    reference_db: float | None
    reference: str
    lower: tuple[FrequencyLimit, ...]
    upper: tuple[FrequencyLimit, ...]
    reason: str


def _crossings(octaves: Floats, excess: Floats) -> tuple[list[tuple[float, int]], list[float]]:
    """Places, along the way, where the excess falls below zero (with the piece it is in) and where it comes back."""
    down: list[tuple[float, int]] = []
    up: list[float] = []
    for piece in range(excess.size - 1):
        here, there = excess[piece], excess[piece + 1]
        if (here >= 0) == (there >= 0):
            continue
        t = here / (here - there)
        place = float(octaves[piece] + t * (octaves[piece + 1] - octaves[piece]))
        if here >= 0:
            down.append((place, piece))
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
    """Follow a curve without gaps from the start to one end; `outwards` is -1 for the lower end, 1 for the upper.

    With `gap` the data go on beyond that end.
    """
    start_level = float(resample(run.frequency, run.level, start_hz)[0])
    if start_level < threshold:
        words = f"at {hertz(start_hz)} Hz, where the search begins, the curve is below the limit already"
        return FrequencyLimit(drop, None, None, None, words)
    beyond = run.frequency < start_hz if outwards < 0 else run.frequency > start_hz
    frequency = np.concatenate([[start_hz], run.frequency[beyond][::outwards]])
    excess = np.concatenate([[start_level], run.level[beyond][::outwards]]) - threshold
    octaves = np.log2(frequency)
    down, up = _crossings(octaves, excess)
    ends = "have a gap beyond" if gap else "end at"
    end = f"the data {ends} {hertz(frequency[-1])} Hz with the curve {abs(excess[-1]):.1f} dB above the limit"
    lasting = [
        (place, piece)
        for number, (place, piece) in enumerate(down)
        if number >= len(up) or abs(up[number] - place) >= ignored_dip_octaves
    ]
    if not lasting:
        return FrequencyLimit(drop, None, None, None, end)
    place, piece = lasting[0]
    low, high = sorted((float(frequency[piece]), float(frequency[piece + 1])))
    nearest = float(2**place)
    if excess[-1] >= 0:
        return FrequencyLimit(drop, nearest, (low, high), None, f"the curve comes back: {end}")
    outermost = float(2 ** down[-1][0])
    words = "" if outermost == nearest else f"the curve comes back above the limit beyond {hertz(nearest)} Hz"
    return FrequencyLimit(drop, nearest, (low, high), outermost, words)


@method(
    "frequency-limits",
    version=1,
    title="Frequencies at which a curve has fallen by 3, 6 and 10 dB",
    formula="From the start outwards, the first frequency at which the level crosses the reference less the drop, "
    "read on a straight line of dB over log frequency; and the last one",
    source="first and outermost crossing of a level below a stated reference, straight lines in dB over log frequency",
    source_status="common practice, no source",
    limitations="As sharp as the data: the two frequencies measured on either side are given. Says nothing beyond a "
    "gap.",
)
def frequency_limits(
    frequency: ArrayLike,
    level: ArrayLike,
    reference_db: float,
    reference: str,
    start_hz: float = 1000.0,
    drops_db: tuple[float, ...] = DROPS,
    three_db: ThreeDecibels = "half power",
    neglect_octaves: float = 0.0,
) -> FrequencyLimits:
    """Search outwards from a frequency, at both ends, for the drops below a reference.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB. What lies beyond a NaN is not looked at.
    reference_db : float
        Level in dB that the drops are taken from.
    reference : str
        What that level is, in words; kept with the result.
    start_hz : float
        Where the search begins, inside the range.
    drops_db : tuple of float
        dB.
    three_db : {"half power", "3.000 dB"}
        Whether a drop of 3 means 3.0103 dB or 3.0000 dB. The others are taken as they stand.
    neglect_octaves : float
        Troughs narrower than this, measured at the limit itself, do not end the range.

    Returns
    -------
    FrequencyLimits

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or an option has no such value.

    Notes
    -----
    With 3.0103 dB the ratio of the -6.000 dB to the -3 dB frequency of a Butterworth high-pass of second order is
    0.7610, with 3.0000 dB 0.7601.
    """
    check_levels(frequency, level)
    if three_db not in ("half power", "3.000 dB"):
        raise ValueError(f'three_db is "half power" or "3.000 dB", not {three_db!r}')
    if not all(drop > 0 for drop in drops_db) or not neglect_octaves >= 0:
        raise ValueError("drops are above zero, and the width of a neglected trough is not negative")
    drops = [HALF_POWER if drop == 3.0 and three_db == "half power" else drop for drop in drops_db]
    if not np.isfinite(reference_db):
        return FrequencyLimits(None, reference, (), (), "the reference level is not determined")
    run = run_around(frequency, level, start_hz)
    if run.reason:
        return FrequencyLimits(reference_db, reference, (), (), run.reason)
    grid, values = check_levels(frequency, level)
    there = grid[np.isfinite(values)]
    gaps = {-1: bool(there[0] < run.frequency[0]), 1: bool(there[-1] > run.frequency[-1])}
    lower, upper = (
        tuple(_limit(run, reference_db - drop, drop, start_hz, side, neglect_octaves, gaps[side]) for drop in drops)
        for side in (-1, 1)
    )
    return FrequencyLimits(reference_db, reference, lower, upper, "")


def loudest_octave(frequency: ArrayLike, level: ArrayLike, octaves: float = 1.0) -> tuple[float, float] | None:
    """Centre in Hz and mean level in dB of the band, an octave unless told, with the highest mean squared pressure."""
    grid, values = check_levels(frequency, level)
    half = 2.0 ** (octaves / 2)
    best: tuple[float, float] | None = None
    for centre in grid.tolist():
        if centre / half < grid[0] or centre * half > grid[-1]:
            continue
        part = part_in_band(grid, values, centre / half, centre * half)
        if not part.reason and (best is None or mean_power_level(part) > best[1] + 1e-9):
            best = centre, mean_power_level(part)
    return best


@method(
    "effective-frequency-range",
    version=1,
    title="Effective frequency range: -10 dB re the loudest octave",
    formula="Frequencies at which the level has fallen 10 dB below 10 lg of the mean squared pressure over the "
    "loudest octave; troughs narrower than 1/9 octave do not count",
    source="IEC 60268-5, 21.2; troughs narrower than 1/9 octave at the -10 dB level are neglected",
    source_status="recalled",
    limitations="Refers to the loudest octave, so a peak narrows the range.",
)
def effective_frequency_range(
    frequency: ArrayLike,
    level: ArrayLike,
    drop_db: float = 10.0,
    octaves: float = 1.0,
    neglect_octaves: float = NEGLIGIBLE_TROUGH,
    three_db: ThreeDecibels = "half power",
) -> FrequencyLimits:
    """Frequencies between which a curve is no more than 10 dB below its mean over the loudest octave.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    drop_db : float
        dB, in place of 10.
    octaves : float
        Width of the loudest band, in place of an octave.
    neglect_octaves : float
        Narrower troughs do not end the range.
    three_db
        As in :func:`frequency_limits`.

    Returns
    -------
    FrequencyLimits
        With one drop.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree, or a drop or a width is not above zero.
    """
    if not octaves > 0:
        raise ValueError(f"the loudest band has a width above zero, not {octaves} octaves")
    band = "octave" if octaves == 1 else f"{octaves:.3g} octaves"
    name = f"mean squared pressure over the loudest {band}"
    loudest = loudest_octave(frequency, level, octaves)
    if loudest is None:
        return FrequencyLimits(None, name, (), (), f"the data hold no whole {band} without a gap")
    centre, reference_db = loudest
    words = f"{name}, around {hertz(centre)} Hz"
    known = np.isfinite(np.asarray(level, dtype=np.float64))
    inner = known[known.argmax() : known.size - known[::-1].argmax()]
    if not inner.all():
        words += ", of those without a gap (a louder one may lie in the gap)"
    return frequency_limits(frequency, level, reference_db, words, centre, (drop_db,), three_db, neglect_octaves)


@method(
    "room-gain",
    version=1,
    title="Gain of a small closed room below its lowest mode",
    formula="10 lg(1 + (f0 / f)^4) with f0 = speed of sound over twice the longest side",
    source="pressure zone of a rigid, tight room: 12 dB per octave below c / (2 l), 10 lg(1 + (f0 / f)^4)",
    source_status="common practice, no source",
    limitations="No real room is rigid and tight: most give less. Says nothing of modes.",
)
def room_gain(frequency: ArrayLike, longest_dimension_m: float, speed_of_sound: float = 343.2) -> Floats:
    """Gain in dB, by frequency, of a rigid and tight room whose longest side is given in metres.

    Raises
    ------
    ValueError
        If the dimension or the speed of sound (m/s) is not above zero.
    """
    if not longest_dimension_m > 0 or not speed_of_sound > 0:
        raise ValueError("the room's longest side and the speed of sound must be above zero")
    lowest_mode = speed_of_sound / (2 * longest_dimension_m)
    return np.asarray(10 * np.log10(1 + (lowest_mode / np.asarray(frequency, dtype=np.float64)) ** 4))


@method(
    "in-room-extension",
    version=1,
    title="Low-frequency extension in the room",
    formula="Frequency below which the curve, with the room's gain where a room is given, has fallen by the drop "
    "below 10 lg of its mean squared pressure in the reference band",
    source="-3, -6 and -10 dB of the estimated in-room response or sound power re its octave from 200 to 400 Hz; "
    "with a room's longest side, after the gain of a rigid, tight room",
    source_status="common practice, no source",
    limitations="Modes, position and the room's leaks decide what is heard there; without a room no gain is assumed.",
)
def in_room_extension(
    frequency: ArrayLike,
    level: ArrayLike,
    longest_dimension_m: float | None = None,
    reference_band: tuple[float, float] = IN_ROOM_REFERENCE_BAND,
    drops_db: tuple[float, ...] = DROPS,
    three_db: ThreeDecibels = "half power",
) -> FrequencyLimits:
    """Lower limits of an in-room curve.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB: estimated in-room response or sound power.
    longest_dimension_m : float, optional
        Longest side of the room in m, for :func:`room_gain`; no gain without it.
    reference_band : tuple of float
        Hz; the mean squared pressure in it is the reference.
    drops_db, three_db
        As in :func:`frequency_limits`.

    Returns
    -------
    FrequencyLimits
        Its `upper` is empty.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or an option has no such value.
    """
    grid, values = check_levels(frequency, level)
    name = f"mean squared pressure from {hertz(reference_band[0])} to {hertz(reference_band[1])} Hz"
    if longest_dimension_m is None:
        name += ", no room gain"
    else:
        values = values + room_gain(grid, longest_dimension_m)
        name += f", with the gain of a rigid, tight room {longest_dimension_m:g} m long"
    part = part_in_band(grid, values, *reference_band)
    if part.reason:
        return FrequencyLimits(None, name, (), (), part.reason)
    start = float(np.sqrt(reference_band[0] * reference_band[1]))
    found = frequency_limits(grid, values, mean_power_level(part), name, start, drops_db, three_db)
    return FrequencyLimits(found.reference_db, name, found.lower, (), found.reason)
