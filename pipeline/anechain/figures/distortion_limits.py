"""Upper limits in figures of distortion: which sums are drawn as limits, and the notes that explain them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.figures.distortion_panels import DistortionCurve, Flags

__all__ = ["drawn_as_limit", "limit_notes", "row_of_level"]


_MAX_REDUCTION_DB = 0.5
"""A sum is drawn as a value if masked orders can lower it by no more than this."""


def drawn_as_limit(percent: Floats, percent_least: Floats, limit: Flags) -> Flags:
    """Return which sums are drawn as upper limits: those that masked orders can lower by more than 0.5 dB.

    Parameters
    ----------
    percent, percent_least : numpy.ndarray
        The sum with masked orders at their upper limits, and without them, in per cent.
    limit : numpy.ndarray of bool
        Whether the sum includes masked orders.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return limit & ~(20 * np.log10(percent / percent_least) <= _MAX_REDUCTION_DB)


def limit_notes(orders: Sequence[DistortionCurve], sums: Sequence[DistortionCurve]) -> list[str]:
    """Return the notes that explain upper limits of orders and of sums; none if nothing is an upper limit."""
    notes = []
    if any(curve.limit.any() for curve in (*orders, *sums)):
        notes.append("Dashed lines and hollow triangles: upper limits. Noise masks the value, which is lower.")
    if any(curve.limit.any() for curve in sums):
        notes.append(
            f"Sums are upper limits where masked orders could lower them by more than {_MAX_REDUCTION_DB:g} dB."
        )
    return notes


def row_of_level(values: ArrayLike, level: float, name: str) -> int:
    """Return the row of a level; raise InputError if there is no such level."""
    rows = np.flatnonzero(np.isclose(np.asarray(values, dtype=np.float64), level, atol=1e-9))
    if not rows.size:
        known = ", ".join(f"{value:g} dB" for value in np.asarray(values))
        raise InputError.single(name, f"{level:g} dB: no such level", known, "choose a level of the dataset")
    return int(rows[0])
