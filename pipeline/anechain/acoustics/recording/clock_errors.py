"""Clock errors between player and recorder: small differences, and different sampling rates."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.recording.deconvolution import deconvolve, inverse_spectrum, transform_length
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["CROSSOVER_DELAY", "RATIOS", "Clock", "clock_error", "clock_ratio", "compactness"]

RATES = (44100, 48000, 88200, 96000, 176400, 192000)

RATIOS = tuple(
    sorted({round(a / b, 9) for a in RATES for b in RATES if a != b and 0.4 < a / b < 2.5}, key=lambda r: abs(r - 1))
)
"""Ratios of usual sampling rates, nearest to 1 first."""

CROSSOVER_DELAY = 40e-6
"""Delay in seconds per factor e of frequency, above 3 kHz, that a crossover alone can cause. Models up to fourth order
at 2 kHz reach 30 microseconds. Common practice, no source."""


@dataclass(frozen=True)
class Clock:
    """Difference between the clock of the recorder and the clock of the player.

    Attributes
    ----------
    error : float
        Parts per million; positive if the recording has more samples than were played.
    uncertainty : float
        Parts per million that delays of a loudspeaker itself can cause: the uncertainty of `error`.
    before, after : float
        Compactness of the response as measured, and with the error removed; at most 1.
    """

    error: float
    uncertainty: float
    before: float
    after: float


_LENGTH = 4096
"""Samples of the response that are evaluated."""


def _without_minimum_phase(spectrum: NDArray[np.complex128], frequency: Floats, band: tuple[float, float]) -> Floats:
    """Return the excess phase in radians: phase minus the minimum phase of the magnitude within a band."""
    magnitude = np.abs(spectrum)
    inside = np.flatnonzero((frequency >= band[0]) & (frequency <= band[1]))
    extended = magnitude.copy()
    # Outside the band the deconvolution attenuates the response without changing its phase.
    extended[: inside[0]], extended[inside[-1] :] = magnitude[inside[0]], magnitude[inside[-1]]
    log_magnitude = np.log(np.maximum(extended, 1e-3 * extended.max()))
    cepstrum = np.fft.irfft(log_magnitude)
    half = cepstrum.size // 2
    cepstrum[1:half] *= 2
    cepstrum[half + 1 :] = 0
    return np.asarray(np.angle(spectrum) - np.fft.rfft(cepstrum).imag)


@method(
    "clock-error",
    version=1,
    title="Difference of clocks between excitation and recording, from the compactness of the response",
    formula="The relative clock error whose removal maximises the ratio of the fourth moment of the envelope to "
    "the square of the second moment",
    source="a clock error e changes the phase at f by -2 pi e f t(f), t(f) being the time at which f is played; the e "
    "that makes the response most compact (fourth over squared second moment of its envelope) after its minimum phase "
    "is removed",
    source_status="common practice, no source",
    limitations="Evaluated above 3 kHz, for errors up to 0.2 %. The delay of a crossover looks like a small error, "
    "smaller for longer sweeps.",
)
def clock_error(
    early: ArrayLike, sampling_rate: float, delay_frequency: ArrayLike, delay: ArrayLike, band: tuple[float, float]
) -> Clock:
    """Return the difference between the clocks of player and recorder.

    Parameters
    ----------
    early : array_like, shape (samples,)
        Impulse response from shortly before the arrival; its first 4096 samples are used.
    sampling_rate : float
        Hz.
    delay_frequency, delay : array_like, shape (n,)
        Frequencies in Hz, and the times at which they are played in seconds; see
        :func:`anechain.acoustics.recording.excitation_timing.excitation_delay`.
    band : (float, float)
        Band of the response, Hz. The part above 3 kHz (or the upper two octaves) and below nine tenths of the upper
        end is evaluated.

    Returns
    -------
    Clock

    Raises
    ------
    ValueError
        If the band is too narrow, or its frequencies are played too close together in time.
    """
    h = np.asarray(early, dtype=np.float64)[:_LENGTH]
    frequency: Floats = np.fft.rfftfreq(_LENGTH, 1 / sampling_rate).astype(np.float64)
    top = 0.9 * min(band[1], sampling_rate / 2)
    low = min(max(3000.0, band[0]), top / 4)
    in_band = np.flatnonzero((frequency >= low) & (frequency <= top))
    if low < band[0] or in_band.size < 64:
        raise ValueError(f"a band of {band[0]:g} to {band[1]:g} Hz is too narrow")
    f = frequency[in_band]
    time = np.interp(f, np.asarray(delay_frequency, np.float64), np.asarray(delay, np.float64))
    seconds_per_factor = abs(float(time[-1] - time[0])) / math.log(f[-1] / f[0])
    if seconds_per_factor < 1e-3:
        raise ValueError("its frequencies are played too close together")
    spectrum = np.fft.rfft(h, _LENGTH)
    phase = _without_minimum_phase(spectrum, frequency, (min(100.0, low), 1.03 * top))[in_band]
    # A linear phase is a plain delay: remove it from the phase per unit of clock error.
    phase_per_error = 2 * np.pi * f * (time - time.mean())
    line = np.polynomial.polynomial.polyfit(f, phase_per_error, 1, w=np.hanning(f.size) + 1e-9)
    phase_per_error = phase_per_error - np.polynomial.polynomial.polyval(f, line)
    weighted_phasor = np.hanning(f.size) * np.exp(1j * phase)

    def moment_ratio(errors: Floats) -> Floats:
        rows = np.zeros((errors.size, 2 * _LENGTH), dtype=np.complex128)
        rows[:, in_band] = weighted_phasor * np.exp(1j * errors[:, np.newaxis] * phase_per_error)
        power = np.abs(np.fft.ifft(rows)) ** 2
        ratio: Floats = (power**2).sum(axis=1) / power.sum(axis=1) ** 2
        return ratio

    ideal = np.zeros((1, 2 * _LENGTH), dtype=np.complex128)
    ideal[0, in_band] = np.hanning(f.size)
    ideal_power = np.abs(np.fft.ifft(ideal)) ** 2
    best_possible = float((ideal_power**2).sum() / ideal_power.sum() ** 2)
    # Search in steps in which the response hardly changes, then in finer steps around the best one.
    step = CROSSOVER_DELAY / seconds_per_factor
    count = max(math.ceil(2e-3 / step), 2)
    grid = np.asarray(np.arange(-count, count + 1) * step, dtype=np.float64)
    values: Floats = np.concatenate([moment_ratio(part) for part in np.array_split(grid, -(-grid.size // 64))])
    step /= 8
    grid = np.asarray(float(grid[np.argmax(values)]) + np.arange(-9, 10) * step, dtype=np.float64)
    values = moment_ratio(grid)
    peak = int(np.argmax(values))
    error = float(grid[peak])
    if 0 < peak < grid.size - 1:
        left, middle, right = values[peak - 1 : peak + 2]
        error += step * 0.5 * float((left - right) / min(left - 2 * middle + right, -1e-300))
    before, after = moment_ratio(np.array([0.0, error])) / best_possible
    return Clock(1e6 * error, 1e6 * CROSSOVER_DELAY / seconds_per_factor, float(before), float(after))


def compactness(response: ArrayLike, sampling_rate: float) -> float:
    """Return the share of the energy of an impulse response from 5 ms before to 25 ms after its maximum.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Circular.
    sampling_rate : float
        Hz.

    Returns
    -------
    float
        From 0 to 1.
    """
    power = np.asarray(response, dtype=np.float64) ** 2
    peak = int(np.argmax(power))
    near = np.arange(peak - round(0.005 * sampling_rate), peak + round(0.025 * sampling_rate)) % power.size
    return float(power[np.unique(near)].sum() / max(float(power.sum()), 1e-300))


def _resampled(signal: Floats, ratio: float) -> Floats:
    """Resample a signal to `ratio` times as many samples; frequencies below half the lower rate do not change."""
    import scipy.fft

    # The lengths are fast to transform. The ratio is exact to 1e-5 or better, which does not affect compactness.
    length = int(scipy.fft.next_fast_len(round(1.1 * signal.size), real=True))
    new_length = round(length * ratio)
    spectrum = scipy.fft.rfft(signal, length)
    resampled = np.zeros(new_length // 2 + 1, dtype=np.complex128)
    shared = min(resampled.size, spectrum.size)
    resampled[:shared] = spectrum[:shared]
    return np.asarray(scipy.fft.irfft(resampled, new_length) * ratio)[: round(signal.size * ratio)]


@method(
    "clock-ratio",
    version=1,
    title="Ratio of sampling rates between excitation and recording that makes the response compact",
    formula="The ratio of usual sampling rates with the greatest share of energy in one sample",
    source="deconvolution by the excitation resampled by each ratio of usual sampling rates; greatest share of energy "
    "in one sample",
    source_status="common practice, no source",
    limitations="Ratios of 44.1, 48, 88.2, 96, 176.4 and 192 kHz only; for small clock errors see clock-error.",
)
def clock_ratio(
    record: ArrayLike,
    excitation: ArrayLike,
    sampling_rate: float,
    band: tuple[float, float],
    ratios: Sequence[float] = RATIOS,
) -> tuple[float, float]:
    """Return the ratio of sampling rates that makes the response most compact.

    Parameters
    ----------
    record, excitation : array_like, shape (samples,)
        Recording and excitation, with the same stated sampling rate.
    sampling_rate : float
        Hz.
    band : (float, float)
        Band of the excitation, Hz.
    ratios : sequence of float
        Ratios to try: recorded samples per played sample.

    Returns
    -------
    ratio : float
        1 if no ratio makes the response at least four times as compact.
    gain : float
        Compactness at the ratio divided by compactness at 1.
    """
    recorded, played = np.asarray(record, dtype=np.float64), np.asarray(excitation, dtype=np.float64)

    def peak_energy_share(ratio: float) -> float:
        signal = played if ratio == 1 else _resampled(played, ratio)
        length = transform_length(recorded.size, signal.size)
        new_band = band[0] / ratio, min(band[1] / ratio, 0.475 * sampling_rate)
        response = deconvolve(recorded, inverse_spectrum(signal, length, sampling_rate, new_band), length)
        return float(np.max(response**2) / np.sum(response**2))

    share_at_one = peak_energy_share(1.0)
    best, gain = 1.0, 1.0
    for ratio in ratios:
        ratio_gain = peak_energy_share(ratio) / share_at_one
        if ratio_gain > max(gain, 4.0):
            best, gain = ratio, ratio_gain
    return best, gain
