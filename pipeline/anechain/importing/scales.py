"""Levels from the numbers of a file, in the scale that the campaign declares."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.arrays import Floats
from anechain.errors import InputError

__all__ = ["SCALE_NOTES", "level_from_scale", "refuse_missing"]

SCALE_NOTES = {
    "decibel": "levels in decibels, as declared; the files do not state their reference",
    "pascal": "levels converted from pascal to dB re 20 µPa, as declared",
    "linear": "levels converted from plain numbers to dB re 1, as declared",
}
"""Line of the import report for each scale."""


def refuse_missing(values: Floats, quantity: str, name: str, where: str, keep: bool) -> None:
    """Refuse missing values: always if all are missing, otherwise unless the campaign keeps them.

    Parameters
    ----------
    values : numpy.ndarray
        Values; NaN where one is missing.
    quantity : str
        "level" or "phase".
    name, where : str
        The variable and the file, for messages.
    keep : bool
        Whether the campaign keeps missing values.

    Raises
    ------
    InputError
        If all values are missing, or some and `keep` is false.
    """
    missing = np.isnan(values)
    if missing.all():
        raise InputError.single(
            where, f"{name}: every {quantity} is missing", f"a {quantity}", "correct the paths or titles in the options"
        )
    if missing.any() and not keep:
        raise InputError.single(
            where,
            f"{name}: {int(missing.sum())} of {missing.size} values are not a finite {quantity}",
            f"a finite {quantity} everywhere",
            "export the file again, or set the option `missing` to keep if values may be missing",
        )


def level_from_scale(values: ArrayLike, scale: str, name: str, where: str) -> Floats:
    """Return the level in dB of numbers in a declared scale.

    Parameters
    ----------
    values : array_like of float
        Decibels, pascals (r.m.s.) or plain magnitudes.
    scale : {"decibel", "pascal", "linear"}
        Scale of the values.
    name, where : str
        The variable and the file, for messages.

    Returns
    -------
    numpy.ndarray
        dB (re 20 µPa for pascals, re 1 for linear); NaN where the number is not finite, or is a magnitude of zero.

    Raises
    ------
    InputError
        If a magnitude is negative.
    """
    numbers = np.asarray(values, dtype=np.float64)
    level = numbers
    if scale != "decibel":
        if (numbers < 0).any():
            raise InputError.single(
                where,
                f"{name} has negative values, the lowest {np.nanmin(numbers):g}, but `level_scale` is {scale}",
                "magnitudes above zero",
                "set the option `level_scale` to decibel, if these are levels",
            )
        with np.errstate(divide="ignore"):
            level = 20 * np.log10(numbers / (REFERENCE_PRESSURE if scale == "pascal" else 1.0))
    return np.where(np.isfinite(level), level, np.nan)
