"""What an impulse response says: when the sound arrives, with which polarity, and its spectrum through a window."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Complexes, Floats
from anechain.methods import method

__all__ = [
    "SHAPES",
    "Window",
    "arrival_time",
    "complex_smooth",
    "lowest_valid_frequency",
    "noise_magnitude",
    "polarity",
    "spectrum_at",
    "windowed",
]


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


def _half(shape: str, samples: int) -> Floats:
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


_REACH, _FINE = 64, 32
"""Samples on either side that an interpolation takes in, and points that it makes of each."""


def _dense(h: Floats, sample: int) -> Floats:
    """Magnitude of a circular record between samples, from _REACH before to _REACH after one of them."""
    # Tapered over its outer halves only, so that next to the sample nothing is lost.
    position = np.arange(2 * _REACH)
    taper = np.minimum(1.0, 2 * _half("hann", _REACH)[np.minimum(position, position[::-1])])
    spectrum = np.zeros(_REACH * _FINE + 1, dtype=np.complex128)
    spectrum[: _REACH + 1] = np.fft.rfft(h[(sample - _REACH + position) % h.size] * taper)
    spectrum[_REACH] *= 0.5
    return np.asarray(np.abs(np.fft.irfft(spectrum, 2 * _REACH * _FINE)) * _FINE)


@method(
    "arrival-time",
    version=1,
    title="Arrival of the sound in an impulse response",
    formula="First time at which the magnitude, read between samples, rises to 20 dB below its maximum",
    source="ISO 3382-1: the first rise to 20 dB below the maximum; found between samples by band-limited interpolation",
    source_status="recalled",
    limitations="Ringing of a steep band edge can pass the threshold some tenths of a sample before the sound does.",
)
def arrival_time(response: ArrayLike, sampling_rate: float, threshold: float = -20.0) -> float:
    """Time at which an impulse response first rises to 20 dB below its maximum.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Circular: the second half stands before time zero, and is looked at only up to 50 ms before it.
    sampling_rate : float
        Hz.
    threshold : float
        dB re the maximum.

    Returns
    -------
    float
        Seconds, below zero if it is in the last 50 ms of the record.

    Raises
    ------
    ValueError
        If the response is silent.
    """
    h = np.asarray(response, dtype=np.float64)
    peak = int(np.argmax(np.abs(h)))
    if not 0 < abs(float(h[peak])) < math.inf:
        raise ValueError("the response is silent")
    early = min(round(0.05 * sampling_rate), h.size // 2)
    # The maximum may stand just before time zero, or the rise to it may reach there.
    late = peak if peak < h.size - early else peak - h.size
    limit = float(_dense(h, late).max()) * 10 ** (threshold / 20)
    first = min(-early, late - early)
    stretch = np.abs(h[np.arange(first, late + 1) % h.size])
    # Between samples the limit may be passed a little earlier than at one, and the maximum lies higher.
    above = first + (int(np.argmax(stretch >= limit)) if stretch.max() >= limit else stretch.size - 1)
    dense = _dense(h, above)
    start = (_REACH - 1) * _FINE
    step = int(np.argmax(dense[start:] >= limit))
    at = float(start)
    if step:
        lower, upper = dense[start + step - 1], dense[start + step]
        at = start + step - 1 + float((limit - lower) / (upper - lower))
    return float((above - _REACH + at / _FINE) / sampling_rate)


@method(
    "polarity",
    version=1,
    title="Polarity of the first large swing of an impulse response",
    formula="Sign of the first local extreme that reaches half of the greatest magnitude",
    source="sign of the first extreme value that reaches half of the greatest",
    source_status="common practice, no source",
    limitations="A crossover with drivers of opposite polarity has no one polarity; this is that of its first large "
    "swing.",
)
def polarity(response: ArrayLike) -> int:
    """Sign, 1 or -1, of the first local extreme that reaches half of the greatest magnitude.

    Parameters
    ----------
    response : array_like, shape (samples,)
        From some time before the arrival on.

    Raises
    ------
    ValueError
        If the response is silent.
    """
    h = np.asarray(response, dtype=np.float64)
    size = np.abs(h)
    if not size.max(initial=0.0) > 0:
        raise ValueError("the response is silent")
    padded = np.concatenate([[0.0], size, [0.0]])
    extreme = (padded[1:-1] >= padded[:-2]) & (padded[1:-1] >= padded[2:]) & (size >= 0.5 * size.max())
    return 1 if h[int(np.argmax(extreme))] > 0 else -1


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
    weight[:rise] = _half(window.shape, rise)
    weight[weight.size - fall :] *= _half(window.shape, fall)[::-1]
    first = centre - rise
    part = h[..., np.arange(first, first + weight.size) % h.shape[-1]] * weight
    return np.asarray(part), first / sampling_rate - arrival


@method(
    "spectrum-at-frequencies",
    version=1,
    title="Spectrum of a short record at any frequencies",
    formula="Sum over samples of value times e^(-j 2 pi f t) at each frequency asked for",
    source="the Fourier sum itself, in two stages; no interpolation between bins",
    limitations="Frequencies closer together than one over the record's length say nothing new.",
)
def spectrum_at(record: ArrayLike, sampling_rate: float, frequency: ArrayLike, offset: float = 0.0) -> Complexes:
    """Spectrum at the frequencies asked for.

    Parameters
    ----------
    record : array_like, shape (..., samples)
        Zero outside.
    sampling_rate : float
        Hz.
    frequency : array_like, shape (n,)
        Hz.
    offset : float
        Seconds at which the record begins; it turns the phase.

    Returns
    -------
    numpy.ndarray of complex, shape (..., n)
        Sum of h[k] exp(-2j pi f (k / sampling rate + offset)).
    """
    h = np.asarray(record, dtype=np.float64)
    f = np.asarray(frequency, dtype=np.float64)
    # Samples in rows: within a row and from row to row the phase is a product, so that few exponentials are needed.
    row = max(math.isqrt(h.shape[-1]), 1)
    rows = -(-h.shape[-1] // row)
    padded = np.zeros((*h.shape[:-1], rows * row))
    padded[..., : h.shape[-1]] = h
    turn = -2j * np.pi * f / sampling_rate
    within = np.exp(turn * np.arange(row)[:, np.newaxis])
    between = np.exp(turn * (row * np.arange(rows)[:, np.newaxis] + offset * sampling_rate))
    # One product of real matrices: numpy has no quick product of a real with a complex one.
    sums = padded.reshape(-1, row) @ np.concatenate([within.real, within.imag], axis=-1)
    folded = (sums[:, : f.size] + 1j * sums[:, f.size :]).reshape(*h.shape[:-1], rows, f.size)
    return np.asarray((folded * between).sum(axis=-2))


@method(
    "response-noise",
    version=1,
    title="Noise in the spectrum of an impulse response",
    formula="Root of the mean square of the spectra of stretches without a response, through the same window",
    source="mean square of the spectra of up to eight stretches without a response, through the same window",
    source_status="common practice, no source",
    limitations="Steady noise only: a knock while the sweep ran is a response of its own, wherever it falls.",
)
def noise_magnitude(
    response: ArrayLike,
    sampling_rate: float,
    arrival: float,
    frequency: ArrayLike,
    window: Window,
    busy: tuple[float, float],
) -> Floats:
    """Root mean square magnitude that noise alone has in the spectrum through a window.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Circular.
    sampling_rate : float
        Hz.
    arrival : float
        Seconds.
    frequency : array_like, shape (n,)
        Hz.
    window : Window
        That of the response.
    busy : (float, float)
        Seconds before and after the arrival that hold responses: harmonics of a sweep before it, the decay after it.

    Returns
    -------
    numpy.ndarray, shape (n,)
        NaN where the rest of the response is shorter than the window.
    """
    h, f = np.asarray(response, dtype=np.float64), np.asarray(frequency, dtype=np.float64)
    length = window.before + window.after
    room = h.shape[-1] / sampling_rate - sum(busy)
    count = int(min(8, room // length))
    if count < 1 or not f.size:
        return np.full(f.size, np.nan)
    starts = arrival + busy[1] + (np.arange(count) + 0.5) * room / count - length / 2
    quiet = np.stack([windowed(h, sampling_rate, start + window.before, window)[0] for start in starts])
    return np.asarray(np.sqrt((np.abs(spectrum_at(quiet, sampling_rate, f)) ** 2).mean(axis=0)))


@method(
    "complex-smoothing",
    version=1,
    title="Smoothing of complex pressure over a fraction of an octave",
    formula="Mean of the complex pressure over a window in log frequency around each frequency",
    source="complex smoothing as described in Hatziantoniou and Mourjopoulos 2000, J. Audio Eng. Soc. 48, 259-280; "
    "rectangular window, symmetric in log frequency",
    limitations="Acts as a time window that narrows with frequency. The delay has to be removed first: left in, it "
    "turns "
    "the phase within the window and pulls the mean down.",
)
def complex_smooth(frequency: ArrayLike, spectrum: ArrayLike, fraction: float) -> Complexes:
    """Mean of the complex spectrum over a window 1/`fraction` octave wide around each frequency.

    Real and imaginary parts are taken as linear in log frequency between samples.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    spectrum : array_like of complex, shape (..., n)
        Free of NaN.
    fraction : float
        Windows per octave.

    Returns
    -------
    numpy.ndarray of complex, shape (..., n)
        Towards the ends the window shrinks, alike on both sides. A point whose half-window does not reach both its
        neighbours stays as it is.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, or the fraction is not above zero.
    """
    from anechain.acoustics.curve.frequencies import check_grid

    grid, values = check_grid(frequency), np.array(spectrum, dtype=np.complex128)
    if not 0 < fraction < math.inf:
        raise ValueError(f"a window of 1/N octave needs an N above zero, not {fraction}")
    octaves = np.log2(grid)
    half = np.minimum(0.5 / fraction, np.minimum(octaves - octaves[0], octaves[-1] - octaves))
    gap = np.diff(octaves)
    reach = np.concatenate([[np.inf], np.maximum(gap[:-1], gap[1:]), [np.inf]]) if grid.size > 2 else np.inf
    chosen = np.flatnonzero(half >= reach * (1 - 1e-9))
    if not chosen.size:
        return values
    areas = np.cumsum(gap * (values[..., :-1] + values[..., 1:]) / 2, axis=-1)
    area = np.concatenate([np.zeros((*values.shape[:-1], 1)), areas], axis=-1)

    def integral(position: Floats) -> Complexes:
        piece = np.clip(np.searchsorted(octaves, position, side="right") - 1, 0, gap.size - 1)
        share = (position - octaves[piece]) / gap[piece]
        left, right = values[..., piece], values[..., piece + 1]
        end = left + share * (right - left)
        return np.asarray(area[..., piece] + share * gap[piece] * (left + end) / 2)

    low, high = octaves[chosen] - half[chosen], octaves[chosen] + half[chosen]
    means = (integral(high) - integral(low)) / (2 * half[chosen])
    values[..., chosen] = means
    return values
