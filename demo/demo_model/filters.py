"""Analogue minimum-phase sections: crossover, shelf, resonance."""

from __future__ import annotations

import numpy as np

from anechain.arrays import Complexes, Floats

__all__ = ["band_pass", "first_order_shelf", "linkwitz_riley", "low_pass", "peak"]


def linkwitz_riley(kind: str, corner: float, frequency: Floats) -> Complexes:
    """Return a fourth-order Linkwitz-Riley "low" or "high" pass: two second-order Butterworth; -6.02 dB at `corner`."""
    s = 1j * frequency / corner
    butterworth = (1.0 if kind == "low" else s**2) / (s**2 + np.sqrt(2) * s + 1)
    return np.asarray(butterworth**2)


def low_pass(corner: float, q: float, frequency: Floats) -> Complexes:
    """Return a second-order low-pass."""
    s = 1j * frequency / corner
    return np.asarray(1 / (s**2 + s / q + 1))


def first_order_shelf(centre: float, step: float, frequency: Floats) -> Complexes:
    """Return a shelf from 0 dB at low to `step` dB at high frequencies, half the step at `centre`."""
    root = 10 ** (step / 40)
    s = 1j * frequency / centre
    return np.asarray((s * root + 1) / (s / root + 1))


def peak(centre: float, q: float, gain: float, frequency: Floats) -> Complexes:
    """Return a second-order peak or dip of `gain` dB at `centre`, 0 dB far from it (the bell of equalisers)."""
    root = 10 ** (gain / 40)
    s = 1j * frequency / centre
    return np.asarray((s**2 + s * root / q + 1) / (s**2 + s / (root * q) + 1))


def band_pass(centre: float, q: float, frequency: Floats) -> Complexes:
    """Return a second-order resonance, 1 at its centre: the velocity of a panel that the cabinet excites."""
    s = 1j * frequency / centre
    return np.asarray((s / q) / (s**2 + s / q + 1))
