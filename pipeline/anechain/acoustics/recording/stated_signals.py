"""Whether what was recorded fits what is stated of the signal: the law of the sweep, and the voltages."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.recording.excitation_timing import excitation_delay
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["harmonic_misplacement", "level_by_drive"]


_GRID = 60
"""Frequencies at which a sweep is looked at; the median over them counts."""
_EDGE = 1.3
"""Factor by which the ends of the band are left out, where fades and ripple are."""


@method(
    "harmonic-misplacement",
    version=1,
    title="Time by which harmonic orders arrive elsewhere than the stated law of the sweep says",
    formula="Median over f of delay(n f) - delay(f), less rate times ln n; the order n where its magnitude is greatest",
    source="Farina 2000, AES preprint 5093: order n arrives rate times ln n before the linear response; group delay "
    "of the excitation itself",
    limitations="The signal must be nearly free of noise, such as a loopback or the file that was played.",
)
def harmonic_misplacement(
    signal: ArrayLike, sampling_rate: float, rate: float, highest_order: int, band: tuple[float, float]
) -> float:
    """Hold a sweep, as it was played or recorded electrically, against the rate that is stated of it.

    Harmonics of order n at f sound when the sweep is at f, and stand in the response where the sweep has come to n f.

    Parameters
    ----------
    signal : array_like, shape (samples,)
        Silence on either side may be there.
    sampling_rate : float
        Hz.
    rate : float
        Seconds in which the frequency grows by the factor e, as stated;
        :func:`anechain.acoustics.recording.sweeps.sweep_rate`.
    highest_order : int
        Orders 2 to this one are looked at.
    band : (float, float)
        Hz that the sweep covers.

    Returns
    -------
    float
        Seconds; above zero where the orders arrive earlier than by the stated rate. NaN if the band holds no order.
    """
    worst = math.nan
    for order in range(2, highest_order + 1):
        low, high = band[0] * _EDGE, band[1] / (_EDGE * order)
        if low >= high:
            break
        frequency = np.geomspace(low, high, _GRID)
        later = excitation_delay(signal, sampling_rate, order * frequency)
        apart = float(np.median(later - excitation_delay(signal, sampling_rate, frequency)))
        off = apart - rate * math.log(order)
        if not abs(off) <= abs(worst):
            worst = off
    return worst


@method(
    "level-by-drive",
    version=1,
    title="Level re the stated drive, against the lowest drive",
    formula="Median over frequency of the level less 20 lg of the voltage, less the same at the lowest drive",
    source="level rises as the voltage as long as a device is linear",
    source_status="common practice, no source",
    limitations="Compression looks the same: below zero at high drives. Takes at the lowest drive count by their mean.",
)
def level_by_drive(levels: ArrayLike, volts: ArrayLike) -> Floats:
    """Hold levels at several drives against the voltages that are stated.

    Parameters
    ----------
    levels : array_like, shape (takes, frequencies)
        dB on one axis of levels, of the fundamental; NaN where there is none.
    volts : array_like, shape (takes,)
        Stated voltages.

    Returns
    -------
    numpy.ndarray, shape (takes,)
        dB; 0 where the level changed as the voltage. NaN where a take has no frequency in common with the lowest drive.
    """
    values, stated = np.asarray(levels, dtype=np.float64), np.asarray(volts, dtype=np.float64)
    own = values - 20 * np.log10(stated)[:, np.newaxis]
    off = own - own[stated == stated.min()].mean(axis=0)
    found = np.full(stated.size, np.nan)
    for at, row in enumerate(off):
        if (told := row[np.isfinite(row)]).size:
            found[at] = np.median(told)
    return found
