"""Loudspeakers as products of filters whose phase and group delay have a closed form, for tests of time and phase."""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, freqs

GRID = np.geomspace(20.0, 20_000.0, 481)
"""Hz, 48 per octave."""


def filtered(kind: str, order: int, corner: float, frequency: NDArray) -> NDArray:
    """Butterworth filter, complex."""
    numerator, denominator = butter(order, 2 * np.pi * corner, kind, analog=True)
    return freqs(numerator, denominator, worN=2 * np.pi * frequency)[1]


def band_pass(frequency: NDArray, low: float = 40.0, high: float = 26_000.0) -> NDArray:
    """A vented box (fourth order) and a dome (second order): minimum phase."""
    return filtered("highpass", 4, low, frequency) * filtered("lowpass", 2, high, frequency)


def linkwitz_riley_sum(frequency: NDArray, crossover: float) -> NDArray:
    """Sum of both halves of a fourth-order Linkwitz-Riley crossover: an all-pass of second order, Q = 1/sqrt 2."""
    return filtered("highpass", 2, crossover, frequency) ** 2 + filtered("lowpass", 2, crossover, frequency) ** 2


def butterworth_sum(frequency: NDArray, crossover: float) -> NDArray:
    """Sum of both halves of a third-order Butterworth crossover, tweeter reversed: an all-pass of first order.

    (1 - s³) / ((1 + s)(1 + s + s²)) = (1 - s) / (1 + s).
    """
    return filtered("lowpass", 3, crossover, frequency) - filtered("highpass", 3, crossover, frequency)


def second_order_delay(frequency: NDArray, crossover: float) -> NDArray:
    """Group delay in s of the all-pass of second order with Q = 1/sqrt 2: (2 sqrt 2 / w0) (1 + x²) / (1 + x⁴)."""
    x = frequency / crossover
    return 2 * np.sqrt(2) / (2 * np.pi * crossover) * (1 + x**2) / (1 + x**4)


def first_order_delay(frequency: NDArray, crossover: float) -> NDArray:
    """Group delay in s of the all-pass of first order: (2 / w0) / (1 + x²)."""
    return 2 / (2 * np.pi * crossover) / (1 + (frequency / crossover) ** 2)


def delayed(response: NDArray, frequency: NDArray, delay: float) -> NDArray:
    """The response after a delay in s."""
    return response * np.exp(-2j * np.pi * frequency * delay)


def level_and_phase(response: NDArray) -> tuple[NDArray, NDArray]:
    """dB, and degrees that are wrapped."""
    return 20 * np.log10(np.abs(response)), np.angle(response, deg=True)
