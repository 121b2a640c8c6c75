"""Filters and loads whose curves have a closed form, for tests: what must be read off them is known beforehand."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import bessel, butter, freqs, freqz

FREQUENCY = 10.0 * 2.0 ** (np.arange(11 * 48 + 1) / 48)
"""10 Hz to 20.48 kHz, 1/48 octave apart."""


def decibels(response) -> NDArray:
    return 20 * np.log10(np.abs(response))


def butterworth_highpass(order: int, corner: float, frequency=FREQUENCY) -> NDArray:
    """|H|² = x^2n / (1 + x^2n), x = f / f3 (half power)."""
    x = frequency / corner
    return 10 * np.log10(x ** (2 * order) / (1 + x ** (2 * order)))


def analogue_highpass(kind: str, order: int, corner: float, frequency=FREQUENCY) -> NDArray:
    """Butterworth or Bessel high-pass as scipy designs it, half power at the corner."""
    design = butter if kind == "butterworth" else bessel
    more = {"norm": "mag"} if kind == "bessel" else {}
    b, a = design(order, 2 * np.pi * corner, "highpass", analog=True, **more)
    return decibels(freqs(b, a, worN=2 * np.pi * frequency)[1])


def closed_box(total_q: float, corner: float, frequency=FREQUENCY) -> NDArray:
    """s² / (s² + s / Q + 1), Small 1972."""
    s = 1j * frequency / corner
    return decibels(s**2 / (s**2 + s / total_q + 1))


def biquad(centre: float, q: float, gain: float, frequency=FREQUENCY, rate: float = 192000.0) -> NDArray:
    """Complex response of the peaking section of the W3C note "Audio EQ Cookbook"."""
    a, w = 10 ** (gain / 40), 2 * np.pi * centre / rate
    alpha = np.sin(w) / (2 * q)
    numerator = [1 + alpha * a, -2 * np.cos(w), 1 - alpha * a]
    denominator = [1 + alpha / a, -2 * np.cos(w), 1 - alpha / a]
    return freqz(numerator, denominator, worN=2 * np.pi * frequency / rate)[1]
