"""Captures of a loudspeaker model that plays a sweep, recorded after a delay with a finite word length.

The model is a polynomial, whose harmonics of a sine are known exactly (Chebyshev), followed by second-order sections,
whose response is known in closed form, and by a delay, a reflection and noise.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import soundfile
from numpy.polynomial import chebyshev
from scipy.signal import butter, resample, sosfilt, sosfreqz

RATE = 48000
SWEEP = {"kind": "synchronised", "start": 20.0, "stop": 20000.0, "duration": 2.0}
LAW = {**SWEEP, "fade_in": 0.1, "fade_out": 0.002}
ORDERS = np.array([0.0, 1.0, 0.03, 0.01, 0.003, 0.001])
"""Amplitude of each harmonic of a sine of amplitude 1; checked against its closed form in test_harmonics."""
SECTIONS = np.concatenate(
    [butter(2, 60.0, "highpass", fs=RATE, output="sos"), butter(2, 15000.0, "lowpass", fs=RATE, output="sos")]
)


def sweep(rate: int = RATE) -> np.ndarray:
    """Synchronised sweep by its formula (Novak, Lotton and Simon 2015), independent of the code under test."""
    start, stop = SWEEP["start"], SWEEP["stop"]
    span = np.log(stop / start)
    periods = np.round(start * SWEEP["duration"] / span)
    constant = periods / start
    time = np.arange(round(constant * span * rate)) / rate
    signal = np.sin(2 * np.pi * start * constant * np.exp(time / constant))
    rise, fall = round(LAW["fade_in"] * rate), round(LAW["fade_out"] * rate)
    signal[:rise] *= np.sin(np.pi / 2 * (np.arange(rise) + 0.5) / rise) ** 2
    signal[-fall:] *= np.cos(np.pi / 2 * (np.arange(fall) + 0.5) / fall) ** 2
    return signal


def chain(frequency, gain: float = 1.0, sections=SECTIONS) -> np.ndarray:
    """Complex response of the linear part in closed form."""
    return gain * sosfreqz(sections, frequency, fs=RATE)[1]


def delayed(signal: np.ndarray, seconds: float, rate: int = RATE) -> np.ndarray:
    """Return a signal with any delay, exact below half the sampling rate."""
    room = 2 * signal.size
    spectrum = np.fft.rfft(signal, room)
    frequency = np.fft.rfftfreq(room, 1 / rate)
    return np.fft.irfft(spectrum * np.exp(-2j * np.pi * frequency * seconds), room)[: signal.size]


def record_loudspeaker(
    played: np.ndarray,
    *,
    gain: float = 0.2,
    delay: float = 0.004,
    reflection: tuple[float, float] | None = None,
    orders: np.ndarray | None = None,
    noise: float = 0.0,
    tail: float = 1.0,
    seed: int = 1,
    sections=SECTIONS,
) -> np.ndarray:
    """Return what a microphone records; `reflection` is a delay after the direct sound in seconds, and a gain."""
    signal = np.concatenate([played, np.zeros(round(tail * RATE))])
    if orders is not None:
        # Six times the sampling rate, so that the polynomial does not alias; without its value at 0, so that the
        # loudspeaker is silent without a signal.
        fine = chebyshev.chebval(resample(signal, 6 * signal.size), orders) - chebyshev.chebval(0.0, orders)
        signal = resample(fine, signal.size)
    signal = gain * sosfilt(sections, signal)
    out = delayed(signal, delay)
    if reflection is not None:
        out = out + reflection[1] * delayed(signal, delay + reflection[0])
    return out + noise * np.random.default_rng(seed).standard_normal(out.size)


def write(path: Path, *channels: np.ndarray, subtype: str = "PCM_24", rate: int = RATE) -> Path:
    """Write channels as a sound file."""
    path.parent.mkdir(parents=True, exist_ok=True)
    soundfile.write(str(path), np.stack(channels, axis=1), rate, subtype=subtype)
    return path


def first_order(angle: float) -> float:
    """Return the gain of a first-order source at an angle in degrees: 0.7 + 0.3 cos."""
    return 0.7 + 0.3 * np.cos(np.deg2rad(angle))


def orbit(folder: Path, angles=(-90, 0, 90, 180), planes=("horizontal", "vertical"), **how) -> list[Path]:
    """Write recordings of both orbits, each direction with the gain of a first-order source."""
    played = sweep()
    base = record_loudspeaker(played, **how)
    paths = []
    for plane, angle in itertools.product(planes, angles):
        paths.append(write(folder / f"yew {plane} {angle}.wav", first_order(angle) * base))
    return paths
