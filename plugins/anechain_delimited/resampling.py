"""Bring curves on different frequency grids to a common one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from anechain.arrays import Floats
from anechain.assemble import Curve
from anechain.errors import InputError

__all__ = ["log_grid", "on_one_grid", "resampled"]

UNCERTAIN_STEP = 135.0
"""Degrees between neighbours beyond which unwrapping may take the wrong turn (180 is the limit); our own choice."""


def log_grid(low: float, high: float, per_octave: int) -> Floats:
    """Frequencies from `low` upwards, `per_octave` to each octave, none above `high`, in the unit of both."""
    count = int(np.floor(per_octave * np.log2(high / low) + 1e-9)) + 1
    return low * np.exp2(np.arange(count) / per_octave)


def on_one_grid(curves: Sequence[Curve]) -> bool:
    """Whether all curves have the same frequencies (to 1 in 10^6)."""
    first = curves[0].frequency
    return all(
        curve.frequency.shape == first.shape and np.allclose(curve.frequency, first, rtol=1e-6, atol=0)
        for curve in curves
    )


def _unwrapped(phase: Floats) -> Floats:
    """Phase in degrees without its jumps; gaps are bridged, not filled."""
    given = ~np.isnan(phase)
    out = phase.copy()
    out[given] = np.unwrap(phase[given], period=360.0)
    return out


def resampled(
    curves: Sequence[Curve], low: float, high: float, per_octave: int, where: str
) -> tuple[list[Curve], list[str]]:
    """Resample curves to one logarithmic grid within the range they all share.

    Levels are interpolated linearly in dB over the logarithm of frequency; phases are unwrapped and interpolated
    linearly over frequency, which a delay leaves exact. Nothing is smoothed and nothing is extrapolated. (Common
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
        Name for the refusal.

    Returns
    -------
    curves : list of Curve
    notes : list of str
        What was done, with the limits that the common range set.

    Raises
    ------
    InputError
        If fewer than two points of the grid lie within the common range.
    """
    lowest = max(curves, key=lambda curve: curve.frequency[0])
    highest = min(curves, key=lambda curve: curve.frequency[-1])
    bottom, top = lowest.frequency[0], highest.frequency[-1]
    wanted = log_grid(low, high, per_octave)
    # A grid point that is a limit of the data but for rounding is inside.
    grid = wanted[(wanted >= bottom * (1 - 1e-9)) & (wanted <= top * (1 + 1e-9))]
    if grid.size < 2:
        raise InputError.single(
            where,
            f"option `resample`: {grid.size} of its frequencies lie between {bottom:g} Hz ({lowest.source}) and "
            f"{top:g} Hz ({highest.source}), which all directions share",
            "two or more",
            "correct `low` and `high`, or leave out the directions with too small a range",
        )
    notes = [
        f"frequencies differ: resampled to {grid.size} frequencies from {grid[0]:g} to {grid[-1]:g} Hz, {per_octave} "
        "per octave; levels interpolated in dB over the logarithm of frequency, without smoothing"
    ]
    if wanted[0] < grid[0]:
        notes.append(f"resampling starts at {grid[0]:g} Hz, not at {low:g} Hz: {lowest.source} starts at {bottom:g} Hz")
    if wanted[-1] > grid[-1]:
        notes.append(f"resampling ends at {grid[-1]:g} Hz, not at {high:g} Hz: {highest.source} ends at {top:g} Hz")
    out = []
    steps: dict[str, float] = {}
    for curve in curves:
        level = np.interp(np.log(grid), np.log(curve.frequency), curve.level)
        phase = None
        if curve.phase is not None:
            unwrapped = _unwrapped(curve.phase)
            given = unwrapped[~np.isnan(unwrapped)]
            steps[curve.source] = float(np.abs(np.diff(given)).max(initial=0.0))
            phase = np.interp(grid, curve.frequency, unwrapped)
        out.append(replace(curve, frequency=grid, level=level, phase=phase))
    if steps:
        notes.append("phases unwrapped and interpolated over frequency")
    unsure = [source for source, step in steps.items() if step > UNCERTAIN_STEP]
    if unsure:
        notes.append(
            f"phase steps above {UNCERTAIN_STEP:g}° between neighbours in {len(unsure)} files, the first is "
            f"{unsure[0]}: unwrapping is uncertain there"
        )
    return out, notes
