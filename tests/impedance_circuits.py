"""Impedances of circuits whose values are known beforehand."""

import numpy as np

GRID = np.geomspace(10.0, 20000.0, 800)


def closed_box(coil=5.8, inductance=0.0, resonance=45.0, height=30.0, q=4.0, frequency=GRID):
    motional = height / (1 + 1j * q * (frequency / resonance - resonance / frequency))
    return coil + 2j * np.pi * frequency * inductance + motional


def vented_box(tuning=38.0, coil=5.8, inductance=0.0, box_q=np.inf, frequency=GRID):
    """Driver of fs = 38 Hz on a box tuned to `tuning` (Small 1973): the port's branch is a short at its resonance."""
    w = 2 * np.pi * frequency
    # Electrical analogue: parallel R, C, L of the driver, in parallel the series L and C of box and port.
    driver = 1 / (1 / 35.0 + 1j * w * 300e-6 + 1 / (1j * w * (1 / (300e-6 * (2 * np.pi * 38.0) ** 2))))
    series = 35e-3
    capacitance = 1 / (series * (2 * np.pi * tuning) ** 2)
    loss = 0.0 if np.isinf(box_q) else 2 * np.pi * tuning * series / box_q
    port = loss + 1j * w * series + 1 / (1j * w * capacitance)
    return coil + 1j * w * inductance + 1 / (1 / driver + 1 / port)


def both(z):
    return np.abs(z), np.rad2deg(np.angle(z))
