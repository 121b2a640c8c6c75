"""Checks of recordings against the stated signal: sweep parameters and drive voltages."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.recording.excitation_timing import excitation_delay
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["harmonic_time_error", "level_error_by_drive"]

_FREQUENCIES = 60
"""Number of frequencies over which the median is taken."""
_EDGE = 1.3
"""Factor by which each end of the band is excluded because of fades and ripple."""


@method(
    "harmonic-misplacement",
    version=1,
    title="Difference between the arrival of harmonic orders and the arrival that the stated sweep implies",
    formula="Median over f of delay(n f) - delay(f), minus rate times ln n, of the order n with the greatest magnitude",
    source="Farina 2000, AES preprint 5093: order n arrives rate times ln n before the linear response; group delay "
    "of the excitation itself",
    limitations="The signal must be nearly free of noise, such as a loopback or the file that was played.",
)
def harmonic_time_error(
    signal: ArrayLike, sampling_rate: float, rate: float, highest_order: int, band: tuple[float, float]
) -> float:
    """Return the time error of harmonic orders for a sweep, as played or recorded electrically, and its stated rate.

    A harmonic of order n with the frequency n f is produced when the sweep is at f. In the impulse response it is at
    the time difference between n f and f in the sweep.

    Parameters
    ----------
    signal : array_like, shape (samples,)
        Sweep, with or without silence on either side.
    sampling_rate : float
        Hz.
    rate : float
        Stated time in seconds in which the frequency grows by the factor e;
        :func:`anechain.acoustics.recording.sweeps.sweep_rate`.
    highest_order : int
        Orders from 2 to this one are checked.
    band : (float, float)
        Band of the sweep, Hz.

    Returns
    -------
    float
        Seconds; positive if the orders arrive earlier than by the stated rate. NaN if the band is too narrow for any
        order.
    """
    worst = math.nan
    for order in range(2, highest_order + 1):
        low, high = band[0] * _EDGE, band[1] / (_EDGE * order)
        if low >= high:
            break
        frequency = np.geomspace(low, high, _FREQUENCIES)
        later = excitation_delay(signal, sampling_rate, order * frequency)
        advance = float(np.median(later - excitation_delay(signal, sampling_rate, frequency)))
        error = advance - rate * math.log(order)
        if not abs(error) <= abs(worst):
            worst = error
    return worst


@method(
    "level-by-drive",
    version=1,
    title="Level re the stated drive, compared with the lowest drive",
    formula="Median over frequency of the level minus 20 lg of the voltage, minus the same at the lowest drive",
    source="the level of a linear device rises as the voltage",
    source_status="common practice, no source",
    limitations="Compression also gives values below zero at high drives. Takes at the lowest drive are averaged.",
)
def level_error_by_drive(levels: ArrayLike, volts: ArrayLike) -> Floats:
    """Return the error of the level at each stated voltage, relative to the lowest drive.

    Parameters
    ----------
    levels : array_like, shape (takes, frequencies)
        Levels of the fundamental in dB with a common reference; NaN where there is none.
    volts : array_like, shape (takes,)
        Stated voltages, V.

    Returns
    -------
    numpy.ndarray, shape (takes,)
        dB; 0 where the level changed as the voltage. NaN where a take has no frequency in common with the lowest drive.
    """
    values, stated = np.asarray(levels, dtype=np.float64), np.asarray(volts, dtype=np.float64)
    relative = values - 20 * np.log10(stated)[:, np.newaxis]
    difference = relative - relative[stated == stated.min()].mean(axis=0)
    errors = np.full(stated.size, np.nan)
    for take, row in enumerate(difference):
        if (known := row[np.isfinite(row)]).size:
            errors[take] = np.median(known)
    return errors
