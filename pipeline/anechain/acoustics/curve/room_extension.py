"""Low-frequency extension in a room, with the gain of the room."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels
from anechain.acoustics.curve.frequency_limits import DROPS_DB, FrequencyLimits, Minus3dB, frequency_limits
from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.segments import mean_power_level, segment_in_band
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["in_room_extension", "room_gain"]

IN_ROOM_REFERENCE_BAND = (200.0, 400.0)
"""Hz; octave above the bass that the in-room extension refers to. Common practice, no source."""


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
    """Return the gain of a rigid and tight room.

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
    formula="Frequency below which the curve, plus the gain of the room if it is known, is lower by the drop "
    "than 10 lg of its mean squared pressure in the reference band",
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
    """Return the lower limits of an in-room curve.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB: estimated in-room response or sound power.
    longest_dimension_m : float, optional
        Longest side of the room in m, for :func:`room_gain`; no gain without it.
    reference_band : tuple of float
        Hz; the mean squared pressure in it is the reference.
    drops_db, minus_3_db
        As in :func:`anechain.acoustics.curve.frequency_limits.frequency_limits`.

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
