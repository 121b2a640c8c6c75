"""What an amplifier sees: drivers in their box, and the network before them, by their equivalent circuit.

- Woofer: the voice coil's resistance in series with the motion, which is a parallel resonance of the driver with the
  series branch of box, leaks and port across it (R. H. Small, "Vented-box loudspeaker systems", JAES 21 (1973),
  recalled). Its inductance is taken to be cancelled by a resistor and a capacitor across it, as is customary.
- Shelf: a resistor with a coil across it, in series with the woofer; exactly the model's shelf into the resistance.
- Crossover: second-order Butterworth sections into the resistances; the drivers' own fall makes fourth order of them.
- Tweeter: coil, motion, and a resistor in series that brings it to its level.

All coils and capacitors are ideal. The model of the sound takes the network as loaded by resistances. Loaded by the
motion of the woofer too, it gives the coil up to 0.6 dB less and 2.8 dB more voltage below 200 Hz (willow 4.3 dB), and
within 1.3 dB of the same above: that is in the impedance and not in the sound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anechain.arrays import Complexes, Floats
from demo_model.bass import Woofer

__all__ = ["Terminals", "Tweeter", "impedance", "voice_coil_share", "woofer_impedance"]


@dataclass(frozen=True)
class Tweeter:
    """A tweeter as a load.

    Attributes
    ----------
    resistance, inductance : float
        Of its voice coil, ohm and henry.
    resonance, electrical_q, mechanical_q : float
        Hz, and Q at that frequency.
    pad : float
        Ohm in series with it.
    """

    resistance: float
    inductance: float
    resonance: float
    electrical_q: float
    mechanical_q: float
    pad: float


@dataclass(frozen=True)
class Terminals:
    """What lies behind a loudspeaker's terminals.

    Attributes
    ----------
    woofer : Woofer
        One of them.
    tweeter : Tweeter
        The tweeter, or all of them as one load.
    shelf : (float, float)
        Centre in Hz and step in dB of the woofers' shelf.
    crossover : float
        Hz.
    woofers : int
        Alike, in parallel.
    volume : float or None
        Of the box for each woofer, m³; None without a box.
    tuning : float or None
        Of a vented box, Hz.
    leakage_q : float
        Q of the box's leaks.
    """

    woofer: Woofer
    tweeter: Tweeter
    shelf: tuple[float, float]
    crossover: float
    woofers: int = 1
    volume: float | None = None
    tuning: float | None = None
    leakage_q: float = np.inf


def _s(frequency: Floats) -> Complexes:
    return np.asarray(2j * np.pi * frequency)


def _resonator(
    resistance: float, resonance: float, electrical_q: float, mechanical_q: float, s: Complexes
) -> Complexes:
    """Admittance of a driver's motion in free air, seen through its voice coil."""
    omega = 2 * np.pi * resonance
    peak = resistance * mechanical_q / electrical_q
    capacitance, inductance = electrical_q / (omega * resistance), resistance / (omega * electrical_q)
    return np.asarray(1 / peak + s * capacitance + 1 / (s * inductance))


def woofer_impedance(terminals: Terminals, frequency: Floats) -> Complexes:
    """Impedance of one woofer in its share of the box, in ohm, without the network."""
    woofer, s = terminals.woofer, _s(frequency)
    motion = _resonator(woofer.resistance, woofer.resonance, woofer.electrical_q, woofer.mechanical_q, s)
    if terminals.volume is not None:
        free = woofer.resistance / (2 * np.pi * woofer.resonance * woofer.electrical_q)
        box = free * terminals.volume / woofer.compliance
        branch = s * box
        if terminals.tuning is not None:
            omega = 2 * np.pi * terminals.tuning
            branch = branch + omega * box / terminals.leakage_q + omega**2 * box / s
        motion = motion + 1 / branch
    return np.asarray(woofer.resistance + 1 / motion)


def _shelf_parts(terminals: Terminals) -> tuple[float, float, float]:
    """Resistance of the woofers together, and resistance and inductance of the shelf."""
    load = terminals.woofer.resistance / terminals.woofers
    centre, step = terminals.shelf
    root = 10 ** (step / 40)
    resistance = load * (1 / root**2 - 1)
    return load, resistance, resistance * root / (2 * np.pi * centre)


def _woofer_branch(terminals: Terminals, frequency: Floats) -> tuple[Complexes, Complexes, Complexes]:
    """Impedance of the woofers, with the shelf, and with shelf and low-pass."""
    s = _s(frequency)
    load, resistance, inductance = _shelf_parts(terminals)
    woofers = woofer_impedance(terminals, frequency) / terminals.woofers
    shelved = woofers + resistance * s * inductance / (resistance + s * inductance)
    omega, ends = 2 * np.pi * terminals.crossover, load + resistance
    coil, capacitor = np.sqrt(2) * ends / omega, 1 / (np.sqrt(2) * ends * omega)
    return woofers, shelved, np.asarray(s * coil + 1 / (1 / shelved + s * capacitor))


def voice_coil_share(terminals: Terminals, frequency: Floats) -> Complexes:
    """Share of the voltage at the terminals that reaches the woofers."""
    s = _s(frequency)
    woofers, shelved, whole = _woofer_branch(terminals, frequency)
    load, resistance, _ = _shelf_parts(terminals)
    coil = np.sqrt(2) * (load + resistance) / (2 * np.pi * terminals.crossover)
    return np.asarray((whole - s * coil) / whole * woofers / shelved)


def impedance(terminals: Terminals, frequency: Floats) -> Complexes:
    """Impedance at the terminals in ohm.

    Parameters
    ----------
    terminals : Terminals
        What lies behind them.
    frequency : numpy.ndarray
        Hz.

    Returns
    -------
    numpy.ndarray of complex
        Time factor exp(+jωt): inductive is positive.
    """
    s, tweeter = _s(frequency), terminals.tweeter
    motion = _resonator(tweeter.resistance, tweeter.resonance, tweeter.electrical_q, tweeter.mechanical_q, s)
    padded = tweeter.pad + tweeter.resistance + s * tweeter.inductance + 1 / motion
    omega, load = 2 * np.pi * terminals.crossover, tweeter.pad + tweeter.resistance
    capacitor, coil = 1 / (np.sqrt(2) * load * omega), np.sqrt(2) * load / omega
    high = 1 / (s * capacitor) + 1 / (1 / padded + 1 / (s * coil))
    return np.asarray(1 / (1 / _woofer_branch(terminals, frequency)[2] + 1 / high))
