"""Devices simulated in the time domain, and their harmonics with steady sines.

Nothing of the project is used: a device is a function from a signal at FINE to a signal at FINE.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.signal import butter, resample, sosfilt

RATE = 48000
FINE = 4 * RATE
Device = Callable[[np.ndarray], np.ndarray]

_HIGH_PASS = butter(4, 60, "highpass", fs=FINE, output="sos")
_EXCURSION = butter(2, 50, "lowpass", fs=FINE, output="sos")


def bent(x: np.ndarray) -> np.ndarray:
    """Polynomial of the fifth degree, without memory."""
    return x + 0.04 * x**2 - 0.02 * x**3 + 0.01 * x**4 - 0.008 * x**5


def compressing(x: np.ndarray) -> np.ndarray:
    """Soft limiter without memory: 1.4 dB of compression at full amplitude."""
    return np.tanh(0.8 * x) / 0.8 + 0.03 * x**2


def excursion(x: np.ndarray) -> np.ndarray:
    """Pressure that depends on the excursion: orders 2 and 3 fall by 12 and 24 dB per octave above 50 Hz."""
    moved = sosfilt(_EXCURSION, x)
    return x * (1 + 0.1 * moved - 0.15 * moved**2)


DEVICES: dict[str, Device] = {
    "memoryless": bent,
    "compressing": compressing,
    "Hammerstein": lambda x: sosfilt(_HIGH_PASS, bent(x)),
    "Wiener": lambda x: bent(sosfilt(_HIGH_PASS, x)),
    "excursion": excursion,
}
LINEAR: dict[str, Device] = {"flat": lambda x: x, "high-pass": lambda x: sosfilt(_HIGH_PASS, x)}


def record(device: Device, played: np.ndarray, tail: float = 1.0) -> np.ndarray:
    """Return the sound of a signal at RATE, with a tail in seconds."""
    signal = np.concatenate([played, np.zeros(round(tail * RATE))])
    return resample(device(resample(signal, 4 * signal.size)), signal.size)


def steady_orders(device: Device, frequency: np.ndarray, orders: int) -> np.ndarray:
    """Return the complex amplitudes of the orders of a steady cosine of amplitude 1, shape (orders, frequencies)."""
    found = np.empty((orders, len(frequency)), dtype=complex)
    for column, hertz in enumerate(frequency):
        periods = max(1, round(hertz * 0.25))
        samples = round(FINE * periods / hertz)
        wave = np.cos(2 * np.pi * periods * np.arange(4 * samples) / samples)
        spectrum = np.fft.rfft(device(wave)[-samples:]) * 2 / samples
        lines = periods * np.arange(1, orders + 1)
        found[:, column] = np.where(lines < spectrum.size, spectrum[np.minimum(lines, spectrum.size - 1)], np.nan)
    return found
