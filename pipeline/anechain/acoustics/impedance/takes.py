"""Mean and standard deviation of repeated takes of an impedance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["MeanImpedance", "mean_impedance", "phase_deviation"]


@dataclass(frozen=True)
class MeanImpedance:
    """Mean of several takes.

    Attributes
    ----------
    magnitude : numpy.ndarray, shape (n,)
        Ohm; NaN where a take has none.
    phase : numpy.ndarray, shape (n,), or None
        Degrees in (-180, 180]; None if the takes have none.
    deviation : numpy.ndarray, shape (n,)
        Relative standard deviation of the takes' moduli.
    """

    magnitude: Floats
    phase: Floats | None
    deviation: Floats


@method(
    "mean-impedance",
    version=1,
    title="Mean of repeated takes of an impedance",
    formula="Mean of the complex impedances, or of the moduli; standard deviation with n - 1",
    source="mean of the complex impedance, or of the modulus where the phase was not measured; standard deviation by "
    "GUM, JCGM 100:2008, 4.2",
    source_status="common practice, no source",
    limitations="A voice coil that warms up between takes raises the later ones: the mean hides it, the deviation "
    "shows it.",
)
def mean_impedance(magnitudes: ArrayLike, phases: ArrayLike | None = None) -> MeanImpedance:
    """Average takes of the same impedance.

    Parameters
    ----------
    magnitudes : array_like, shape (takes, n)
        Ohm; two takes or more. NaN where a take has no value.
    phases : array_like, same shape, optional
        Degrees.

    Returns
    -------
    MeanImpedance

    Raises
    ------
    ValueError
        If there are fewer than two takes, or the phases have another shape.
    """
    modulus = np.asarray(magnitudes, dtype=np.float64)
    if modulus.ndim != 2 or modulus.shape[0] < 2:
        raise ValueError("two takes or more are needed, one row each")
    mean = modulus.mean(axis=0)
    phase = None
    deviation = modulus.std(axis=0, ddof=1) / mean
    if phases is not None:
        angle = np.asarray(phases, dtype=np.float64)
        if angle.shape != modulus.shape:
            raise ValueError(f"phases of shape {angle.shape} for moduli of shape {modulus.shape}")
        complex_mean = (modulus * np.exp(1j * np.deg2rad(angle))).mean(axis=0)
        # Where a take has no phase the modulus is still averaged.
        known = np.isfinite(complex_mean)
        mean = np.where(known, np.abs(complex_mean), mean)
        phase = np.where(known, np.rad2deg(np.angle(np.where(known, complex_mean, 1.0))), np.nan)
    return MeanImpedance(mean, phase, deviation)


@method(
    "phase-deviation",
    version=1,
    title="Standard deviation of repeated takes of a phase",
    formula="Square root of the sum over takes of the squared angle from the mean complex impedance, divided by n - 1",
    source="GUM, JCGM 100:2008, 4.2, of the angles from the mean complex impedance",
    source_status="common practice, no source",
    limitations="For phases that differ by much less than 180 degrees.",
)
def phase_deviation(magnitudes: ArrayLike, phases: ArrayLike) -> Floats:
    """Return the standard deviation of the phase over takes of the same impedance.

    Parameters
    ----------
    magnitudes : array_like, shape (takes, n)
        Ohm; two takes or more.
    phases : array_like, same shape
        Degrees.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Degrees; NaN where a take has no value.

    Raises
    ------
    ValueError
        If there are fewer than two takes, or the phases have another shape.
    """
    modulus, angle = np.asarray(magnitudes, dtype=np.float64), np.asarray(phases, dtype=np.float64)
    if modulus.ndim != 2 or modulus.shape[0] < 2 or angle.shape != modulus.shape:
        raise ValueError("two takes or more are needed, one row each, with a phase for each modulus")
    unit = np.exp(1j * np.deg2rad(angle))
    deviation = np.rad2deg(np.angle(unit * np.conj((modulus * unit).mean(axis=0))))
    return np.asarray(np.sqrt((deviation**2).sum(axis=0) / (modulus.shape[0] - 1)))
