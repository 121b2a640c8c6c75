"""Time windows about the arrival in an impulse response."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["SHAPES", "Window", "lowest_valid_frequency", "rising_half", "windowed"]


SHAPES = ("rectangular", "hann", "blackman")


@dataclass(frozen=True)
class Window:
    """Part of an impulse response that counts, about its arrival.

    Attributes
    ----------
    before : float
        Seconds before the arrival at which the window begins.
    after : float
        Seconds after the arrival at which it ends.
    fade : float
        Seconds of its fall, at most `after`.
    shape : str
        "rectangular" (no fades), or half of a "hann" or a "blackman" window as rise, over all of `before`, and as
        fall, over `fade`.
    """

    before: float
    after: float
    fade: float = 0.0
    shape: str = "hann"

    def __post_init__(self) -> None:
        if self.shape not in SHAPES:
            raise ValueError(f"a window is one of {', '.join(SHAPES)}, not {self.shape!r}")
        if not (self.before >= 0 and self.after > 0 and 0 <= self.fade <= self.after):
            raise ValueError("a window begins at or before the arrival, ends after it, and falls at most all that time")

    @property
    def length(self) -> float:
        """Seconds from the arrival that count: the area of the window after the arrival."""
        # Half of a Hann window has half the area of its length, of a Blackman window 0.42.
        lost = {"rectangular": 0.0, "hann": 0.5, "blackman": 0.58}[self.shape]
        return self.after - lost * self.fade


def rising_half(shape: str, samples: int) -> Floats:
    """Rising half of a window."""
    x = (np.arange(samples) + 0.5) / max(samples, 1)
    if shape == "hann":
        return np.asarray(0.5 - 0.5 * np.cos(np.pi * x))
    if shape == "blackman":
        return np.asarray(0.42 - 0.5 * np.cos(np.pi * x) + 0.08 * np.cos(2 * np.pi * x))
    return np.ones(samples)


@method(
    "lowest-valid-frequency",
    version=1,
    title="Lowest frequency that a time window lets one tell",
    formula="One over the length of the window",
    source="one over the length of the window, as for any record (Struck and Temme 1994, J. Audio Eng. Soc. 42)",
    limitations="The length is the window's area after the arrival. At this very frequency the resolution is as wide "
    "as it.",
)
def lowest_valid_frequency(window: Window) -> float:
    """Frequency in Hz below which the response through the window says nothing: 1 / length."""
    return 1.0 / window.length


@method(
    "time-window",
    version=1,
    title="Impulse response through a window about its arrival",
    formula="Impulse response times a window that rises before the arrival, is flat, and falls at its end",
    source="rise before the arrival, flat, fall at the end: half Hann or half Blackman windows, or none",
    source_status="common practice, no source",
    limitations="What arrives later than the window is gone, and frequencies below one over its length with it.",
)
def windowed(response: ArrayLike, sampling_rate: float, arrival: float, window: Window) -> tuple[Floats, float]:
    """Cut the part about the arrival out of a circular impulse response.

    Parameters
    ----------
    response : array_like, shape (..., samples)
        Circular.
    sampling_rate : float
        Hz.
    arrival : float
        Seconds; the window is set to the nearest sample.
    window : Window
        Its rise ends and its flat part begins at the arrival.

    Returns
    -------
    part : numpy.ndarray, shape (..., length)
    offset : float
        Seconds from the arrival to the first sample of the part; not above zero, but for the rounding to samples.

    Raises
    ------
    ValueError
        If the window is longer than the response.
    """
    h = np.asarray(response, dtype=np.float64)
    centre = round(arrival * sampling_rate)
    rise, after = round(window.before * sampling_rate), max(round(window.after * sampling_rate), 1)
    fall = min(round(window.fade * sampling_rate), after) if window.shape != "rectangular" else 0
    if rise + after > h.shape[-1]:
        raise ValueError(f"a window of {rise + after} samples on a response of {h.shape[-1]}")
    weight = np.ones(rise + after)
    weight[:rise] = rising_half(window.shape, rise)
    weight[weight.size - fall :] *= rising_half(window.shape, fall)[::-1]
    first = centre - rise
    part = h[..., np.arange(first, first + weight.size) % h.shape[-1]] * weight
    return np.asarray(part), first / sampling_rate - arrival
