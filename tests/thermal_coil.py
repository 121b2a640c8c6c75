"""A voice coil that warms up and cools down: a first-order thermal model, integrated by scipy."""

import numpy as np
from scipy.integrate import solve_ivp

FREQUENCY = np.geomspace(100.0, 10_000.0, 41)

BAND = (300.0, 3000.0)

RESISTANCE, THERMAL_RESISTANCE, HEAT_CAPACITY, COPPER = 6.0, 2.0, 20.0, 0.00393


def temperatures(drives, start, lasting, thermal_resistance=THERMAL_RESISTANCE, heat_capacity=HEAT_CAPACITY):
    """Coil temperature above 20 °C in the middle of each take; the coil is driven only while a take lasts.

    C dT/dt = U^2 / (R0 (1 + a T)) - T / Rth, the lumped model of one thermal resistance and one heat capacity.
    """
    rises, rise, clock = [], 0.0, 0.0
    for volt, begin in zip(drives, start, strict=True):
        for drive, until in ((0.0, begin), (volt, begin + lasting / 2), (volt, begin + lasting)):
            if until > clock:
                solved = solve_ivp(
                    lambda _, T, U=drive: (
                        (U**2 / (RESISTANCE * (1 + COPPER * T)) - T / thermal_resistance) / heat_capacity
                    ),
                    (clock, until),
                    [rise],
                    rtol=1e-9,
                    atol=1e-9,
                )
                rise, clock = float(solved.y[0, -1]), until
            if drive and until == begin + lasting / 2:
                rises.append(rise)
    return np.array(rises)


def takes(drives, start, lasting=10.0, **thermal):
    """Level of each take, and coil temperature above 20 °C."""
    warm = temperatures(drives, start, lasting, **thermal)
    level = 90 + 20 * np.log10(np.asarray(drives)) - 20 * np.log10(1 + COPPER * warm)
    return level[:, np.newaxis] + 3 * np.sin(np.log(FREQUENCY)), warm
