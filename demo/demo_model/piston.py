"""Directivity of drivers as pistons, and of a tweeter behind a waveguide."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import j1

from anechain.arrays import Floats

__all__ = ["HALF_PRESSURE_ARGUMENT", "piston_directivity", "waveguide_radius"]


HALF_PRESSURE_ARGUMENT = 2.215089
"""Argument x at which 2 J1(x)/x is one half."""


def piston_directivity(radius: ArrayLike, wavenumber: ArrayLike, sine: ArrayLike) -> Floats:
    """Return the pressure of a rigid circular piston in an infinite baffle relative to its axis.

    It is 2 J1(x)/x with x = ka sin θ.

    Parameters
    ----------
    radius, wavenumber, sine : array_like
        m, 1/m, and the sine of the angle off the axis; broadcast.
    """
    x = np.asarray(radius, np.float64) * np.asarray(wavenumber, np.float64) * np.asarray(sine, np.float64)
    small = np.abs(x) < 1e-4
    safe = np.where(small, 1.0, x)
    return np.asarray(np.where(small, 1 - x**2 / 8, 2 * j1(safe) / safe))


def waveguide_radius(mouth: float, dome: Floats, coverage: float, wavenumber: Floats) -> Floats:
    """Return the radius of the piston with the directivity of a waveguide, for each wavenumber.

    The waveguide keeps the half-pressure angle at `coverage` degrees off the axis. At low frequencies its mouth is too
    small for it, and at high frequencies the dome itself is narrower. The transitions are smooth.
    """
    constant_coverage = HALF_PRESSURE_ARGUMENT / (np.maximum(wavenumber, 1e-9) * np.sin(np.deg2rad(coverage)))
    within_mouth = (mouth**-4.0 + constant_coverage**-4.0) ** -0.25
    return np.asarray((within_mouth**12 + dome**12) ** (1 / 12))
