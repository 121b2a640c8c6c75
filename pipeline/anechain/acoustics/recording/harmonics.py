"""Harmonic orders out of the impulse response of an exponential sweep."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.recording.response_spectra import noise_magnitude, spectrum_at
from anechain.acoustics.recording.sweeps import advance_times
from anechain.acoustics.recording.time_windows import Window, windowed
from anechain.arrays import Complexes, Floats
from anechain.methods import method

__all__ = ["Orders", "gate", "harmonic_orders"]


@dataclass(frozen=True)
class Orders:
    """Harmonic orders over the frequency of the excitation.

    Attributes
    ----------
    spectrum : numpy.ndarray of complex, shape (orders, frequencies)
        Order n stands at the excitation's frequency f and was read at n f; NaN where n f is not measurable. Order n of
        a sine of amplitude 1 has the magnitude of its amplitude.
    noise : numpy.ndarray, shape (orders, frequencies)
        Root mean square magnitude that noise alone has through the same window; NaN where there is no room for one.
    gates : tuple of Window
        The window of each order.
    """

    spectrum: Complexes
    noise: Floats
    gates: tuple[Window, ...]


def gate(order: int, rate: float, window: Window) -> Window:
    """Return the window for one order: that of the linear response, as far as the neighbouring orders leave room.

    Its rise is as slow as its fall: the linear response rings at the lower end of the sweep, before its arrival too,
    and what of that a steep rise cuts off would spread over all frequencies.
    """
    if order == 1:
        return window
    lower, own, higher = (float(advance_times(n, rate)) for n in (order - 1, order, order + 1))
    before = min(max(window.before, window.fade), 0.25 * (higher - own))
    after = min(window.after, 0.9 * (own - lower))
    return Window(before, after, min(window.fade, after), window.shape)


@method(
    "harmonic-orders",
    version=1,
    title="Levels of harmonic orders at the frequency of the excitation",
    formula="Magnitude of the windowed response of order n at n times the frequency of the excitation",
    source="Farina 2000, AES preprint 5093; order n read at n f (Novak, Lotton and Simon 2015, J. Audio Eng. Soc. 63)",
    limitations="Orders decay into one another where the response rings longer than the gate. Phases mean something "
    "for a "
    "synchronised sweep only. Nothing is said where n f lies beyond the band that the excitation covers.",
)
def harmonic_orders(
    response: ArrayLike,
    sampling_rate: float,
    arrival: float,
    rate: float,
    orders: int,
    frequency: ArrayLike,
    window: Window,
    highest: float,
    decay: float = 0.0,
) -> Orders:
    """Separate the harmonic orders by their advance times.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Circular, from :func:`anechain.acoustics.recording.deconvolution.deconvolve`, with the harmonics before time
        zero.
    sampling_rate : float
        Hz.
    arrival : float
        Seconds, of the linear response.
    rate : float
        Seconds, from :func:`anechain.acoustics.recording.sweeps.sweep_rate`.
    orders : int
        Highest order.
    frequency : array_like, shape (n,)
        Hz, of the excitation.
    window : Window
        Of the linear response; harmonics have the same, cut short where the next lower order begins.
    highest : float
        Hz; order n is not measurable above highest / n.
    decay : float
        Seconds after the arrival in which the linear response may still sound: no noise is taken from there.

    Raises
    ------
    ValueError
        If `orders` is below 1, or the gates do not fit into the response.
    """
    h, f = np.asarray(response, dtype=np.float64), np.asarray(frequency, dtype=np.float64)
    if orders < 1:
        raise ValueError(f"orders from 1 on, not {orders}")
    spectrum = np.full((orders, f.size), np.nan + 0j)
    noise = np.full((orders, f.size), np.nan)
    gates = tuple(gate(order, rate, window) for order in range(1, orders + 1))
    # Orders beyond those asked for sound as well: twice as many are kept clear of.
    busy = float(advance_times(2 * orders + 1, rate)) + window.before, max(decay, window.after)
    for order, one in enumerate(gates, start=1):
        read = np.flatnonzero(order * f <= highest)
        at = arrival - float(advance_times(order, rate))
        part, offset = windowed(h, sampling_rate, at, one)
        spectrum[order - 1, read] = spectrum_at(part, sampling_rate, order * f[read], offset)
        noise[order - 1, read] = noise_magnitude(h, sampling_rate, arrival, order * f[read], one, busy)
    return Orders(spectrum, noise, gates)
