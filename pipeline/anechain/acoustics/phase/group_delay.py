"""Group delay of a phase, its threshold of audibility, and the arrival of octave bands."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.bands import band_edges
from anechain.acoustics.curve.frequencies import check_levels
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["band_arrivals", "group_delay", "group_delay_threshold"]

_THRESHOLD_HZ = np.array([500.0, 1000.0, 2000.0, 4000.0, 8000.0])
_THRESHOLD_S = np.array([3.2e-3, 2.0e-3, 1.0e-3, 1.5e-3, 2.0e-3])


@method(
    "group-delay",
    version=1,
    title="Mean group delay over a fraction of an octave",
    formula="Minus the change of the phase from the lower to the upper end of the band, over 360 times its width in Hz",
    source="-d(phase) / d(angular frequency); its mean over a band is a difference of phases",
    limitations="A resonance narrower than the fraction of an octave appears as its mean over the band.",
)
def group_delay(frequency: ArrayLike, phase: ArrayLike, target: ArrayLike, fraction: float = 6.0) -> Floats:
    """Return the mean group delay over 1/`fraction` octave around each target frequency.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    phase : array_like, shape (n,)
        Degrees, not wrapped; linear over frequency between samples.
    target : array_like, shape (m,)
        Hz.
    fraction : float
        Bands per octave.

    Returns
    -------
    numpy.ndarray, shape (m,)
        Seconds; NaN where the band extends beyond the data.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree, or the fraction is not above zero.
    """
    f, degrees = check_levels(frequency, phase)
    if not fraction > 0:
        raise ValueError(f"the fraction must be above zero, not {fraction}")
    centre = np.asarray(target, np.float64)
    half = 2.0 ** (0.5 / fraction)
    low, high = centre / half, centre * half
    change = np.interp(high, f, degrees) - np.interp(low, f, degrees)
    inside = (low >= f[0] * (1 - 1e-9)) & (high <= f[-1] * (1 + 1e-9))
    return np.asarray(np.where(inside, -change / (360.0 * (high - low)), np.nan))


@method(
    "band-arrivals",
    version=1,
    title="Arrival of the energy in fractional-octave bands",
    formula="Mean of the group delay over the band, weighted by the squared pressure per Hz",
    source="the centre time of the energy of a signal is the mean group delay weighted by its energy spectrum "
    "(Cohen 1995, Time-Frequency Analysis, chapter 1)",
    source_status="recalled",
    limitations="Ideal band edges. A late reflection inside the time window counts with its energy.",
)
def band_arrivals(
    frequency: ArrayLike, level: ArrayLike, phase: ArrayLike, centres: ArrayLike, fraction: int = 1
) -> Floats:
    """Return the centre time of the energy in each band.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    level : array_like, shape (n,)
        dB, the weight.
    phase : array_like, shape (n,)
        Degrees, not wrapped: the whole phase, or the excess phase alone for the arrival beyond minimum phase.
    centres : array_like, shape (m,)
        Mid-band frequencies in Hz, as :func:`anechain.acoustics.curve.bands.band_centres` returns them.
    fraction : int
        Bands per octave.

    Returns
    -------
    numpy.ndarray, shape (m,)
        Seconds; NaN where the band extends beyond the data.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    f, db = check_levels(frequency, level)
    _, degrees = check_levels(frequency, phase)
    power = 10 ** ((db - np.nanmax(db)) / 10)
    lower, upper = band_edges(np.atleast_1d(np.asarray(centres, np.float64)), fraction)
    result = np.full(lower.size, np.nan)
    for row, (low, high) in enumerate(zip(lower, upper, strict=True)):
        if low < f[0] * (1 - 1e-9) or high > f[-1] * (1 + 1e-9):
            continue
        at = np.unique(np.concatenate([[low], f[(f > low) & (f < high)], [high]]))
        weight = np.interp(at, f, power)
        # Energy of each interval times its group delay, which is a difference of phases.
        mean_power = (weight[1:] + weight[:-1]) / 2
        energy = float(mean_power @ np.diff(at))
        result[row] = -float(mean_power @ np.diff(np.interp(at, f, degrees))) / 360.0 / energy
    return result


@method(
    "group-delay-threshold",
    version=1,
    title="Threshold of audibility of group delay",
    formula="3.2, 2, 1, 1.5 and 2 ms at 500 Hz, 1, 2, 4 and 8 kHz; straight lines over log frequency between them",
    source="Blauert and Laws 1978, J. Acoust. Soc. Am. 63, 1478-1483",
    source_status="recalled",
    limitations="Single impulses over headphones and trained listeners: with programme in a room more is needed. Not "
    "known below 500 Hz and above 8 kHz.",
)
def group_delay_threshold(frequency: ArrayLike) -> Floats:
    """Return the group delay, relative to the other frequencies, from which listeners heard it.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Seconds; NaN below 500 Hz and above 8 kHz.
    """
    f = np.asarray(frequency, np.float64)
    threshold = np.interp(np.log(f), np.log(_THRESHOLD_HZ), _THRESHOLD_S)
    return np.asarray(np.where((f >= _THRESHOLD_HZ[0]) & (f <= _THRESHOLD_HZ[-1]), threshold, np.nan))
