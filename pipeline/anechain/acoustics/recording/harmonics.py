"""Harmonic orders from the impulse response of an exponential sweep."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.recording.response_spectra import noise_magnitude, noise_stretches, spectrum_at
from anechain.acoustics.recording.sweeps import advance_times
from anechain.acoustics.recording.time_windows import Window, apply_window
from anechain.arrays import Complexes, Floats
from anechain.methods import method

__all__ = ["HarmonicOrders", "harmonic_orders", "order_window"]


@dataclass(frozen=True)
class HarmonicOrders:
    """Harmonic orders over the frequency of the excitation.

    Attributes
    ----------
    spectrum : numpy.ndarray of complex, shape (orders, frequencies)
        Order n at the frequency f of the excitation, read at n f; NaN outside the band of the order. The magnitude is
        the amplitude of the order for an excitation of amplitude 1. The phase is relative to the arrival.
    noise : numpy.ndarray, shape (orders, frequencies)
        Root mean square magnitude of noise alone through the same window; NaN where no part of the response is free
        of sound for the length of the window.
    stretches : tuple of int
        Number of stretches of the response whose mean square the noise of each order is; 0 where it is not known.
    """

    spectrum: Complexes
    noise: Floats
    stretches: tuple[int, ...]


def order_window(order: int, rate: float, window: Window) -> Window:
    """Return the window for one order: that of the linear response, shortened to end before neighbouring orders.

    The rise is as slow as the fall: an order rings at the lower end of the sweep, also before its arrival, and a steep
    rise would cut this ringing and spread it over all frequencies.

    Parameters
    ----------
    order : int
        1 is the linear response, whose window is returned unchanged.
    rate : float
        Seconds, from :func:`anechain.acoustics.recording.sweeps.sweep_rate`.
    window : Window
        Window of the linear response.
    """
    if order == 1:
        return window
    previous, own, following = (float(advance_times(n, rate)) for n in (order - 1, order, order + 1))
    before = min(max(window.before, window.fade), 0.25 * (following - own))
    after = min(window.after, 0.9 * (own - previous))
    return Window(before, after, min(window.fade, after), window.shape)


@method(
    "harmonic-orders",
    version=2,
    title="Levels of harmonic orders at the frequency of the excitation",
    formula="Magnitude of the windowed response of order n at n times the frequency of the excitation",
    source="Farina 2000, AES preprint 5093; order n read at n f (Novak, Lotton and Simon 2015, J. Audio Eng. Soc. 63)",
    limitations="Orders overlap where the response rings longer than the window. No value outside its band.",
)
def harmonic_orders(
    response: ArrayLike,
    sampling_rate: float,
    arrival: float,
    rate: float,
    orders: int,
    frequency: ArrayLike,
    window: Window,
    bands: Sequence[tuple[float, float]],
    decay: float = 0.0,
) -> HarmonicOrders:
    """Return the harmonic orders, separated by their advance times.

    Parameters
    ----------
    response : array_like, shape (samples,)
        Circular impulse response from :func:`anechain.acoustics.recording.deconvolution.deconvolve`, with harmonics
        before time zero.
    sampling_rate : float
        Hz.
    arrival : float
        Arrival of the linear response, seconds.
    rate : float
        Seconds, from :func:`anechain.acoustics.recording.sweeps.sweep_rate`.
    orders : int
        Highest order.
    frequency : array_like, shape (n,)
        Frequency of the excitation, Hz.
    window : Window
        Window of the linear response; for harmonics see :func:`order_window`.
    bands : sequence of (float, float)
        Limits of the frequency of the excitation for each order, Hz, from
        :func:`anechain.acoustics.recording.harmonic_bands.harmonic_bands`; NaN for an order without values.
    decay : float
        Seconds after the arrival in which the linear response may still decay: noise is not read there.

    Returns
    -------
    HarmonicOrders

    Raises
    ------
    ValueError
        If `orders` is below 1 or not the number of bands, or a window is longer than the response.
    """
    h, f = np.asarray(response, dtype=np.float64), np.asarray(frequency, dtype=np.float64)
    if orders < 1:
        raise ValueError(f"the highest order must be 1 or more, not {orders}")
    if len(bands) != orders:
        raise ValueError(f"{len(bands)} bands for {orders} orders")
    spectrum = np.full((orders, f.size), np.nan + 0j)
    noise = np.full((orders, f.size), np.nan)
    windows = tuple(order_window(order, rate, window) for order in range(1, orders + 1))
    # Higher orders than the requested ones are also present: noise is read outside twice as many orders.
    busy = float(advance_times(2 * orders + 1, rate)) + window.before, max(decay, window.after)
    for order, (own_window, (low, high)) in enumerate(zip(windows, bands, strict=True), start=1):
        measurable = np.flatnonzero((f >= low * (1 - 1e-9)) & (f <= high * (1 + 1e-9)))
        order_frequency = order * f[measurable]
        order_arrival = arrival - float(advance_times(order, rate))
        part, offset = apply_window(h, sampling_rate, order_arrival, own_window)
        spectrum[order - 1, measurable] = spectrum_at(part, sampling_rate, order_frequency, offset)
        noise[order - 1, measurable] = noise_magnitude(h, sampling_rate, arrival, order_frequency, own_window, busy)
    stretches = tuple(noise_stretches(h.shape[-1] / sampling_rate, each, busy) for each in windows)
    return HarmonicOrders(spectrum, noise, stretches)
