"""Time windows about the arrival in an impulse response."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["SHAPES", "Window", "apply_window", "lowest_valid_frequency", "rising_half"]

SHAPES = ("rectangular", "hann", "blackman")


@dataclass(frozen=True)
class Window:
    """Time window about the arrival in an impulse response.

    Attributes
    ----------
    before : float
        Start of the window, seconds before the arrival.
    after : float
        End of the window, seconds after the arrival.
    fade : float
        Duration of the fall at the end in seconds, at most `after`.
    shape : str
        "rectangular" (no rise or fall), or "hann" or "blackman": rise over `before` and fall over `fade` are halves of
        that window.
    """

    before: float
    after: float
    fade: float = 0.0
    shape: str = "hann"

    def __post_init__(self) -> None:
        if self.shape not in SHAPES:
            raise ValueError(f"the shape of a window must be one of {', '.join(SHAPES)}, not {self.shape!r}")
        if not (self.before >= 0 and self.after > 0 and 0 <= self.fade <= self.after):
            raise ValueError(
                "a window must start at or before the arrival and end after it, and its fade must not exceed `after`"
            )

    @property
    def length(self) -> float:
        """Effective length in seconds: area of the window after the arrival."""
        # The mean of half a Hann window is 0.5, of half a Blackman window 0.42.
        lost = {"rectangular": 0.0, "hann": 0.5, "blackman": 0.58}[self.shape]
        return self.after - lost * self.fade


def rising_half(shape: str, samples: int) -> Floats:
    """Return the rising half of a window.

    Parameters
    ----------
    shape : str
        One of `SHAPES`.
    samples : int
        Length.
    """
    x = (np.arange(samples) + 0.5) / max(samples, 1)
    if shape == "hann":
        return np.asarray(0.5 - 0.5 * np.cos(np.pi * x))
    if shape == "blackman":
        return np.asarray(0.42 - 0.5 * np.cos(np.pi * x) + 0.08 * np.cos(2 * np.pi * x))
    return np.ones(samples)


@method(
    "lowest-valid-frequency",
    version=1,
    title="Lowest valid frequency of a response through a time window",
    formula="One over the length of the window",
    source="one over the length of the window, as for any record (Struck and Temme 1994, J. Audio Eng. Soc. 42)",
    limitations="The length is the window's area after the arrival. At this frequency the resolution in Hz equals the "
    "frequency.",
)
def lowest_valid_frequency(window: Window) -> float:
    """Return the frequency in Hz below which a response through the window is not valid: 1 / length."""
    return 1.0 / window.length


@method(
    "time-window",
    version=1,
    title="Impulse response through a window about its arrival",
    formula="Impulse response times a window that rises before the arrival, is flat, and falls at its end",
    source="rise before the arrival, flat, fall at the end: half Hann or half Blackman windows, or none",
    source_status="common practice, no source",
    limitations="Sound that arrives after the window is removed, and frequencies below one over its length are lost.",
)
def apply_window(response: ArrayLike, sampling_rate: float, arrival: float, window: Window) -> tuple[Floats, float]:
    """Return the part of a circular impulse response about the arrival, multiplied by a window.

    Parameters
    ----------
    response : array_like, shape (..., samples)
        Circular.
    sampling_rate : float
        Hz.
    arrival : float
        Seconds; rounded to the nearest sample.
    window : Window
        Its rise ends at the arrival.

    Returns
    -------
    part : numpy.ndarray, shape (..., length)
        Windowed part of the response.
    offset : float
        Seconds from the arrival to the first sample of the part; zero or negative, apart from rounding to samples.

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
        raise ValueError(f"a window of {rise + after} samples is longer than the response of {h.shape[-1]} samples")
    weight = np.ones(rise + after)
    weight[:rise] = rising_half(window.shape, rise)
    weight[weight.size - fall :] *= rising_half(window.shape, fall)[::-1]
    first = centre - rise
    part = h[..., np.arange(first, first + weight.size) % h.shape[-1]] * weight
    return np.asarray(part), first / sampling_rate - arrival
