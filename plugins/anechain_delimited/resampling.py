"""Resampling of curves with different frequencies to a common frequency grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from anechain.arrays import Floats
from anechain.assemble import Curve
from anechain.errors import InputError

__all__ = ["log_grid", "on_one_grid", "resample_curves"]

UNCERTAIN_STEP = 135.0
"""Phase step in degrees between neighbouring frequencies above which unwrapping is uncertain. The limit of unwrapping
is 180 degrees. Our own choice."""


def log_grid(low: float, high: float, per_octave: int) -> Floats:
    """Return frequencies from `low` to at most `high`, in the unit of both, with `per_octave` points per octave."""
    count = int(np.floor(per_octave * np.log2(high / low) + 1e-9)) + 1
    return low * np.exp2(np.arange(count) / per_octave)


def on_one_grid(curves: Sequence[Curve]) -> bool:
    """Return whether all curves have the same frequencies (to 1 in 10^6)."""
    first = curves[0].frequency
    return all(
        curve.frequency.shape == first.shape and np.allclose(curve.frequency, first, rtol=1e-6, atol=0)
        for curve in curves
    )


def _unwrapped(phase: Floats) -> Floats:
    """Return phase in degrees without jumps. NaN stays NaN."""
    measured = ~np.isnan(phase)
    unwrapped = phase.copy()
    unwrapped[measured] = np.unwrap(phase[measured], period=360.0)
    return unwrapped


def resample_curves(
    curves: Sequence[Curve], low: float, high: float, per_octave: int, where: str
) -> tuple[list[Curve], list[str]]:
    """Resample curves to one logarithmic grid within their common range.

    Levels are interpolated linearly in dB over the logarithm of frequency. Phases are unwrapped and interpolated
    linearly over frequency, which is exact for a delay. Nothing is smoothed and nothing is extrapolated. (Common
    practice, no source.)

    Parameters
    ----------
    curves : sequence of Curve
        On any grids.
    low, high : float
        Limits of the grid in Hz.
    per_octave : int
        Points per octave.
    where : str
        Name for error messages.

    Returns
    -------
    curves : list of Curve
    notes : list of str
        What was done, and where the common range limits the grid.

    Raises
    ------
    InputError
        If the grid has fewer than two points in the common range.
    """
    lowest = max(curves, key=lambda curve: curve.frequency[0])
    highest = min(curves, key=lambda curve: curve.frequency[-1])
    bottom, top = lowest.frequency[0], highest.frequency[-1]
    whole_grid = log_grid(low, high, per_octave)
    # A grid point that equals a limit of the data except for rounding counts as inside.
    grid = whole_grid[(whole_grid >= bottom * (1 - 1e-9)) & (whole_grid <= top * (1 + 1e-9))]
    if grid.size < 2:
        raise InputError.single(
            where,
            f"option `resample`: {grid.size} of its frequencies are between {bottom:g} Hz ({lowest.source}) and "
            f"{top:g} Hz ({highest.source}), the common range of all directions",
            "two or more",
            "correct `low` and `high`, or leave out the directions with too small a range",
        )
    notes = [
        f"frequencies differ: resampled to {grid.size} frequencies from {grid[0]:g} to {grid[-1]:g} Hz, {per_octave} "
        "per octave; levels interpolated in dB over the logarithm of frequency, without smoothing"
    ]
    if whole_grid[0] < grid[0]:
        notes.append(f"resampling starts at {grid[0]:g} Hz, not at {low:g} Hz: {lowest.source} starts at {bottom:g} Hz")
    if whole_grid[-1] > grid[-1]:
        notes.append(f"resampling ends at {grid[-1]:g} Hz, not at {high:g} Hz: {highest.source} ends at {top:g} Hz")
    resampled = []
    largest_steps: dict[str, float] = {}
    for curve in curves:
        level = np.interp(np.log(grid), np.log(curve.frequency), curve.level)
        phase = None
        if curve.phase is not None:
            unwrapped = _unwrapped(curve.phase)
            measured = unwrapped[~np.isnan(unwrapped)]
            largest_steps[curve.source] = float(np.abs(np.diff(measured)).max(initial=0.0))
            phase = np.interp(grid, curve.frequency, unwrapped)
        resampled.append(replace(curve, frequency=grid, level=level, phase=phase))
    if largest_steps:
        notes.append("phases unwrapped and interpolated over frequency")
    uncertain = [source for source, step in largest_steps.items() if step > UNCERTAIN_STEP]
    if uncertain:
        notes.append(
            f"phase steps above {UNCERTAIN_STEP:g}° between neighbours in {len(uncertain)} files, the first is "
            f"{uncertain[0]}: unwrapping is uncertain there"
        )
    return resampled, notes
