"""Heating of a voice coil: what a warmer coil costs in level, and how warm a loss of level would make it."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["ASSUMPTIONS", "TEMPERATURE_COEFFICIENTS", "heating_loss", "implied_rise", "resistance_ratio"]

Conductor = Literal["copper", "aluminium"]

TEMPERATURE_COEFFICIENTS: dict[str, float] = {"copper": 0.00393, "aluminium": 0.0040}
"""Change of resistance per kelvin re 20 °C.

Copper: international annealed copper, IEC 60028 (0.00393 /K at 20 °C, published). Aluminium: handbooks, recalled.
"""

ASSUMPTIONS = (
    "all of the loss comes from the resistance of the coil, the drive was a constant voltage at the coil's terminals, "
    "the impedance in the band is resistance only, and the coil was at 20 °C at the lowest drive"
)
"""What the rise of temperature implied by a loss of level rests on."""


def _coefficient(conductor: str) -> float:
    if conductor not in TEMPERATURE_COEFFICIENTS:
        raise ValueError(f"the conductor is one of {', '.join(TEMPERATURE_COEFFICIENTS)}, not {conductor!r}")
    return TEMPERATURE_COEFFICIENTS[conductor]


def resistance_ratio(rise_k: ArrayLike, conductor: Conductor = "copper") -> Floats:
    """Resistance of a coil warmed from 20 °C by so many kelvin, re its resistance at 20 °C."""
    return np.asarray(1.0 + _coefficient(conductor) * np.asarray(rise_k, dtype=np.float64))


@method(
    "coil-heating-loss",
    version=1,
    title="Change of level from the heating of the voice coil at constant voltage",
    formula="-20 lg |(Z + R0 a dT) / Z|, a being the temperature coefficient of the wire",
    source="-20 lg |(Z + R0 a dT) / Z|, R = R0 (1 + a dT) with a = 0.00393 /K for copper (IEC 60028); lumped model in "
    "the spirit of Zuccatti 1990 and Button 1992",
    source_status="recalled",
    limitations="Resistance alone: no change of the motor or the suspension. Depends on frequency through the "
    "impedance.",
)
def heating_loss(
    rise_k: ArrayLike, resistance_ohm: float, series_ohm: ArrayLike = 0.0, conductor: Conductor = "copper"
) -> Floats:
    """Change of level in dB, never above zero for a real series resistance, when a coil warms up.

    Parameters
    ----------
    rise_k : array_like
        Rise of temperature above 20 °C in kelvin.
    resistance_ohm : float
        Resistance of the coil at 20 °C.
    series_ohm : array_like
        Everything in series with it, complex where it is no resistance: cable, passive filter, motional impedance.
    conductor : {"copper", "aluminium"}
        Of the coil.

    Returns
    -------
    numpy.ndarray
        dB.

    Raises
    ------
    ValueError
        If the resistance is not above zero or the conductor is not known.
    """
    if not resistance_ohm > 0:
        raise ValueError(f"the coil's resistance is above zero, not {resistance_ohm}")
    cold = resistance_ohm + np.asarray(series_ohm)
    warm = cold + resistance_ohm * (resistance_ratio(rise_k, conductor) - 1.0)
    return np.asarray(-20.0 * np.log10(np.abs(warm / cold)), dtype=np.float64)


@method(
    "coil-temperature-rise",
    version=1,
    title="Rise of the coil's temperature that a loss of level would need",
    formula="(10^(-L / 20) - 1) (R0 + Rs) / (a R0), L being the loss in dB",
    source="inverse of the loss by heating at constant voltage: dT = (10^(-L / 20) - 1) (R0 + Rs) / (a R0)",
    source_status="recalled",
    limitations="A possibility, no measurement: whatever else takes level away counts as heat.",
)
def implied_rise(delta_db: ArrayLike, series_resistance_ratio: float = 0.0, conductor: Conductor = "copper") -> Floats:
    """Rise of temperature in kelvin that a delta would need if heating were its only cause.

    Parameters
    ----------
    delta_db : array_like
        dB, not above zero; NaN for a level that rose.
    series_resistance_ratio : float
        Resistance in series with the coil re that of the coil at 20 °C.
    conductor : {"copper", "aluminium"}
        Of the coil.

    Returns
    -------
    numpy.ndarray
        K above the temperature at the lowest drive; see `ASSUMPTIONS`.

    Raises
    ------
    ValueError
        If the share is negative or the conductor is not known.
    """
    if not 0 <= series_resistance_ratio < np.inf:
        raise ValueError(f"the share of resistance in series is not negative, unlike {series_resistance_ratio}")
    delta = np.asarray(delta_db, dtype=np.float64)
    ratio = 10.0 ** (-delta / 20.0) - 1.0
    return np.asarray(np.where(delta <= 0, ratio * (1.0 + series_resistance_ratio) / _coefficient(conductor), np.nan))
