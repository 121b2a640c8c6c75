"""Several takes of one impedance: their mean, and how far they lie apart."""

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
        Standard deviation of the takes' moduli as a share of their mean.
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
    limitations="A voice coil that warms between takes raises all later ones: the mean hides it, the deviation shows "
    "it.",
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
        raise ValueError("a mean needs two takes or more, one row each")
    mean, phase = modulus.mean(axis=0), None
    deviation = modulus.std(axis=0, ddof=1) / mean
    if phases is not None:
        angle = np.asarray(phases, dtype=np.float64)
        if angle.shape != modulus.shape:
            raise ValueError(f"phases of shape {angle.shape} for moduli of shape {modulus.shape}")
        whole = (modulus * np.exp(1j * np.deg2rad(angle))).mean(axis=0)
        # A take without a phase still has its modulus.
        turned = np.isfinite(whole)
        mean = np.where(turned, np.abs(whole), mean)
        phase = np.where(turned, np.rad2deg(np.angle(np.where(turned, whole, 1.0))), np.nan)
    return MeanImpedance(mean, phase, deviation)


@method(
    "phase-deviation",
    version=1,
    title="Standard deviation of repeated takes of a phase",
    formula="Root of the sum, over takes, of the squared angle from the mean of the complex impedance, over n - 1",
    source="GUM, JCGM 100:2008, 4.2, on angles from that of the mean of the complex impedance",
    source_status="common practice, no source",
    limitations="For phases that lie well within half a turn of each other.",
)
def phase_deviation(magnitudes: ArrayLike, phases: ArrayLike) -> Floats:
    """How far the phases of takes of the same impedance lie apart.

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
        raise ValueError("two takes or more, one row each, with a phase for each modulus")
    turns = np.exp(1j * np.deg2rad(angle))
    off = np.rad2deg(np.angle(turns * np.conj((modulus * turns).mean(axis=0))))
    return np.asarray(np.sqrt((off**2).sum(axis=0) / (modulus.shape[0] - 1)))
