"""Band in which each harmonic order of a sweep can be measured, from orders that are known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.recording.arrival_time import arrival_time
from anechain.acoustics.recording.band_edge import phase_at
from anechain.acoustics.recording.excitation_timing import excitation_delay
from anechain.acoustics.recording.harmonics import order_window
from anechain.acoustics.recording.response_spectra import spectrum_at
from anechain.acoustics.recording.sweeps import advance_times, sweep_amplitude
from anechain.acoustics.recording.time_windows import Window, apply_window, lowest_valid_frequency
from anechain.acoustics.recording.window_effect import TOLERANCE
from anechain.arrays import Complexes, Floats
from anechain.methods import method

__all__ = ["ADJACENT_DB", "ERROR_DB", "FLOOR_DB", "PERIODS", "HarmonicBand", "harmonic_bands"]

ERROR_DB = 0.25
"""Greatest error of a known order inside its band, dB. Common practice, no source."""
ADJACENT_DB = -40.0
"""Greatest leakage of any other order of the same level inside the band, dB: one that is 15 dB higher changes the order
by 0.5 dB. Common practice, no source."""
FLOOR_DB = -80.0
"""Greatest leakage of the linear response of a flat device inside the band, dB re the fundamental: 0.01 %."""
PERIODS = 8.0
"""Least number of periods, times the order, while the frequency grows by the factor e.

Behind a filter with the group delay T, order n of a sweep is wrong by 8.686 (n - 1) f T' / (2 L) dB to the first order
of 1 / L, L being the time in which the frequency f grows by the factor e. Behind a Butterworth high-pass of the fourth
order this is at most 5.2 (n - 1) dB over the periods f L: 0.33 dB for the second order. By simulation all orders up to
the fifth are within 0.5 dB."""
_PER_OCTAVE = 24
_FALL_DB = 50.0
"""Fall of the orders of the second known device, with 12 dB per octave from the start of the sweep."""
_GROUPS = 3
"""Orders whose numbers differ by three do not overlap, and are computed together."""
_ALIASING = 0.46, 0.50
"""Share of the sampling rate in which an order fades out, as by the filter of a recorder."""


@dataclass(frozen=True)
class HarmonicBand:
    """Band in which one order can be measured.

    Attributes
    ----------
    order : int
    low, high : float
        Limits of the frequency of the excitation, Hz; NaN if the order cannot be measured at any frequency.
    phase : float
        Phase in radians that the order has if its pressure is a cosine of n times the phase of the excitation.
    low_reason, high_reason : str
        Why there is no value below and above the band.
    """

    order: int
    low: float
    high: float
    phase: float
    low_reason: str
    high_reason: str


@method(
    "harmonic-bands",
    version=1,
    title="Band in which each harmonic order of a sweep can be measured",
    formula="Frequencies with 8 n periods per factor e, where known devices are measured within 0.25 dB, other orders "
    "of the same level leak less than -40 dB, and the linear response of a flat device less than -80 dB",
    source="order n of a memoryless device: amplitude to the power n times the cosine of n times the phase, of the "
    "analytic signal of the excitation; measured like a recording",
    source_status="common practice, no source",
    limitations="Two devices without memory: flat orders, and orders that fall by 12 dB per octave. A resonance of "
    "high Q before the nonlinearity needs a slower sweep: the error grows with Q squared.",
)
def harmonic_bands(
    signal: ArrayLike,
    inverse: ArrayLike,
    phase: ArrayLike,
    samples: int,
    sampling_rate: float,
    rate: float,
    orders: int,
    window: Window,
    band: tuple[float, float],
) -> tuple[HarmonicBand, ...]:
    """Return the band of each order from 1 on.

    The first order is that of a linear device, where the sweep has its full amplitude: where it fades in, the device is
    not driven with the stated voltage, and compresses less.

    Parameters
    ----------
    signal : array_like, shape (at most samples,)
        Excitation as played or as recorded electrically.
    inverse : array_like of complex, shape (samples // 2 + 1,)
        Inverse spectrum by which recordings are multiplied, with the phase of the band's edge.
    phase : array_like, shape (samples // 2 + 1,)
        That phase in radians, from :func:`anechain.acoustics.recording.band_edge.causal_edge_phase`.
    samples : int
        Length of the transform.
    sampling_rate : float
        Hz.
    rate : float
        Seconds, from :func:`anechain.acoustics.recording.sweeps.sweep_rate`.
    orders : int
        Highest order.
    window : Window
        Window of the linear response; for harmonics see :func:`anechain.acoustics.recording.harmonics.order_window`.
    band : (float, float)
        Band of the excitation, Hz.

    Returns
    -------
    tuple of HarmonicBand

    Raises
    ------
    ValueError
        If the signal is silent.
    """
    import scipy.fft

    x = np.asarray(signal, dtype=np.float64)
    steps = _PER_OCTAVE * np.log2(np.array(band) / 1000.0)
    grid = 1000.0 * 2.0 ** (np.arange(math.ceil(steps[0] - 1e-9), math.floor(steps[1] + 1e-9) + 1) / _PER_OCTAVE)
    flat, falling, played, envelope = _known_orders(x, sampling_rate, rate, orders, band)
    spectra = scipy.fft.rfft(np.concatenate([flat, falling, x[np.newaxis]]), samples) * np.asarray(inverse)
    responses = np.asarray(scipy.fft.irfft(spectra, samples))
    arrival = arrival_time(responses[-1], sampling_rate)
    result = []
    for order in range(1, orders + 1):
        frequency = grid[order * grid <= band[1]]
        window_of_order = order_window(order, rate, window)
        start = arrival - float(advance_times(order, rate))
        parts, offset = apply_window(responses, sampling_rate, start, window_of_order)
        used = parts if order > 1 else parts[-1:]
        measured = spectrum_at(used, sampling_rate, order * frequency, offset + arrival)
        measured /= phase_at(phase, samples, sampling_rate, order * frequency)
        reasons = _failures(order, frequency, measured, window_of_order, rate, band)
        own = measured[order % _GROUPS] if order > 1 else measured[0]
        if order == 1:
            reasons["the sweep fades in"] = ~(np.interp(frequency, played, envelope) >= 10 ** (-TOLERANCE / 20))
        result.append(_band(order, frequency, own, reasons, band[1]))
    return tuple(result)


def _known_orders(
    signal: Floats, sampling_rate: float, rate: float, orders: int, band: tuple[float, float]
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the orders of two devices as signals, and frequency and relative amplitude of the excitation by time.

    The signals of a device have the shape (3, samples): orders whose number modulo 3 is 0, 1 and 2. The orders of the
    first device have the amplitude of the excitation; those of the second fall by 12 dB per octave.
    """
    import scipy.fft

    length = int(scipy.fft.next_fast_len(signal.size))
    spectrum = scipy.fft.fft(signal, length)
    spectrum[(length + 1) // 2 :] = 0.0
    spectrum[1 : (length + 1) // 2] *= 2
    amplitude = sweep_amplitude(signal)
    analytic = scipy.fft.ifft(spectrum)[: signal.size] / amplitude
    # Frequency of the excitation at each time.
    middle = math.sqrt(band[0] * band[1])
    delay = float(excitation_delay(signal, sampling_rate, [middle])[0])
    played = middle * np.exp(np.clip((np.arange(signal.size) / sampling_rate - delay) / rate, -20, 20))
    start, end = (share * sampling_rate for share in _ALIASING)
    flat = np.zeros((_GROUPS, signal.size))
    power = analytic.copy()
    for order in range(2, orders + 2):
        power *= analytic
        fade = np.cos(np.pi / 2 * np.clip((order * played - start) / (end - start), 0, 1)) ** 2
        flat[order % _GROUPS] += amplitude * fade * power.real
    return flat, flat * _falling(played, band), played, np.abs(analytic)


def _falling(frequency: Floats, band: tuple[float, float]) -> Floats:
    return np.asarray(np.clip((band[0] / frequency) ** 2, 10 ** (-_FALL_DB / 20), 1.0))


def _failures(
    order: int, frequency: Floats, measured: Complexes, window: Window, rate: float, band: tuple[float, float]
) -> dict[str, NDArray[np.bool_]]:
    """Return where an order cannot be measured, by reason.

    `measured` has the linear response in its last row, and before it, for orders above 1, the orders of both devices.
    """
    lowest = lowest_valid_frequency(window) * (1 - 1e-9)
    too_low = {"one over the length of its time window": order * frequency < lowest}
    with np.errstate(divide="ignore"):
        decibels = 20 * np.log10(np.abs(measured))
    if order == 1:
        return too_low | {"the sweep starts, or the time window is too short": ~(np.abs(decibels[0]) <= TOLERANCE)}
    group = order % _GROUPS
    own, falling = decibels[group], decibels[_GROUPS + group] - 20 * np.log10(_falling(frequency, band))
    others = np.delete(decibels[:_GROUPS], group, axis=0).max(axis=0)
    periods = PERIODS * order
    return too_low | {
        f"the sweep has fewer than {PERIODS:g} n periods while its frequency grows by the factor e": frequency * rate
        < periods * (1 - 1e-9),
        "the sweep starts or fades in, or the time window is too short": ~(
            np.maximum(np.abs(own), np.abs(falling)) <= ERROR_DB
        ),
        "an adjacent order reaches into its time window": others > ADJACENT_DB,
        "the linear response reaches into its time window": decibels[-1] > FLOOR_DB,
    }


def _band(
    order: int, frequency: Floats, own: Complexes, reasons: dict[str, NDArray[np.bool_]], stop: float
) -> HarmonicBand:
    """Return the longest run of frequencies at which an order can be measured."""
    good = ~np.any(list(reasons.values()), axis=0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(np.int8), [0]])))
    if not edges.size:
        nowhere = "its response is not in its time window: the stated sweep does not fit, or is too short"
        return HarmonicBand(order, math.nan, math.nan, 0.0, nowhere, nowhere)
    runs = edges.reshape(-1, 2)
    first, end = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    low_reason = "the sweep starts there"
    if first > 0:
        low_reason = next(reason for reason, true in reasons.items() if true[first - 1])
    high_reason = f"n times it is near or above the end of the sweep at {stop:g} Hz"
    phase = float(np.angle(np.sum(own[first:end] / np.abs(own[first:end]))))
    return HarmonicBand(order, float(frequency[first]), float(frequency[end - 1]), phase, low_reason, high_reason)
