"""Swept sines: synthesis, amplitude, and advance times of their harmonic orders."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["KINDS", "advance_times", "sweep_amplitude", "sweep_rate", "swept_sine"]

KINDS = ("exponential", "synchronised", "linear")


def _check_band(start: float, stop: float, duration: float) -> None:
    if not 0 < start < stop < math.inf:
        raise ValueError(f"a sweep must rise from above 0 Hz to a higher frequency, not from {start} to {stop} Hz")
    if not 0 < duration < math.inf:
        raise ValueError(f"the duration of a sweep must be above zero, not {duration} s")


def sweep_rate(kind: str, start: float, stop: float, duration: float) -> float:
    """Return the time in which the frequency of an exponential sweep grows by the factor e.

    Parameters
    ----------
    kind : str
        "exponential": duration over ln(stop / start) (Farina 2000). "synchronised": the nearest value that is a whole
        number of periods of the start frequency, so that the harmonics start in phase with the sweep (Novak, Lotton
        and Simon 2015, equation 49 as quoted second hand); the sweep then is a little longer or shorter than
        `duration`.
    start, stop : float
        Hz.
    duration : float
        Seconds.

    Returns
    -------
    float
        Seconds.

    Raises
    ------
    ValueError
        If the kind has no such time (a linear sweep), the band is not ascending above zero, or the duration is not
        above zero or is too short for a synchronised sweep.
    """
    _check_band(start, stop, duration)
    rate = duration / math.log(stop / start)
    if kind == "exponential":
        return rate
    if kind == "synchronised":
        periods = round(start * rate)
        if periods < 1:
            raise ValueError(f"{duration} s are too short for a synchronised sweep from {start} Hz to {stop} Hz")
        return periods / start
    raise ValueError(f"a sweep with separate harmonic orders is exponential or synchronised, not {kind!r}")


@method(
    "swept-sine",
    version=1,
    title="Exponential, synchronised and linear sweeps",
    formula="Sine with a frequency that grows exponentially, or linearly, from the lower to the upper frequency",
    source="Farina 2000, AES preprint 5093; Novak, Lotton and Simon 2015, J. Audio Eng. Soc. 63, 786-798; "
    "Mueller and Massarani 2001, J. Audio Eng. Soc. 49, 443-471",
    limitations="Synthesised in the time domain: without fades, the ends of its spectrum ripple.",
)
def swept_sine(
    kind: str,
    start: float,
    stop: float,
    duration: float,
    sampling_rate: float,
    fade_in: float = 0.0,
    fade_out: float = 0.0,
) -> Floats:
    """Synthesise a sweep of amplitude 1.

    Parameters
    ----------
    kind : {"exponential", "synchronised", "linear"}
        Law of the frequency. A synchronised sweep is an exponential sweep with its length adjusted so that its
        harmonics keep their phase; see :func:`sweep_rate`.
    start, stop : float
        Hz.
    duration : float
        Seconds, fades included.
    sampling_rate : float
        Hz; at least twice `stop`.
    fade_in, fade_out : float
        Duration of the squared-sine fades at the start and the end, seconds.

    Returns
    -------
    numpy.ndarray, shape (samples,)
        The sweep starts at phase zero with sample 0; it has round(duration times sampling rate) samples.

    Raises
    ------
    ValueError
        If the kind is not known, the band is not ascending above zero or above half the sampling rate, the duration is
        not above zero, or the fades are longer than the sweep.
    """
    _check_band(start, stop, duration)
    if not stop <= sampling_rate / 2:
        raise ValueError(f"a sweep up to {stop} Hz needs a sampling rate of {2 * stop} Hz, not {sampling_rate} Hz")
    if kind == "linear":
        length = duration
    elif kind in KINDS:
        rate = sweep_rate(kind, start, stop, duration)
        length = rate * math.log(stop / start)
    else:
        raise ValueError(f"a sweep is one of {', '.join(KINDS)}, not {kind!r}")
    time = np.arange(round(length * sampling_rate)) / sampling_rate
    if kind == "linear":
        periods = start * time + (stop - start) / (2 * length) * time**2
    else:
        periods = start * rate * np.expm1(time / rate)
    signal = np.sin(2 * np.pi * periods)
    rising, falling = round(fade_in * sampling_rate), round(fade_out * sampling_rate)
    if min(rising, falling) < 0 or rising + falling > signal.size:
        raise ValueError(f"fades of {fade_in} s and {fade_out} s do not fit into a sweep of {length:g} s")
    signal[:rising] *= np.sin(np.pi / 2 * (np.arange(rising) + 0.5) / max(rising, 1)) ** 2
    signal[signal.size - falling :] *= np.cos(np.pi / 2 * (np.arange(falling) + 0.5) / max(falling, 1)) ** 2
    return np.asarray(signal)


@method(
    "harmonic-advance",
    version=1,
    title="Time by which a harmonic order arrives before the linear response",
    formula="Rate of the sweep times the natural logarithm of the order",
    source="Farina 2000, AES preprint 5093: the rate times ln n",
    limitations="Exponential and synchronised sweeps only; harmonics of a linear sweep are spread over all times.",
)
def advance_times(orders: ArrayLike, rate: float) -> Floats:
    """Return the time by which each harmonic order arrives before the linear response.

    Parameters
    ----------
    orders : array_like of int
        1 is the fundamental, with no advance.
    rate : float
        Seconds, from :func:`sweep_rate`.

    Returns
    -------
    numpy.ndarray
        Seconds, shape of `orders`.

    Raises
    ------
    ValueError
        If an order is below 1 or the rate is not above zero.
    """
    order = np.asarray(orders, dtype=np.float64)
    if (order < 1).any() or not rate > 0:
        raise ValueError("orders must be 1 or more and the rate above zero")
    return np.asarray(rate * np.log(order))


@method(
    "steady-amplitude",
    version=1,
    title="Amplitude of a sweep as recorded",
    formula="sqrt 2 times the root of the median of the mean squares of fifty equal parts",
    source="median of the mean squares of fifty equal parts of the sweep in the record",
    source_status="common practice, no source",
    limitations="Valid for a sweep of constant amplitude only, not for one that is shaped over frequency.",
)
def sweep_amplitude(signal: ArrayLike) -> float:
    """Return the amplitude of a sweep of constant amplitude from its record.

    The record is evaluated between the first and the last sample above half the maximum. The median ignores parts at
    the ends that contain fades or only few periods.

    Parameters
    ----------
    signal : array_like, shape (samples,)
        Sweep, with or without silence on either side.

    Returns
    -------
    float
        Unit of the record.

    Raises
    ------
    ValueError
        If all samples are zero.
    """
    record = np.asarray(signal, dtype=np.float64)
    loud = np.flatnonzero(np.abs(record) > 0.5 * np.abs(record).max(initial=0.0))
    if not loud.size:
        raise ValueError("the record is silent")
    parts = np.array_split(record[loud[0] : loud[-1] + 1], 50)
    return float(np.sqrt(2 * np.median([np.mean(part**2) for part in parts if part.size])))
