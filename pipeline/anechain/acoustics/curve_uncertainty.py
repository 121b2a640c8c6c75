"""How sure a curve set is: uncertainties of single directions carried through the averages of the curve set."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curves import RearWall, Total, curve_set
from anechain.acoustics.levels import power_of_level
from anechain.acoustics.uncertainty import CurveUncertainty, difference_uncertainty, mean_level_uncertainty
from anechain.methods import method

__all__ = ["CurveSetUncertainty", "curve_set_uncertainty", "direction_weights"]

Floats = NDArray[np.float64]

_SUBTRACTED = {
    f"{kind}_index{suffix}": f"{kind}{suffix}"
    for kind in ("sound_power", "early_reflections")
    for suffix in ("", "_horizontal", "_vertical")
}
"""Which curve each directivity index subtracts from the listening window."""


@dataclass(frozen=True)
class CurveSetUncertainty:
    """Standard uncertainties of a curve set in dB, correlated and uncorrelated parts apart.

    Attributes
    ----------
    levels : dict of str to CurveUncertainty
        By curve; arrays of shape (n,).
    indices : dict of str to CurveUncertainty
        By directivity index.
    """

    levels: dict[str, CurveUncertainty]
    indices: dict[str, CurveUncertainty]


def direction_weights(
    planes: Sequence[str],
    angles: ArrayLike,
    measured: ArrayLike,
    *,
    early_reflections_total: Total = "bounces",
    rear_wall: RearWall = "three",
) -> dict[str, Floats]:
    """Weight of each direction in each curve of the curve set: its share when all directions are equally loud.

    Parameters
    ----------
    planes : sequence of str
        Planes of the first axis.
    angles : array_like, shape (m,)
        Degrees.
    measured : array_like of bool, shape (plane, angle)
        Directions that there are.
    early_reflections_total, rear_wall
        As :func:`anechain.acoustics.curves.curve_set` takes them.

    Returns
    -------
    dict of str to numpy.ndarray, shape (plane, angle)
        By curve; each sums to one.
    """
    # Every curve is a weighted sum of squared pressures, so the curve set of directions that sound one at a time is
    # the table of the weights, whichever version of a method makes the curve.
    held = np.asarray(measured, dtype=np.bool_)
    count = int(held.sum())
    level = np.full((*held.shape, count), np.nan)
    level[held] = np.where(np.eye(count, dtype=np.bool_), 0.0, -np.inf)
    curves = curve_set(
        level, planes, angles, early_reflections_total=early_reflections_total, rear_wall=rear_wall
    ).levels
    weights = {}
    for name, curve in curves.items():
        weights[name] = np.zeros(held.shape)
        weights[name][held] = power_of_level(curve)
    return weights


@method(
    "curve-set-uncertainty",
    version=1,
    title="Uncertainty of the curve set from those of its directions",
    formula="For each curve: sensitivities are the directions' shares of the sum of squared pressures; what is common "
    "adds by signed sum, what is each direction's own by squares",
    source="GUM, JCGM 100:2008, 5.1.2 and 5.2.2, on every weighted mean of squared pressures of the curve set",
    limits="First order. Correlated parts are the same in all directions; uncorrelated parts are each direction's own. "
    "The reading of a curve (its directions and weights) is not in it.",
)
def curve_set_uncertainty(
    level: ArrayLike,
    planes: Sequence[str],
    angles: ArrayLike,
    correlated_db: ArrayLike,
    uncorrelated_db: ArrayLike,
    *,
    early_reflections_total: Total = "bounces",
    rear_wall: RearWall = "three",
) -> CurveSetUncertainty:
    """Standard uncertainty of every curve and directivity index.

    Parameters
    ----------
    level : array_like, shape (plane, angle, n)
        dB; a direction that is NaN at all frequencies was not measured.
    planes : sequence of str
        Planes of the first axis.
    angles : array_like, shape (m,)
        Degrees.
    correlated_db : array_like, broadcast to (n,)
        Standard uncertainty that all directions share.
    uncorrelated_db : array_like, broadcast to (plane, angle, n)
        Standard uncertainty that is each direction's own.
    early_reflections_total, rear_wall
        As :func:`anechain.acoustics.curves.curve_set` takes them.

    Returns
    -------
    CurveSetUncertainty
        For the curves that the directions allow.
    """
    values = np.asarray(level, dtype=np.float64)
    held = ~np.isnan(values).all(axis=2)
    own = np.broadcast_to(np.asarray(uncorrelated_db, dtype=np.float64), values.shape)
    weights = direction_weights(
        planes, angles, held, early_reflections_total=early_reflections_total, rear_wall=rear_wall
    )

    def needed(*names: str) -> NDArray[np.bool_]:
        return np.asarray(held & np.any([weights[name] > 0 for name in names], axis=0))

    levels = {}
    for name, weight in weights.items():
        rows = needed(name)
        levels[name] = mean_level_uncertainty(values[rows], weight[rows], correlated_db, own[rows])
    indices = {}
    for name, subtracted in _SUBTRACTED.items():
        if subtracted in weights and "listening_window" in weights:
            rows = needed("listening_window", subtracted)
            indices[name] = difference_uncertainty(
                values[rows], weights["listening_window"][rows], weights[subtracted][rows], correlated_db, own[rows]
            )
    return CurveSetUncertainty(levels, indices)
