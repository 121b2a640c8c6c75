"""Recordings of a loudspeaker model with one flaw each.

A modelled two-way loudspeaker: second-order high-pass, fourth-order Linkwitz-Riley crossover at 2 kHz (whose sum is an
all-pass), second-order low-pass of the tweeter, and two resonances (all in closed form: sections of second order).
"""

from __future__ import annotations

import numpy as np
from scipy.signal import butter, iirpeak, lfilter, resample, sosfilt

from capture_files import RATE, SWEEP, delayed, sweep

LOW = butter(2, 2000, "lowpass", fs=RATE, output="sos")
HIGH = butter(2, 2000, "highpass", fs=RATE, output="sos")
FLOOR = butter(2, 60, "highpass", fs=RATE, output="sos")
TOP = butter(2, 18000, "lowpass", fs=RATE, output="sos")
RESONANCES = ((900.0, 8.0, 0.4), (3200.0, 20.0, 0.8))
"""Hz, Q, and gain of the resonant path parallel to the direct one: 2.9 dB and 5.1 dB."""
GAIN, DELAY, NOISE = 0.3, 0.004, 1e-5


def loudspeaker(signal: np.ndarray) -> np.ndarray:
    """Return the sound of the modelled loudspeaker for a signal, without delay."""
    signal = sosfilt(FLOOR, signal)
    signal = sosfilt(LOW, sosfilt(LOW, signal)) + sosfilt(HIGH, sosfilt(HIGH, sosfilt(TOP, signal)))
    for frequency, q, gain in RESONANCES:
        signal = signal + gain * lfilter(*iirpeak(frequency, q, fs=RATE), signal)
    return signal


def recording(
    *,
    lead: float = 0.0,
    tail: float = 1.0,
    delay: float = DELAY,
    gain: float = GAIN,
    noise: float = NOISE,
    hum: tuple[tuple[float, float], ...] = (),
    echo: tuple[float, float] | None = None,
    clip: float | None = None,
    clock: float = 0.0,
    ratio: float | None = None,
    stop: float | None = None,
    played: np.ndarray | None = None,
    seed: int = 1,
) -> np.ndarray:
    """Record the loudspeaker.

    Parameters
    ----------
    lead, tail : float
        Seconds of silence before and after the sweep.
    hum : tuple of (float, float)
        Hz and amplitude of tones.
    echo : (float, float), optional
        Delay after the direct sound in seconds, and gain.
    clip : float, optional
        Largest magnitude of the converter.
    clock : float
        Parts in a million by which the recorder is faster than the player.
    ratio : float, optional
        Samples recorded for each one played.
    stop : float, optional
        Seconds of the sweep at which the player stops.
    """
    signal = sweep() if played is None else played
    if stop is not None:
        signal = np.where(np.arange(signal.size) < stop * RATE, signal, 0.0)
    signal = np.concatenate([np.zeros(round(lead * RATE)), signal, np.zeros(round(tail * RATE))])
    sound = gain * loudspeaker(signal)
    out = delayed(sound, delay)
    if echo is not None:
        out = out + echo[1] * delayed(sound, delay + echo[0])
    if clock:
        out = resample(out, round(out.size * (1 + clock * 1e-6)))
    if ratio is not None:
        out = resample(out, round(out.size * ratio))
    time = np.arange(out.size) / RATE
    for frequency, amplitude in hum:
        out = out + amplitude * np.sin(2 * np.pi * frequency * time + frequency)
    out = out + noise * np.random.default_rng(seed).standard_normal(out.size)
    return out if clip is None else np.clip(out, -clip, clip)


def response(record: np.ndarray, played: np.ndarray | None = None) -> np.ndarray:
    """Return the circular impulse response of a recording by division of spectra, regularised outside the band."""
    signal = sweep() if played is None else played
    length = 2 ** int(np.ceil(np.log2(max(record.size, signal.size))))
    frequency = np.fft.rfftfreq(length, 1 / RATE)
    spectrum = np.fft.rfft(signal, length)
    power = np.abs(spectrum) ** 2
    regularisation = np.where((frequency > SWEEP["start"]) & (frequency < SWEEP["stop"]), 1e-8, 1.0) * power.max()
    return np.fft.irfft(np.fft.rfft(record, length) * spectrum.conj() / (power + regularisation), length)


def early(record: np.ndarray, played: np.ndarray | None = None, before: float = 0.005, after: float = 0.030):
    """Return the impulse response around its maximum, and the seconds from its first sample to the maximum."""
    h = response(record, played)
    first = int(np.argmax(np.abs(h))) - round(before * RATE)
    return h[np.arange(first, first + round((before + after) * RATE)) % h.size], before
