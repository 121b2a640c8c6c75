"""Listeners' preference estimated by a published regression, term by term, with its limitations."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels, resample
from anechain.acoustics.curve.frequency_limits import frequency_limits
from anechain.acoustics.curve.linearity import LastBand, NarrowBandDeviation, narrow_band_deviation
from anechain.acoustics.curve.segments import mean_over_octaves, segment_in_band
from anechain.acoustics.curve.trends import Trend, fit_trend
from anechain.methods import method

__all__ = [
    "PREFERENCE_LIMITS",
    "LowFrequencyTerms",
    "PreferenceEstimate",
    "low_frequency_terms",
    "preference_estimate",
    "preference_of_terms",
    "smoothness",
]


CONSTANT, NBD_ON_AXIS, NBD_IN_ROOM, LFX, SM_IN_ROOM = 12.69, -2.49, -2.99, -4.31, 2.32
"""Coefficients of the regression. Recalled."""

SMOOTHNESS_BAND = (100.0, 16000.0)
DEVIATION_BAND = (100.0, 12000.0)
LISTENING_WINDOW_BAND = (300.0, 10000.0)
"""Hz; bands of the terms. Recalled."""

BASS_END = 300.0
BASS_DROP = 6.0
"""Hz and dB; upper end of the low-frequency terms, and drop of the sound power at their lower end. Recalled."""

PREFERENCE_LIMITS = (
    "Fitted to the mean ratings of 70 loudspeakers in 19 listening tests (correlation 0.86), all of conventional "
    "design, one at a time, in one room, by the listeners of one laboratory. It knows nothing of distortion, of the "
    "highest level, of direction in the room or of the room itself. Coefficients and definitions are recalled, not "
    "read in the paper. Differences of less than about one point mean nothing; no more than one decimal is shown."
)
"""Limitations to show with every number of this model."""


@dataclass(frozen=True)
class LowFrequencyTerms:
    """Low-frequency extension and quality.

    Attributes
    ----------
    extension_log10_hz : float or None
        LFX: decimal logarithm of the frequency in `minus_six_hz`.
    minus_six_hz : float or None
        Hz; the first frequency below 300 Hz at which the sound power is 6 dB below `listening_window_db`.
    quality_db : float or None
        LFQ: mean over half-octave bands from there to 300 Hz of the absolute difference in dB of the sound power from
        `listening_window_db`.
    listening_window_db : float or None
        Mean of the listening window, in dB over log frequency, from 300 Hz to 10 kHz.
    reason : str
        Why a term is not determined; empty if all are.
    """

    extension_log10_hz: float | None
    minus_six_hz: float | None
    quality_db: float | None
    listening_window_db: float | None
    reason: str


@dataclass(frozen=True)
class PreferenceEstimate:
    """Estimate of preference with all its terms; show it only together with `limits`.

    Attributes
    ----------
    rating : float or None
        Mostly 0 to 10; None if not determined. Show `rating_words`, with one decimal, instead.
    rating_words : str
        The rating with one decimal, or "not determined".
    on_axis_deviation, in_room_deviation : NarrowBandDeviation
        NBD of the on-axis curve and of the estimated in-room response.
    low_frequency : LowFrequencyTerms
        LFX, and LFQ, which is not in the equation.
    smoothness : float or None
        SM: r² of the trend line through the estimated in-room response.
    smoothness_trend : Trend
        That trend line.
    contributions : dict of str to float
        Contribution of each term to the rating, to be added to the constant of 12.69; only terms that are determined.
    last_band : str
        Bands of NBD: 13 bands for "whole", or 14 with the last band "cut".
    limits : str
        :data:`PREFERENCE_LIMITS`.
    reason : str
        Why there is no rating; empty if there is.
    """

    rating: float | None
    rating_words: str
    on_axis_deviation: NarrowBandDeviation
    in_room_deviation: NarrowBandDeviation
    low_frequency: LowFrequencyTerms
    smoothness: float | None
    smoothness_trend: Trend
    contributions: dict[str, float]
    last_band: str
    limits: str
    reason: str


@method(
    "in-room-smoothness",
    version=2,
    title="Smoothness SM: r² of the trend line of a curve from 100 Hz to 16 kHz",
    formula="r squared of the least squares line, dB over log frequency, at points 1/20 octave apart from 100 Hz "
    "to 16 kHz",
    source="Olive 2004, part II, AES convention paper 6190; points 1/20 octave apart",
    source_status="recalled",
    limitations="It increases with the slope of the curve, whatever the ripple; a flat curve has no r².",
)
def smoothness(frequency: ArrayLike, level: ArrayLike) -> Trend:
    """Return the trend line of a curve from 100 Hz to 16 kHz, whose r² is the term SM.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.

    Returns
    -------
    Trend
        Fitted to points 1/20 octave apart.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    low, high = SMOOTHNESS_BAND
    points = low * 2 ** (np.arange(np.floor(20 * np.log2(high / low) + 1e-9) + 1) / 20)
    part = segment_in_band(frequency, level, low, high)
    if part.reason:
        return fit_trend(frequency, level, low, high)
    return fit_trend(points, resample(part.frequency, part.level, points), low, float(points[-1]))


@method(
    "low-frequency-terms",
    version=1,
    title="Low-frequency extension LFX and quality LFQ",
    formula="LFX: decimal logarithm of the first frequency below 300 Hz at which the sound power is 6 dB below the "
    "mean of the listening window from 300 Hz to 10 kHz; LFQ: mean, over half-octave bands from there to 300 "
    "Hz, of the absolute difference from that mean",
    source="Olive 2004, part II, AES convention paper 6190",
    source_status="recalled",
    limitations="LFX depends on a single frequency of the sound power, without the gain of the room. LFQ is not in the "
    "equation.",
)
def low_frequency_terms(
    frequency: ArrayLike, listening_window_level: ArrayLike, sound_power_level: ArrayLike
) -> LowFrequencyTerms:
    """Compute low-frequency extension and quality from the sound power and the listening window.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    listening_window_level, sound_power_level : array_like, shape (n,)
        dB.

    Returns
    -------
    LowFrequencyTerms

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    window = segment_in_band(frequency, listening_window_level, *LISTENING_WINDOW_BAND)
    if window.reason:
        return LowFrequencyTerms(None, None, None, None, f"listening window: {window.reason}")
    mean = mean_over_octaves(window.frequency, window.level)
    grid, power = check_levels(frequency, sound_power_level)
    limits = frequency_limits(grid, power, mean, "mean of the listening window", BASS_END, (BASS_DROP,))
    if limits.reason:
        return LowFrequencyTerms(None, None, None, mean, f"sound power: {limits.reason}")
    limit = limits.lower[0]
    if limit.first_crossing_hz is None:
        return LowFrequencyTerms(None, None, None, mean, f"sound power: {limit.reason}")
    low = limit.first_crossing_hz
    bands = max(int(np.ceil(2 * np.log2(BASS_END / low) - 1e-9)), 1)
    edges = np.minimum(low * 2 ** (np.arange(bands + 1) / 2), BASS_END)
    parts = [segment_in_band(grid, power, a, b) for a, b in pairwise(edges.tolist()) if b > a]
    means = [mean_over_octaves(part.frequency, part.level) for part in parts if not part.reason]
    quality = float(np.mean(np.abs(np.array(means) - mean))) if len(means) == len(parts) and parts else None
    reason = "" if quality is not None else "LFQ: the sound power has gaps below 300 Hz"
    return LowFrequencyTerms(float(np.log10(low)), low, quality, mean, reason)


@method(
    "preference-equation",
    version=1,
    title="Estimated preference from its terms",
    formula="12.69 - 2.49 NBD_ON - 2.99 NBD_PIR - 4.31 LFX + 2.32 SM_PIR",
    source="Olive 2004, part II, AES paper 6190: 12.69 - 2.49 NBD_ON - 2.99 NBD_PIR - 4.31 LFX + 2.32 SM_PIR",
    source_status="recalled",
    limitations=PREFERENCE_LIMITS,
)
def preference_of_terms(nbd_on_axis_db: float, nbd_in_room_db: float, lfx_log10_hz: float, sm_in_room: float) -> float:
    """Return the rating of the regression equation.

    Parameters
    ----------
    nbd_on_axis_db, nbd_in_room_db : float
        Narrow-band deviation in dB of the on-axis curve and of the estimated in-room response.
    lfx_log10_hz : float
        Decimal logarithm of the low-frequency extension in Hz.
    sm_in_room : float
        r² of the trend line of the estimated in-room response.

    Returns
    -------
    float
    """
    return (
        CONSTANT
        + NBD_ON_AXIS * nbd_on_axis_db
        + NBD_IN_ROOM * nbd_in_room_db
        + LFX * lfx_log10_hz
        + SM_IN_ROOM * sm_in_room
    )


@method(
    "preference-estimate",
    version=2,
    title="Estimated preference with all its terms and limitations",
    formula="12.69 - 2.49 NBD_ON - 2.99 NBD_PIR - 4.31 LFX + 2.32 SM_PIR, each term by its own method",
    source="Olive 2004, A Multiple Regression Model for Predicting Loudspeaker Preference Using Objective "
    "Measurements, part II, AES convention paper 6190",
    source_status="recalled",
    limitations=PREFERENCE_LIMITS,
)
def preference_estimate(
    frequency: ArrayLike,
    on_axis_level: ArrayLike,
    listening_window_level: ArrayLike,
    sound_power_level: ArrayLike,
    in_room_level: ArrayLike,
    last_band: LastBand = "cut",
) -> PreferenceEstimate:
    """Compute the terms of the regression from curves, and the rating if all terms are determined.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    on_axis_level, listening_window_level, sound_power_level, in_room_level : array_like, shape (n,)
        dB; `in_room_level` is the estimated in-room response.
    last_band : {"whole", "cut"}
        100 Hz to 12 kHz are 13.8 half-octave bands: 13 whole bands, or 14 with the last band cut.

    Returns
    -------
    PreferenceEstimate
        A flat curve has no r²: smoothness and rating are then not determined.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or an option has another value.
    """
    on_axis = narrow_band_deviation(frequency, on_axis_level, *DEVIATION_BAND, last_band)
    in_room = narrow_band_deviation(frequency, in_room_level, *DEVIATION_BAND, last_band)
    bass = low_frequency_terms(frequency, listening_window_level, sound_power_level)
    trend = smoothness(frequency, in_room_level)
    flat = "the estimated in-room response is flat, so that its r² is undefined"
    terms = {
        "NBD_ON": (on_axis.deviation_db, NBD_ON_AXIS, on_axis.reason),
        "NBD_PIR": (in_room.deviation_db, NBD_IN_ROOM, in_room.reason),
        "LFX": (bass.extension_log10_hz, LFX, bass.reason),
        "SM_PIR": (trend.r_squared, SM_IN_ROOM, trend.reason or flat),
    }
    missing = [f"{name}: {reason}" for name, (value, _, reason) in terms.items() if value is None]
    known = [value for value, _, _ in terms.values() if value is not None]
    rating = None if missing else preference_of_terms(*known)
    return PreferenceEstimate(
        rating=rating,
        rating_words="not determined" if rating is None else f"{rating:.1f}",
        on_axis_deviation=on_axis,
        in_room_deviation=in_room,
        low_frequency=bass,
        smoothness=trend.r_squared,
        smoothness_trend=trend,
        contributions={name: value * factor for name, (value, factor, _) in terms.items() if value is not None},
        last_band=last_band,
        limits=PREFERENCE_LIMITS,
        reason="; ".join(missing),
    )
