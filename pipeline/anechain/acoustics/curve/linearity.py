"""Flatness of a curve in a band: range, standard deviation, and deviation inside half-octave bands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import resample
from anechain.acoustics.curve.segments import largest_step_octaves, mean_over_octaves, segment_in_band
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "Linearity",
    "NarrowBandDeviation",
    "half_range",
    "linearity",
    "mean_deviation_in_half_octaves",
    "narrow_band_deviation",
    "standard_deviation_over_octaves",
]

LastBand = Literal["whole", "cut"]

POINTS_PER_BAND = 10
"""Points in each half-octave band: 1/20 octave apart."""

MAX_STEP_OCTAVES = 1.0 / 10.0
"""Octaves; largest step between samples for a narrow-band deviation. Common practice, no source."""


@dataclass(frozen=True)
class NarrowBandDeviation:
    """Mean absolute deviation from the means of half-octave bands.

    Attributes
    ----------
    deviation_db : float or None
        dB; None if not determined.
    bands : int
        Number of half-octave bands.
    low_hz, high_hz : float
        From the lower edge of the first band to the upper edge of the last.
    reason : str
        Why it is not determined; empty if it is.
    """

    deviation_db: float | None
    bands: int
    low_hz: float
    high_hz: float
    reason: str


@dataclass(frozen=True)
class Linearity:
    """Flatness of a curve in a band; values are None if not determined.

    Attributes
    ----------
    low_hz, high_hz : float
        The band.
    plus_minus_db : float or None
        Half the difference in dB between the highest and the lowest level.
    mean_db : float or None
        Mean level in dB over log frequency.
    above_mean_db, below_mean_db : float or None
        Highest level minus the mean, and mean minus the lowest level, in dB.
    standard_deviation_db : float or None
        dB about the mean, over log frequency.
    narrow_band : NarrowBandDeviation
        Deviation inside half-octave bands, with its own reason.
    reason : str
        Why the other values are not determined; empty if they are.
    """

    low_hz: float
    high_hz: float
    plus_minus_db: float | None
    mean_db: float | None
    above_mean_db: float | None
    below_mean_db: float | None
    standard_deviation_db: float | None
    narrow_band: NarrowBandDeviation
    reason: str


@method(
    "narrow-band-deviation",
    version=1,
    title="Mean absolute deviation from the means of half-octave bands",
    formula="Mean over half-octave bands of the mean absolute difference between ten levels 1/20 octave apart and "
    "their mean",
    source="Olive 2004, A Multiple Regression Model for Predicting Loudspeaker Preference, part II, AES convention "
    "paper 6190; half-octave bands with ten points 1/20 octave apart",
    source_status="recalled",
    limitations="Shapes wider than half an octave count by their slope only: a tilt of s dB per octave adds 0.125 s.",
)
def narrow_band_deviation(
    frequency: ArrayLike, level: ArrayLike, low_hz: float = 100.0, high_hz: float = 12000.0, last_band: LastBand = "cut"
) -> NarrowBandDeviation:
    """Return the mean over half-octave bands of the mean absolute deviation in dB from the band's mean in dB.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    low_hz, high_hz : float
        The range; the bands begin at its lower end.
    last_band : {"whole", "cut"}
        A last band that extends beyond the range is left out, or cut at the end of the range. From 100 Hz to 12 kHz
        these are 13 bands (to 9051 Hz) or 14.

    Returns
    -------
    NarrowBandDeviation
        Not determined where the data do not cover the bands, have a gap, or are coarser than 1/10 octave.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree, the range is empty or contains no band.
    """
    if last_band not in ("whole", "cut"):
        raise ValueError(f'last_band is "whole" or "cut", not {last_band!r}')
    half_octaves = 2 * np.log2(high_hz / low_hz) if 0 < low_hz < high_hz else 0.0
    bands = int(np.floor(half_octaves + 1e-9) if last_band == "whole" else np.ceil(half_octaves - 1e-9))
    if bands < 1:
        raise ValueError(f"{low_hz} to {high_hz} Hz contains no half-octave band")
    top = float(low_hz * 2 ** (bands / 2)) if last_band == "whole" else high_hz
    part = segment_in_band(frequency, level, low_hz, top)
    reason = part.reason
    if not reason and largest_step_octaves(part.frequency) > MAX_STEP_OCTAVES * (1 + 1e-6):
        step = largest_step_octaves(part.frequency)
        reason = f"the data are up to {step:.2g} octave apart; 1/10 octave or finer is needed"
    if reason:
        return NarrowBandDeviation(None, bands, low_hz, top, reason)
    deviation = float(mean_deviation_in_half_octaves(part.frequency, part.level))
    return NarrowBandDeviation(deviation, bands, low_hz, top, "")


def mean_deviation_in_half_octaves(frequency: Floats, level: Floats) -> Floats:
    """Return the mean over half-octave bands of the mean absolute deviation from the mean of each band.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending; the bands begin at the first one, and the last one ends with the data.
    level : numpy.ndarray, shape (..., n)
        dB.

    Returns
    -------
    numpy.ndarray, shape (...)
        dB, from levels 1/20 octave apart.
    """
    half_octaves = 2 * np.log2(frequency[-1] / frequency[0])
    index = np.arange(int(np.ceil(half_octaves - 1e-9)) * POINTS_PER_BAND)
    index = index[index <= half_octaves * POINTS_PER_BAND + 1e-6]
    points = frequency[0] * 2 ** (index / (2 * POINTS_PER_BAND))
    values = resample(frequency, level, np.minimum(points, frequency[-1]))
    bands = np.split(values, range(POINTS_PER_BAND, points.size, POINTS_PER_BAND), axis=-1)
    deviations = [np.abs(band - band.mean(axis=-1, keepdims=True)).mean(axis=-1) for band in bands]
    return np.asarray(np.mean(deviations, axis=0))


def half_range(level: Floats) -> Floats:
    """Return half the difference between the highest and the lowest level along the last axis, dB."""
    return np.asarray(np.ptp(level, axis=-1) / 2)


def standard_deviation_over_octaves(frequency: Floats, level: Floats) -> Floats:
    """Return the standard deviation over log frequency of levels about their mean.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending.
    level : numpy.ndarray, shape (..., n)
        dB, on straight lines over log frequency between the samples.

    Returns
    -------
    numpy.ndarray, shape (...)
        dB.
    """
    width = np.diff(np.log2(frequency))
    mean = (level[..., :-1] + level[..., 1:]) / 2 @ width / width.sum()
    centred = level - mean[..., np.newaxis]
    left, right = centred[..., :-1], centred[..., 1:]
    # The square of a straight line from a to b has the mean (a² + ab + b²) / 3.
    return np.asarray(np.sqrt((left**2 + left * right + right**2) @ width / 3 / width.sum()))


@method(
    "linearity",
    version=1,
    title="Linearity: ± dB, standard deviation and narrow-band deviation in a band",
    formula="Half the difference of highest and lowest level; root of the mean, over log frequency, of the "
    "squared distance "
    "from the mean level",
    source="extremes at the samples; mean and standard deviation of decibels over log frequency",
    source_status="common practice, no source",
    limitations="± dB depends on the smoothing, which must be stated. A trend counts as a deviation; see the deviation "
    "from the trend line.",
)
def linearity(frequency: ArrayLike, level: ArrayLike, low_hz: float, high_hz: float) -> Linearity:
    """Return the flatness of a curve in a band.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    low_hz, high_hz : float
        The band.

    Returns
    -------
    Linearity

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the band is empty.
    """
    part = segment_in_band(frequency, level, low_hz, high_hz)
    if high_hz / low_hz >= np.sqrt(2):
        narrow = narrow_band_deviation(frequency, level, low_hz, high_hz)
    else:
        narrow = NarrowBandDeviation(None, 0, low_hz, high_hz, "the band is narrower than half an octave")
    if part.reason:
        return Linearity(low_hz, high_hz, None, None, None, None, None, narrow, part.reason)
    mean = mean_over_octaves(part.frequency, part.level)
    centred = part.level - mean
    return Linearity(
        low_hz=low_hz,
        high_hz=high_hz,
        plus_minus_db=float(half_range(part.level)),
        mean_db=mean,
        above_mean_db=float(centred.max()),
        below_mean_db=float(-centred.min()),
        standard_deviation_db=float(standard_deviation_over_octaves(part.frequency, part.level)),
        narrow_band=narrow,
        reason="",
    )
