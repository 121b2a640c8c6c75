"""Heating of a voice coil: the rise of temperature that would explain a loss of level."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["ASSUMPTIONS", "TEMPERATURE_COEFFICIENTS", "implied_temperature_rise"]

Conductor = Literal["copper", "aluminium"]

TEMPERATURE_COEFFICIENTS: dict[str, float] = {"copper": 0.00393, "aluminium": 0.0040}
"""Relative change of resistance per kelvin re 20 °C.

Copper: international annealed copper, IEC 60028 (0.00393 /K at 20 °C, published). Aluminium: handbooks, recalled.
"""

ASSUMPTIONS = (
    "all of the loss comes from the resistance of the coil, the drive was a constant voltage at the coil's terminals, "
    "the impedance in the band is resistance only, and the coil was at 20 °C at the lowest drive"
)
"""Assumptions behind the rise of temperature that a loss of level implies."""


@method(
    "coil-temperature-rise",
    version=1,
    title="Rise of the coil's temperature that would explain a loss of level",
    formula="(10^(-L / 20) - 1) (R0 + Rs) / (a R0), L being the loss in dB",
    source="inverse of the loss by heating at constant voltage, L = -20 lg((R0 + Rs + R0 a dT) / (R0 + Rs)): "
    "dT = (10^(-L / 20) - 1) (R0 + Rs) / (a R0)",
    source_status="recalled",
    limitations="An estimate, not a measurement: every other cause of a loss of level is counted as heating.",
)
def implied_temperature_rise(
    delta_db: ArrayLike, series_resistance_ratio: float = 0.0, conductor: Conductor = "copper"
) -> Floats:
    """Return the rise of coil temperature that would explain a change of level if heating were its only cause.

    Parameters
    ----------
    delta_db : array_like
        Change of level in dB, zero or negative; NaN is returned where the level rose.
    series_resistance_ratio : float
        Resistance in series with the coil divided by the resistance of the coil at 20 °C.
    conductor : {"copper", "aluminium"}
        Wire of the coil.

    Returns
    -------
    numpy.ndarray
        K above the temperature at the lowest drive; see `ASSUMPTIONS`.

    Raises
    ------
    ValueError
        If the ratio is negative or the conductor is not known.
    """
    if not 0 <= series_resistance_ratio < np.inf:
        raise ValueError(f"the series resistance ratio must be zero or positive, not {series_resistance_ratio}")
    if conductor not in TEMPERATURE_COEFFICIENTS:
        raise ValueError(f"the conductor must be one of {', '.join(TEMPERATURE_COEFFICIENTS)}, not {conductor!r}")
    delta = np.asarray(delta_db, dtype=np.float64)
    ratio = 10.0 ** (-delta / 20.0) - 1.0
    rise = ratio * (1.0 + series_resistance_ratio) / TEMPERATURE_COEFFICIENTS[conductor]
    return np.asarray(np.where(delta <= 0, rise, np.nan))
