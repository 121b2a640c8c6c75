"""Excess phase of a response: its phase minus a delay and minus the minimum phase of its level.

A resonance is minimum phase: its excess phase is zero. Two drive units with a crossover, or with a difference of delay,
have an all-pass part. An echo weaker than the direct sound is minimum phase as well.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_grid, resample
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["excess_phase"]

POINTS_PER_OCTAVE = 48
BEYOND_OCTAVES = 4.0
"""Octaves beyond both ends of the band to which the level is continued with its slope."""

END_OCTAVES = 0.5
"""Octaves at each end of the band that the slope is read from."""

MAX_SLOPE_DB = 24.0
"""Steepest continuation of the level, dB per octave."""


def _minimum_phase(octaves: Floats, level: Floats) -> Floats:
    """Return the minimum phase in radians of a level in dB, on an even grid of log2 frequency (Bode 1945, recalled)."""
    step = float(octaves[1] - octaves[0])
    more, end = round(BEYOND_OCTAVES / step), max(round(END_OCTAVES / step), 2)
    below, above = (
        float(np.clip(np.polyfit(octaves[part], level[part], 1)[0], -MAX_SLOPE_DB, MAX_SLOPE_DB))
        for part in (slice(0, end), slice(-end, None))
    )
    slope = np.concatenate([np.full(more, below), np.diff(level) / step, np.full(more, above)])
    # Slopes belong to the middles between points; the kernel ln coth |u / 2| is read at half steps, where it is finite.
    distance = np.log(2) * step * (np.arange(-slope.size, slope.size) + 0.5)
    kernel = -np.log(np.tanh(np.abs(distance) / 2))
    nepers_per_neper = slope * np.log(10) / 20 / np.log(2)
    summed = np.convolve(nepers_per_neper, kernel, mode="full")
    first = kernel.size // 2 + more - 1
    return np.asarray(summed[first : first + octaves.size] * np.log(2) * step / np.pi)


@method(
    "excess-phase",
    version=1,
    title="Excess phase of a response, without its delay",
    formula="Phase minus minimum phase (1/pi times the integral of the slope of ln|p| times ln coth|u/2|) minus the "
    "delay that makes it level in the highest octave",
    source="phase of a minimum-phase response from its level (Bode 1945)",
    source_status="recalled",
    limitations="The level is continued beyond the band with its slope at the ends: within half an octave of them the "
    "result is rough. A change of excess phase in the highest octave is taken for a delay.",
)
def excess_phase(frequency: ArrayLike, level: ArrayLike, phase_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Return the excess phase of a response.

    Parameters
    ----------
    frequency, level, phase_deg : array_like, shape (n,)
        Hz, ascending; dB; degrees, without most of the delay, so that it turns by less than 180 degrees between
        samples. Finite.

    Returns
    -------
    octaves : numpy.ndarray, shape (k,)
        log2 of Hz, evenly spaced.
    excess : numpy.ndarray, shape (k,)
        Radians; zero in the mean of the highest octave.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero.
    """
    grid = check_grid(frequency)
    low, high = np.log2(grid[0]), np.log2(grid[-1])
    octaves = np.linspace(low, high, int(np.ceil((high - low) * POINTS_PER_OCTAVE)) + 1)
    at = np.clip(2**octaves, grid[0], grid[-1])
    turned = np.unwrap(np.deg2rad(np.asarray(phase_deg, dtype=np.float64)))
    rest = resample(grid, turned, at) - _minimum_phase(octaves, resample(grid, level, at))
    top = octaves >= high - 1
    # The highest half octave itself is rough: the level beyond it is not known.
    fitted = np.polyfit(at[top], rest[top], 1)
    excess = rest - np.polyval(fitted, at)
    return octaves, np.asarray(excess)
