"""Frequency limits of a curve: where it falls by a stated drop below a stated reference."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels, format_hertz, resample
from anechain.acoustics.curve.segments import CurveSegment, mean_power_level, segment_around, segment_in_band
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "DROPS_DB",
    "HALF_POWER",
    "FrequencyLimit",
    "FrequencyLimits",
    "effective_frequency_range",
    "frequency_limits",
    "in_room_extension",
    "loudest_octave",
    "room_gain",
]

Minus3dB = Literal["half power", "3.000 dB"]

HALF_POWER = float(10 * np.log10(2))
"""dB, 3.0103: the drop that halves squared pressure."""

DROPS_DB = (3.0, 6.0, 10.0)
"""dB below the reference; default drops."""

IGNORED_DIP_OCTAVES = 1.0 / 9.0
"""Octaves; narrower dips do not end the effective frequency range (IEC 60268-5, 21.2)."""

IN_ROOM_REFERENCE_BAND = (200.0, 400.0)
"""Hz; octave above the bass that the in-room extension refers to. Common practice, no source."""


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
        Why one of them is None, or why they differ; empty if both are known and equal.
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
        One for each drop, in the given order.
    reason : str
        Why there are no limits at all; empty if there are.
    """

    reference_db: float | None
    reference: str
    lower: tuple[FrequencyLimit, ...]
    upper: tuple[FrequencyLimit, ...]
    reason: str


def _crossings(octaves: Floats, excess: Floats) -> tuple[list[tuple[float, int]], list[float]]:
    """Crossings of zero along a path: downward ones with their interval, and upward ones; in octaves."""
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

    `outwards` is -1 for the lower end, 1 for the upper end. `gap` is whether the data continue after a gap beyond it.
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
        return FrequencyLimit(drop, nearest, (low, high), None, f"the curve comes back: {end}")
    outermost = float(2 ** down[-1][0])
    reason = "" if outermost == nearest else f"the curve comes back above the limit beyond {format_hertz(nearest)} Hz"
    return FrequencyLimit(drop, nearest, (low, high), outermost, reason)


@method(
    "frequency-limits",
    version=1,
    title="Frequencies at which a curve has fallen by 3, 6 and 10 dB",
    formula="From the start outwards, the first frequency at which the level crosses the reference minus the drop, "
    "interpolated linearly in dB over log frequency; and the last one",
    source="first and outermost crossing of a level below a stated reference, interpolated linearly in dB over "
    "log frequency",
    source_status="common practice, no source",
    limitations="Resolution of the data: the frequencies of the data on either side are given. Data beyond a gap are "
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
    """Find the frequencies, at both ends of the range, at which a curve has fallen below a reference.

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


def loudest_octave(frequency: ArrayLike, level: ArrayLike, octaves: float = 1.0) -> tuple[float, float] | None:
    """Find the band with the highest mean squared pressure.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    octaves : float
        Width of the band.

    Returns
    -------
    centre_hz, level_db : float
        Centre frequency in Hz, and level in dB of the mean squared pressure; None if no band is inside the data without
        a gap.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    grid, values = check_levels(frequency, level)
    half = 2.0 ** (octaves / 2)
    best: tuple[float, float] | None = None
    for centre in grid.tolist():
        if centre / half < grid[0] or centre * half > grid[-1]:
            continue
        part = segment_in_band(grid, values, centre / half, centre * half)
        if not part.reason and (best is None or mean_power_level(part) > best[1] + 1e-9):
            best = centre, mean_power_level(part)
    return best


@method(
    "effective-frequency-range",
    version=1,
    title="Effective frequency range: -10 dB re the loudest octave",
    formula="Frequencies at which the level has fallen 10 dB below 10 lg of the mean squared pressure over the "
    "loudest octave; dips narrower than 1/9 octave are ignored",
    source="IEC 60268-5, 21.2; dips narrower than 1/9 octave at the -10 dB level are ignored",
    source_status="recalled",
    limitations="The reference is the loudest octave, so that a peak narrows the range.",
)
def effective_frequency_range(
    frequency: ArrayLike,
    level: ArrayLike,
    drop_db: float = 10.0,
    octaves: float = 1.0,
    ignored_dip_octaves: float = IGNORED_DIP_OCTAVES,
    minus_3_db: Minus3dB = "half power",
) -> FrequencyLimits:
    """Frequencies between which a curve is no more than 10 dB below its mean over the loudest octave.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    drop_db : float
        Drop in dB; 10 in the standard.
    octaves : float
        Width in octaves of the loudest band; 1 in the standard.
    ignored_dip_octaves : float
        Narrower dips, in octaves, do not end the range.
    minus_3_db
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
        raise ValueError(f"the width of the loudest band must be above zero, not {octaves} octaves")
    band = "octave" if octaves == 1 else f"{octaves:.3g} octaves"
    name = f"mean squared pressure over the loudest {band}"
    loudest = loudest_octave(frequency, level, octaves)
    if loudest is None:
        return FrequencyLimits(None, name, (), (), f"the data contain no whole {band} without a gap")
    centre, reference_db = loudest
    reference = f"{name}, around {format_hertz(centre)} Hz"
    known = np.isfinite(np.asarray(level, dtype=np.float64))
    inner = known[known.argmax() : known.size - known[::-1].argmax()]
    if not inner.all():
        reference += ", of those without a gap (a louder one may be in the gap)"
    return frequency_limits(
        frequency, level, reference_db, reference, centre, (drop_db,), minus_3_db, ignored_dip_octaves
    )


@method(
    "room-gain",
    version=1,
    title="Gain of a small closed room below its lowest mode",
    formula="10 lg(1 + (f0 / f)^4) with f0 = speed of sound divided by twice the longest side",
    source="pressure zone of a rigid, tight room: 12 dB per octave below c / (2 l), 10 lg(1 + (f0 / f)^4)",
    source_status="common practice, no source",
    limitations="Real rooms are neither rigid nor tight: most have less gain. Modes are not considered.",
)
def room_gain(frequency: ArrayLike, longest_dimension_m: float, speed_of_sound: float = 343.2) -> Floats:
    """Gain of a rigid and tight room.

    Parameters
    ----------
    frequency : array_like
        Hz.
    longest_dimension_m : float
        Longest side of the room in m.
    speed_of_sound : float
        m/s.

    Returns
    -------
    numpy.ndarray
        dB, shape of `frequency`.

    Raises
    ------
    ValueError
        If the dimension or the speed of sound is not above zero.
    """
    if not longest_dimension_m > 0 or not speed_of_sound > 0:
        raise ValueError("the room's longest side and the speed of sound must be above zero")
    lowest_mode = speed_of_sound / (2 * longest_dimension_m)
    return np.asarray(10 * np.log10(1 + (lowest_mode / np.asarray(frequency, dtype=np.float64)) ** 4))


@method(
    "in-room-extension",
    version=1,
    title="Low-frequency extension in the room",
    formula="Frequency below which the curve, plus the gain of the room if there is one, has fallen by the drop "
    "below 10 lg of its mean squared pressure in the reference band",
    source="-3, -6 and -10 dB of the estimated in-room response or sound power re its octave from 200 to 400 Hz; "
    "with a room's longest side, after the gain of a rigid, tight room",
    source_status="common practice, no source",
    limitations="Modes, position and leaks of the room are not considered; without a room no gain is assumed.",
)
def in_room_extension(
    frequency: ArrayLike,
    level: ArrayLike,
    longest_dimension_m: float | None = None,
    reference_band: tuple[float, float] = IN_ROOM_REFERENCE_BAND,
    drops_db: tuple[float, ...] = DROPS_DB,
    minus_3_db: Minus3dB = "half power",
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
    drops_db, minus_3_db
        As in :func:`frequency_limits`.

    Returns
    -------
    FrequencyLimits
        Its `upper` is empty.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or an option has another value.
    """
    grid, values = check_levels(frequency, level)
    name = f"mean squared pressure from {format_hertz(reference_band[0])} to {format_hertz(reference_band[1])} Hz"
    if longest_dimension_m is None:
        name += ", no room gain"
    else:
        values = values + room_gain(grid, longest_dimension_m)
        name += f", with the gain of a rigid, tight room {longest_dimension_m:g} m long"
    part = segment_in_band(grid, values, *reference_band)
    if part.reason:
        return FrequencyLimits(None, name, (), (), part.reason)
    start = float(np.sqrt(reference_band[0] * reference_band[1]))
    limits = frequency_limits(grid, values, mean_power_level(part), name, start, drops_db, minus_3_db)
    return FrequencyLimits(limits.reference_db, name, limits.lower, (), limits.reason)
