"""Electrical impedance: drivers in their box and the crossover network, by their equivalent circuit.

- Woofer: the voice coil's resistance in series with the motion, which is a parallel resonance of the driver with the
  series branch of box, leaks and port across it (R. H. Small, "Vented-box loudspeaker systems", JAES 21 (1973),
  recalled). Its inductance is assumed to be compensated by a resistor and a capacitor across it, as is common.
- Shelf: a resistor with a coil across it, in series with the woofer; with a resistance as load it is exactly the
  model's shelf.
- Crossover: second-order Butterworth sections with the resistances as loads; fourth order with the drivers' roll-off.
- Tweeter: coil, motion, and a series resistor that sets its level.

All coils and capacitors are ideal. The model of the sound assumes that resistances load the network. With the motion
of the woofer as load, the voltage at the coil is up to 0.6 dB lower and 2.8 dB higher below 200 Hz (willow 4.3 dB), and
within 1.3 dB above: the impedance includes this, the sound does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anechain.arrays import Complexes, Floats
from demo_model.bass import Woofer

__all__ = ["Terminals", "Tweeter", "impedance", "voice_coil_share", "woofer_impedance"]


@dataclass(frozen=True)
class Tweeter:
    """A tweeter as an electrical load.

    Attributes
    ----------
    resistance, inductance : float
        Resistance and inductance of its voice coil, ohm and henry.
    resonance, electrical_q, mechanical_q : float
        Hz, and Q at that frequency.
    pad : float
        Series resistor, ohm.
    """

    resistance: float
    inductance: float
    resonance: float
    electrical_q: float
    mechanical_q: float
    pad: float


@dataclass(frozen=True)
class Terminals:
    """The circuit behind a loudspeaker's terminals.

    Attributes
    ----------
    woofer : Woofer
        One of the woofers.
    tweeter : Tweeter
        The tweeter, or all of them as one load.
    shelf : (float, float)
        Centre in Hz and step in dB of the woofers' shelf.
    crossover : float
        Hz.
    woofers : int
        Number of equal woofers in parallel.
    volume : float or None
        Volume of the box per woofer, m³; None without a box.
    tuning : float or None
        Tuning of a vented box, Hz.
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
    """Return the motional admittance of a driver in free air."""
    omega = 2 * np.pi * resonance
    peak = resistance * mechanical_q / electrical_q
    capacitance, inductance = electrical_q / (omega * resistance), resistance / (omega * electrical_q)
    return np.asarray(1 / peak + s * capacitance + 1 / (s * inductance))


def woofer_impedance(terminals: Terminals, frequency: Floats) -> Complexes:
    """Return the impedance of one woofer in its share of the box, in ohm, without the network."""
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
    """Return the resistance of all woofers, and the resistance and inductance of the shelf."""
    load = terminals.woofer.resistance / terminals.woofers
    centre, step = terminals.shelf
    root = 10 ** (step / 40)
    resistance = load * (1 / root**2 - 1)
    return load, resistance, resistance * root / (2 * np.pi * centre)


def _woofer_branch(terminals: Terminals, frequency: Floats) -> tuple[Complexes, Complexes, Complexes]:
    """Return the impedance of the woofers alone, with the shelf, and with shelf and low-pass."""
    s = _s(frequency)
    load, resistance, inductance = _shelf_parts(terminals)
    woofers = woofer_impedance(terminals, frequency) / terminals.woofers
    shelved = woofers + resistance * s * inductance / (resistance + s * inductance)
    omega, ends = 2 * np.pi * terminals.crossover, load + resistance
    coil, capacitor = np.sqrt(2) * ends / omega, 1 / (np.sqrt(2) * ends * omega)
    return woofers, shelved, np.asarray(s * coil + 1 / (1 / shelved + s * capacitor))


def voice_coil_share(terminals: Terminals, frequency: Floats) -> Complexes:
    """Return the voltage at the woofers relative to that at the terminals."""
    s = _s(frequency)
    woofers, shelved, total = _woofer_branch(terminals, frequency)
    load, resistance, _ = _shelf_parts(terminals)
    coil = np.sqrt(2) * (load + resistance) / (2 * np.pi * terminals.crossover)
    return np.asarray((total - s * coil) / total * woofers / shelved)


def impedance(terminals: Terminals, frequency: Floats) -> Complexes:
    """Return the impedance at the terminals in ohm.

    Parameters
    ----------
    terminals : Terminals
        The circuit.
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
