"""Levels in decibels, squared pressures, and the reference distance and drive of levels."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "REFERENCE_DISTANCE",
    "REFERENCE_DRIVE",
    "REFERENCE_PRESSURE",
    "level_of_power",
    "mean_level",
    "power_of_level",
    "referred_level_step",
]

REFERENCE_PRESSURE = 20e-6
"""Reference sound pressure in pascal (ISO 1683)."""
REFERENCE_DISTANCE = 1.0
"""m; distance that published levels are referred to."""
REFERENCE_DRIVE = 2.83
"""V r.m.s.; drive that published levels are referred to: about 1 W into 8 ohm."""


def power_of_level(level: ArrayLike) -> Floats:
    """Return the squared pressure relative to the reference's, 10^(L/10), of a level in dB (any shape)."""
    return np.asarray(10.0 ** (np.asarray(level, dtype=np.float64) / 10.0))


def level_of_power(power: ArrayLike) -> Floats:
    """Return the level in dB of a relative squared pressure (any shape); zero power is -inf, without a warning."""
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(np.asarray(power, dtype=np.float64)))


def mean_level(level: ArrayLike, weights: ArrayLike | None = None, axis: int = 0) -> Floats:
    """Return the level of the (weighted) mean squared pressure along an axis.

    Parameters
    ----------
    level : array_like
        Levels in dB.
    weights : array_like, optional
        One weight per entry along `axis`, in any unit: they are divided by their sum. Equal weights if absent.
    axis : int
        The axis to average over.

    Returns
    -------
    numpy.ndarray
        dB, without the averaged axis. NaN where any averaged level is NaN: the average is undefined where a direction
        is missing.

    Raises
    ------
    ValueError
        If the number of weights is wrong, or a weight is negative, or all are zero.

    Notes
    -----
    Decibels themselves are never averaged: levels of 80 dB and 70 dB have the mean 77.40 dB, not 75 dB.
    """
    power = power_of_level(level)
    if weights is None:
        return level_of_power(power.mean(axis=axis))
    weight = np.asarray(weights, dtype=np.float64)
    if weight.ndim != 1 or weight.size != power.shape[axis]:
        raise ValueError(f"{weight.size} weights for {power.shape[axis]} levels")
    if not weight.sum() > 0 or (weight < 0).any():
        raise ValueError("weights must not be negative and must not all be zero")
    moved = np.moveaxis(power, axis, -1)
    return level_of_power((moved * (weight / weight.sum())).sum(axis=-1))


@method(
    "level-reference",
    version=1,
    title="Level referred to 1 m and 2.83 V",
    formula="Level plus 20 lg(distance / 1 m) minus 20 lg(voltage / 2.83 V)",
    source="inverse distance law; ANSI/CTA-2034-A for 1 m and 2.83 V",
    source_status="recalled",
    limitations="Valid in the far field and for a linear device only.",
)
def referred_level_step(
    distance: float, drive: float, to_distance: float = REFERENCE_DISTANCE, to_drive: float = REFERENCE_DRIVE
) -> float:
    """Return the level step that refers a level to another distance and drive.

    Parameters
    ----------
    distance, to_distance : float
        Metres; the inverse distance law holds in the far field only (beyond about three times the largest
        dimension of the source: Struck and Temme 1994, equation 15, quoted second hand).
    drive, to_drive : float
        Volts r.m.s.; a linear device is assumed.

    Returns
    -------
    float
        dB, to add to the measured level.

    Raises
    ------
    ValueError
        If a distance or a drive is not above zero.
    """
    for name, value in (
        ("distance", distance),
        ("drive", drive),
        ("to_distance", to_distance),
        ("to_drive", to_drive),
    ):
        if not value > 0:
            raise ValueError(f"{name} must be above zero, not {value}")
    return float(20.0 * np.log10(distance / to_distance * to_drive / drive))
