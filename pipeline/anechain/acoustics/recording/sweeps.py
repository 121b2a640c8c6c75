"""Swept sines: their synthesis, and how much earlier each harmonic order of one arrives."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["KINDS", "advance_times", "steady_amplitude", "sweep_rate", "swept_sine"]


KINDS = ("exponential", "synchronised", "linear")


def _check_band(start: float, stop: float, duration: float) -> None:
    if not 0 < start < stop < math.inf:
        raise ValueError(f"a sweep rises from above 0 Hz to a higher frequency, not from {start} to {stop} Hz")
    if not 0 < duration < math.inf:
        raise ValueError(f"a sweep lasts longer than nothing, not {duration} s")


def sweep_rate(kind: str, start: float, stop: float, duration: float) -> float:
    """Time in which the frequency of an exponential sweep grows by the factor e.

    Parameters
    ----------
    kind : str
        "exponential": duration over ln(stop / start) (Farina 2000). "synchronised": the nearest value for which a
        whole number of periods of the start frequency fits in, so that the harmonics start in phase with the sweep
        (Novak, Lotton and Simon 2015, equation 49 as quoted second hand); the sweep then lasts a little longer or
        shorter than asked for.
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
        If the kind has no such time (a linear sweep), or band or duration cannot be.
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
    raise ValueError(f"a sweep whose orders arrive apart is exponential or synchronised, not {kind!r}")


@method(
    "swept-sine",
    version=1,
    title="Exponential, synchronised and linear sweeps",
    formula="Sine of a phase whose rate grows exponentially, or evenly, from the lower to the upper frequency",
    source="Farina 2000, AES preprint 5093; Novak, Lotton and Simon 2015, J. Audio Eng. Soc. 63, 786-798; "
    "Mueller and Massarani 2001, J. Audio Eng. Soc. 49, 443-471",
    limitations="Synthesised in the time domain: the ends of its spectrum ripple, unless it is faded in and out.",
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
        Law of its frequency. The synchronised one is an exponential one whose length is so adjusted that its harmonics
        keep their phase; see :func:`sweep_rate`.
    start, stop : float
        Hz.
    duration : float
        Seconds, fades included.
    sampling_rate : float
        Hz; more than twice `stop`, or just that.
    fade_in, fade_out : float
        Seconds of the squared-sine fades at either end.

    Returns
    -------
    numpy.ndarray, shape (samples,)
        The sweep starts at phase zero with sample 0; it has round(duration times sampling rate) samples.

    Raises
    ------
    ValueError
        If the kind is unknown, the band cannot be, or the fades are longer than the sweep.
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
        turns = start * time + (stop - start) / (2 * length) * time**2
    else:
        turns = start * rate * np.expm1(time / rate)
    signal = np.sin(2 * np.pi * turns)
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
    limitations="Exponential and synchronised sweeps only; a linear sweep smears its harmonics over all times.",
)
def advance_times(orders: ArrayLike, rate: float) -> Floats:
    """Time in seconds by which each harmonic order arrives before the linear response.

    Parameters
    ----------
    orders : array_like of int
        1 is the fundamental, with no advance.
    rate : float
        Seconds, from :func:`sweep_rate`.

    Raises
    ------
    ValueError
        If an order is below 1 or the rate not above zero.
    """
    order = np.asarray(orders, dtype=np.float64)
    if (order < 1).any() or not rate > 0:
        raise ValueError("orders are 1 or more and the rate is above zero")
    return np.asarray(rate * np.log(order))


@method(
    "steady-amplitude",
    version=1,
    title="Amplitude of a sweep as recorded",
    formula="sqrt 2 times the root of the median of the mean squares of fifty equal parts",
    source="median of the mean squares of fifty equal parts of the sounding stretch",
    source_status="common practice, no source",
    limitations="Takes the sweep as one of constant amplitude; a sweep that is shaped over frequency has no one "
    "amplitude.",
)
def steady_amplitude(signal: ArrayLike) -> float:
    """Amplitude of the sine that a sweep of constant amplitude is, from its record.

    The sounding stretch lies between the first and the last sample above half the maximum. Parts at its ends, with
    fades or only few periods, do not weigh on a median.

    Parameters
    ----------
    signal : array_like, shape (samples,)
        Silence on either side may be there.

    Raises
    ------
    ValueError
        If there is no sample above zero.
    """
    record = np.asarray(signal, dtype=np.float64)
    loud = np.flatnonzero(np.abs(record) > 0.5 * np.abs(record).max(initial=0.0))
    if not loud.size:
        raise ValueError("the record is silent")
    parts = np.array_split(record[loud[0] : loud[-1] + 1], 50)
    return float(np.sqrt(2 * np.median([np.mean(part**2) for part in parts if part.size])))
