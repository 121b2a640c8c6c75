"""Levels from the numbers that a file holds, in the scale that its user declares."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.arrays import Floats
from anechain.errors import InputError

__all__ = ["SCALES", "finite_or_refused", "level_of_numbers"]


SCALES = {
    "decibel": "levels in decibels, as declared; the files do not say what they refer to",
    "pascal": "levels turned from pascal into dB re 20 µPa, as declared",
    "linear": "levels turned from bare numbers into dB re 1, as declared",
}
"""Scales, and the line of the import report that says what was done."""


def finite_or_refused(values: Floats, what: str, name: str, where: str, keep: bool) -> None:
    """Refuse values that are NaN: all of them always, some of them unless they are kept as gaps.

    Parameters
    ----------
    values : numpy.ndarray
        NaN where there is no value.
    what : str
        "level" or "phase".
    name, where : str
        The variable and the file, for messages.
    keep : bool
        Whether gaps are kept.

    Raises
    ------
    InputError
        As said.
    """
    bad = np.isnan(values)
    if bad.all():
        raise InputError.single(where, f"{name}: every {what} is missing", f"a {what}", "correct what the options name")
    if bad.any() and not keep:
        raise InputError.single(
            where,
            f"{name}: {int(bad.sum())} of {bad.size} values are no finite {what}",
            f"a finite {what} everywhere",
            "export the file again, or set the option `missing` to keep for gaps",
        )


def level_of_numbers(values: ArrayLike, scale: str, name: str, where: str) -> Floats:
    """Level in dB of numbers in a declared scale.

    Parameters
    ----------
    values : array_like of float
        Decibels, pascals r.m.s. or bare magnitudes.
    scale : {"decibel", "pascal", "linear"}
        Which of them.
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
                f"{name} has negative values, the lowest {np.nanmin(numbers):g}, though `level_scale` is {scale}",
                "magnitudes above zero",
                "set the option `level_scale` to decibel if these are levels",
            )
        with np.errstate(divide="ignore"):
            level = 20 * np.log10(numbers / (REFERENCE_PRESSURE if scale == "pascal" else 1.0))
    return np.where(np.isfinite(level), level, np.nan)
