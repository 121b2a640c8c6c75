"""Clock errors between player and recorder: small differences, and different sampling rates."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["OWN_DELAY", "RATIOS", "Clock", "clock_error", "clock_ratio", "compactness"]


RATES = (44100, 48000, 88200, 96000, 176400, 192000)


RATIOS = tuple(
    sorted({round(a / b, 9) for a in RATES for b in RATES if a != b and 0.4 < a / b < 2.5}, key=lambda r: abs(r - 1))
)
"""Ratios between the usual sampling rates, the nearest to 1 first."""


OWN_DELAY = 40e-6
"""Seconds of delay per e-fold of frequency, above 3 kHz, that a crossover alone can look like (modelled ones of up to
fourth order at 2 kHz come to 30 microseconds); common practice, no source."""


@dataclass(frozen=True)
class Clock:
    """How much faster the recorder's clock seems to run than the player's.

    Attributes
    ----------
    error : float
        Parts in a million; above zero where the recording has more samples than was played.
    unsure : float
        Parts in a million that a loudspeaker's own delays can look like.
    before, after : float
        Compactness of the response as it is, and with that error taken out; 1 at most.
    """

    error: float
    unsure: float
    before: float
    after: float


_LENGTH = 4096


def _without_minimum_phase(spectrum: NDArray[np.complex128], frequency: Floats, band: tuple[float, float]) -> Floats:
    """Phase, in radians, that the magnitude within a band does not account for."""
    size = np.abs(spectrum)
    inside = np.flatnonzero((frequency >= band[0]) & (frequency <= band[1]))
    held = size.copy()
    # Beyond the band the response is held down without any phase, by the deconvolution.
    held[: inside[0]], held[inside[-1] :] = size[inside[0]], size[inside[-1]]
    log = np.log(np.maximum(held, 1e-3 * held.max()))
    cepstrum = np.fft.irfft(log)
    half = cepstrum.size // 2
    cepstrum[1:half] *= 2
    cepstrum[half + 1 :] = 0
    return np.asarray(np.angle(spectrum) - np.fft.rfft(cepstrum).imag)


@method(
    "clock-error",
    version=1,
    title="Difference of clocks between excitation and recording, from the compactness of the response",
    formula="The relative error whose removal makes the fourth moment of the envelope over the square of the second "
    "moment greatest",
    source="a clock off by e turns the phase at f by -2 pi e f t(f), t being when f is played; the e that makes the "
    "response most compact (fourth over squared second moment of its envelope) once its minimum phase is taken out",
    source_status="common practice, no source",
    limitations="Looks above 3 kHz, up to one part in five hundred. A crossover's delay looks like a small error; it "
    "weighs "
    "the less the longer the sweep is.",
)
def clock_error(
    early: ArrayLike, sampling_rate: float, delay_frequency: ArrayLike, delay: ArrayLike, band: tuple[float, float]
) -> Clock:
    """Find the clocks' difference.

    Parameters
    ----------
    early : array_like, shape (samples,)
        Impulse response from a little before the arrival on, at most 4096 samples.
    sampling_rate : float
        Hz.
    delay_frequency, delay : array_like, shape (n,)
        Hz, and the seconds at which each is played; see :func:`excitation_delay`.
    band : (float, float)
        Hz that the response holds; what lies above 3 kHz (or in its upper two octaves) and below nine tenths of its
        upper end is looked at.

    Raises
    ------
    ValueError
        If the band is too narrow, or the frequencies in it are all played at once.
    """
    h = np.asarray(early, dtype=np.float64)[:_LENGTH]
    frequency: Floats = np.fft.rfftfreq(_LENGTH, 1 / sampling_rate).astype(np.float64)
    top = 0.9 * min(band[1], sampling_rate / 2)
    low = min(max(3000.0, band[0]), top / 4)
    chosen = np.flatnonzero((frequency >= low) & (frequency <= top))
    if low < band[0] or chosen.size < 64:
        raise ValueError(f"a band of {band[0]:g} to {band[1]:g} Hz")
    at = frequency[chosen]
    time = np.interp(at, np.asarray(delay_frequency, np.float64), np.asarray(delay, np.float64))
    spread = abs(float(time[-1] - time[0])) / math.log(at[-1] / at[0])
    if spread < 1e-3:
        raise ValueError("its frequencies are played too close together")
    spectrum = np.fft.rfft(h, _LENGTH)
    phase = _without_minimum_phase(spectrum, frequency, (min(100.0, low), 1.03 * top))[chosen]
    # Only what differs from a mere delay counts.
    turn = 2 * np.pi * at * (time - time.mean())
    line = np.polynomial.polynomial.polyfit(at, turn, 1, w=np.hanning(at.size) + 1e-9)
    turn = turn - np.polynomial.polynomial.polyval(at, line)
    whole = np.hanning(at.size) * np.exp(1j * phase)

    def compact(errors: Floats) -> Floats:
        rows = np.zeros((errors.size, 2 * _LENGTH), dtype=np.complex128)
        rows[:, chosen] = whole * np.exp(1j * errors[:, np.newaxis] * turn)
        power = np.abs(np.fft.ifft(rows)) ** 2
        moment: Floats = (power**2).sum(axis=1) / power.sum(axis=1) ** 2
        return moment

    ideal = np.zeros((1, 2 * _LENGTH), dtype=np.complex128)
    ideal[0, chosen] = np.hanning(at.size)
    flat = np.abs(np.fft.ifft(ideal)) ** 2
    best_possible = float((flat**2).sum() / flat.sum() ** 2)
    # Steps in which the response hardly changes, then finer ones about the best.
    step = OWN_DELAY / spread
    count = max(math.ceil(2e-3 / step), 2)
    grid = np.asarray(np.arange(-count, count + 1) * step, dtype=np.float64)
    values: Floats = np.concatenate([compact(part) for part in np.array_split(grid, -(-grid.size // 64))])
    step /= 8
    grid = np.asarray(float(grid[np.argmax(values)]) + np.arange(-9, 10) * step, dtype=np.float64)
    values = compact(grid)
    peak = int(np.argmax(values))
    error = float(grid[peak])
    if 0 < peak < grid.size - 1:
        left, middle, right = values[peak - 1 : peak + 2]
        error += step * 0.5 * float((left - right) / min(left - 2 * middle + right, -1e-300))
    before, after = compact(np.array([0.0, error])) / best_possible
    return Clock(1e6 * error, 1e6 * OWN_DELAY / spread, float(before), float(after))


def compactness(response: ArrayLike, sampling_rate: float) -> float:
    """Share of the energy of an impulse response from 5 ms before to 25 ms after its maximum.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Circular.
    sampling_rate : float
        Hz.
    """
    power = np.asarray(response, dtype=np.float64) ** 2
    peak = int(np.argmax(power))
    near = np.arange(peak - round(0.005 * sampling_rate), peak + round(0.025 * sampling_rate)) % power.size
    return float(power[np.unique(near)].sum() / max(float(power.sum()), 1e-300))


def _stretched(signal: Floats, ratio: float) -> Floats:
    """The signal with `ratio` times as many samples, what lies below half of the lower rate unchanged."""
    import scipy.fft

    # On lengths that transform quickly; the ratio is kept to a part in 1e5 or better, which compactness does not see.
    room = int(scipy.fft.next_fast_len(round(1.1 * signal.size), real=True))
    wide = round(room * ratio)
    spectrum = scipy.fft.rfft(signal, room)
    kept = np.zeros(wide // 2 + 1, dtype=np.complex128)
    shared = min(kept.size, spectrum.size)
    kept[:shared] = spectrum[:shared]
    return np.asarray(scipy.fft.irfft(kept, wide) * ratio)[: round(signal.size * ratio)]


@method(
    "clock-ratio",
    version=1,
    title="Ratio of sampling rates between excitation and recording that makes the response compact",
    formula="The ratio of usual sampling rates that gathers the greatest share of energy in one sample",
    source="deconvolution by the excitation stretched by each ratio of usual sampling rates; greatest share of energy "
    "in one sample",
    source_status="common practice, no source",
    limitations="Ratios of 44.1, 48, 88.2, 96, 176.4 and 192 kHz only; small errors of clocks are another method's.",
)
def clock_ratio(
    record: ArrayLike,
    excitation: ArrayLike,
    sampling_rate: float,
    band: tuple[float, float],
    ratios: Sequence[float] = RATIOS,
) -> tuple[float, float]:
    """Find the ratio.

    Parameters
    ----------
    record, excitation : array_like, shape (samples,)
        At the same nominal sampling rate.
    sampling_rate : float
        Hz.
    band : (float, float)
        Hz that the excitation covers.
    ratios : sequence of float
        Samples in the recording for each that was played.

    Returns
    -------
    ratio : float
        1 if none makes the response four times as compact.
    gain : float
        How much more compact it is than at 1.
    """
    from anechain.acoustics.recording.deconvolution import deconvolve, inverse_spectrum, transform_length

    heard, played = np.asarray(record, dtype=np.float64), np.asarray(excitation, dtype=np.float64)

    def compact(ratio: float) -> float:
        signal = played if ratio == 1 else _stretched(played, ratio)
        length = transform_length(heard.size, signal.size)
        reach = band[0] / ratio, min(band[1] / ratio, 0.475 * sampling_rate)
        response = deconvolve(heard, inverse_spectrum(signal, length, sampling_rate, reach), length)
        return float(np.max(response**2) / np.sum(response**2))

    alone = compact(1.0)
    best, gain = 1.0, 1.0
    for ratio in ratios:
        by = compact(ratio) / alone
        if by > max(gain, 4.0):
            best, gain = ratio, by
    return best, gain
