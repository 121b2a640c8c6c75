"""Low frequencies of a driver in its box: sensitivity from its efficiency, and the high-pass of the box."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anechain.arrays import Complexes, Floats
from demo_model.air import DENSITY, SPEED_OF_SOUND

__all__ = ["Woofer", "closed_box", "free_air", "half_space_level", "reference_efficiency", "vented_box"]


@dataclass(frozen=True)
class Woofer:
    """Small-signal parameters of a driver.

    Attributes
    ----------
    resonance : float
        Hz, in free air.
    electrical_q, mechanical_q : float
        At that resonance.
    compliance : float
        Equivalent volume in m³.
    resistance : float
        Resistance of the voice coil, ohm.
    """

    resonance: float
    electrical_q: float
    mechanical_q: float
    compliance: float
    resistance: float

    @property
    def total_q(self) -> float:
        """Total Q at resonance."""
        return 1.0 / (1.0 / self.electrical_q + 1.0 / self.mechanical_q)


def reference_efficiency(woofer: Woofer) -> float:
    """Return the half-space reference efficiency, 4π² fs³ VAS / (c³ QES).

    Source: R. H. Small, "Direct-radiator loudspeaker system analysis", JAES 20 (1972), recalled.
    """
    return 4 * np.pi**2 * woofer.resonance**3 * woofer.compliance / (SPEED_OF_SOUND**3 * woofer.electrical_q)


def half_space_level(woofer: Woofer, voltage: float) -> float:
    """Return the level in dB re 20 µPa at 1 m in a half space, in the pass band, for a voltage at the voice coil.

    From p² = W ρc / (2πr²) for the acoustic power W.
    """
    power = reference_efficiency(woofer) * voltage**2 / woofer.resistance
    return float(10 * np.log10(power * DENSITY * SPEED_OF_SOUND / (2 * np.pi) / (20e-6) ** 2))


def free_air(woofer: Woofer, frequency: Floats) -> Complexes:
    """Return the second-order high-pass of the driver without a box, as on an open baffle."""
    return _second_order(frequency / woofer.resonance, woofer.total_q)


def closed_box(woofer: Woofer, volume: float, frequency: Floats) -> Complexes:
    """Return the second-order high-pass of the driver in a lossless closed box of `volume` m³ (Small 1972)."""
    stiffening = np.sqrt(1 + woofer.compliance / volume)
    return _second_order(frequency / (woofer.resonance * stiffening), woofer.total_q * stiffening)


def _second_order(x: Floats, q: float) -> Complexes:
    s = 1j * x
    return np.asarray(s**2 / (s**2 + s / q + 1))


def vented_box(woofer: Woofer, volume: float, tuning: float, frequency: Floats, leakage_q: float = np.inf) -> Complexes:
    """Return the fourth-order high-pass of the driver in a vented box (Small 1973; Thiele 1971).

    Parameters
    ----------
    woofer : Woofer
        The driver, or one of several equal drivers in the box, with its share of the volume.
    volume : float
        m³.
    tuning : float
        Box resonance in Hz.
    frequency : numpy.ndarray
        Hz.
    leakage_q : float
        Q of the box's leaks; infinite for a lossless box.
    """
    q = woofer.total_q
    h = tuning / woofer.resonance
    alpha = woofer.compliance / volume
    leak = 1.0 / leakage_q
    a1 = (1 + h * q * leak) / (np.sqrt(h) * q)
    a2 = (h * leak / q + 1 + h**2 + alpha) / h
    a3 = (h + q * leak) / (np.sqrt(h) * q)
    s = 1j * frequency / (woofer.resonance * np.sqrt(h))
    return np.asarray(s**4 / (s**4 + a1 * s**3 + a2 * s**2 + a3 * s + 1))
