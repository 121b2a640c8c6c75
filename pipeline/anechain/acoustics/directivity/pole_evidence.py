"""Whether a peak or dip has the same poles in all directions: the residual of fits with one centre and one Q.

A resonance has one centre frequency and one Q wherever the microphone is; only its strength and phase change with the
angle. The peaks and dips of interference move.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from anechain.acoustics.curve.peak_shapes import PeakOrDip, shape_components
from anechain.acoustics.curve.resonance_shape import resonance_basis
from anechain.acoustics.directivity.deviation_criteria import Criteria
from anechain.acoustics.directivity.shape_fits import FitWindow, levels_around, without_neighbours
from anechain.arrays import Floats

__all__ = ["residual_shares"]

SAME_ANGLE = 0.01

MAX_DROP_DB = 10.0
"""dB below the loudest direction of an orbit, mean over the window: softer directions are not used."""


def _front_fits(
    feature: PeakOrDip,
    frequency: Floats,
    level: Floats,
    planes: Sequence[str],
    degrees: Floats,
    others: Sequence[PeakOrDip],
    criteria: Criteria,
) -> dict[str, tuple[Floats, Floats]]:
    """Return residuals and r.m.s. levels about the background in dB of the front directions, by orbit."""
    half = float(min(max(0.25, feature.width_octaves), 1.0))
    window = FitWindow(0.0, half, half)
    front = np.abs(degrees) <= criteria.front + SAME_ANGLE
    result = {}
    for plane, orbit in zip(planes, level, strict=True):
        octaves, rows = levels_around(frequency, orbit[front], feature, window)
        complete = np.isfinite(rows).all(axis=1)
        if complete.any():
            # Where the beam has ended, nulls of the drive unit are higher than the feature.
            mean = rows.mean(axis=1)
            complete &= mean >= mean[complete].max() - MAX_DROP_DB
        if octaves.size < 12 or not complete.any():
            continue
        used = without_neighbours(octaves, rows[complete], feature, others, half)
        x = octaves - np.log2(feature.centre_hz)
        parts = shape_components(feature)(x)
        if len(parts) == 1:
            # With another phase the same poles give a part that is odd in log frequency as well.
            odd = resonance_basis(x, feature.pole_q, feature.window_octaves)[1:]
            parts = np.concatenate([parts, odd / np.abs(odd).max()])
        background = np.vander(x, 3 if feature.width_octaves < 0.5 else 2)
        basis = np.concatenate([parts.T, background], axis=1)
        solution = np.linalg.lstsq(basis, used.T, rcond=None)[0]
        residual = np.sqrt(((used.T - basis @ solution) ** 2).mean(axis=0))
        alone = used.T - background @ np.linalg.lstsq(background, used.T, rcond=None)[0]
        result[plane] = residual, np.sqrt((alone**2).mean(axis=0))
    return result


def residual_shares(
    feature: PeakOrDip,
    frequency: Floats,
    level: Floats,
    planes: Sequence[str],
    degrees: Floats,
    others: Sequence[PeakOrDip],
    criteria: Criteria,
) -> dict[str, tuple[float, float]]:
    """Return what fits with the same poles leave, as a share of the feature and in dB, by orbit.

    Parameters
    ----------
    feature : PeakOrDip
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending.
    level : numpy.ndarray, shape (plane, angle, n)
        dB.
    planes : sequence of str
    degrees : numpy.ndarray, shape (angle,)
    others : sequence of PeakOrDip
        Neighbours to subtract.
    criteria : Criteria

    Returns
    -------
    dict of str to (float, float)
        Root mean square of the residuals over the directions within 60 degrees, without their worst quarter: re the
        root mean square of the feature in the direction where it is largest, and in dB.
    """
    fits = _front_fits(feature, frequency, level, planes, degrees, others, criteria)
    largest = max((float(alone.max()) for _, alone in fits.values()), default=0.0)
    shares: dict[str, tuple[float, float]] = {}
    for plane, (residual, _) in fits.items():
        kept = np.sort(residual)[: max(int(np.ceil(0.75 * residual.size)), 1)]
        left = float(np.sqrt((kept**2).mean()))
        shares[plane] = left / max(largest, 1e-9), left
    return shares
