"""Peaks of a harmonic order that the fundamental does not have, and their possible causes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels
from anechain.acoustics.nonlinear.relative_orders import ReferredOrders
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["HarmonicPeak", "harmonic_peaks"]


@dataclass(frozen=True)
class HarmonicPeak:
    """A peak of a harmonic that the fundamental does not have.

    Attributes
    ----------
    order : int
        Harmonic order.
    excitation_hz, heard_hz : float
        Frequency of the excitation and of the harmonic, Hz.
    height_db : float
        Height above the higher of the two lowest levels within half an octave on either side.
    level_db : float
        dB re the fundamental.
    possible_causes : tuple of str
        Possible causes; none of them is established.
    """

    order: int
    excitation_hz: float
    heard_hz: float
    height_db: float
    level_db: float
    possible_causes: tuple[str, ...]


PEAK_HEIGHT = 6.0
"""Minimum height in dB of a peak of a harmonic. Common practice, no source."""

_REACH = 0.5
"""Range in octaves on either side in which the foot of a peak is searched."""

_NEAR = 1.0 / 6.0
"""Distance in octaves up to which a rise of the fundamental counts as the same peak."""


def _rise(octaves: Floats, level: Floats, peak: int) -> float:
    """Return the height of a sample above the higher of the lowest levels on both sides; NaN at an end of the curve."""
    feet = []
    for side in (slice(peak - 1, None, -1) if peak else slice(0, 0), slice(peak + 1, None)):
        near = np.abs(octaves[side] - octaves[peak]) <= _REACH
        part = level[side][near]
        # Stop at a higher sample: beyond it is the foot of another peak.
        higher = np.flatnonzero(part > level[peak])
        part = part[: higher[0]] if higher.size else part
        if not part.size:
            return float("nan")
        feet.append(float(part.min()))
    return float(level[peak] - max(feet))


def _rise_near(octaves: Floats, level: Floats, centre: float) -> float:
    """Return the greatest rise of a curve near a frequency in octaves; 0 if there is none."""
    rises = [
        _rise(octaves, level, int(sample))
        for sample in np.flatnonzero(np.abs(octaves - centre) <= _NEAR)
        if np.isfinite(level[sample])
    ]
    return max([0.0, *(rise for rise in rises if np.isfinite(rise))])


def _possible_causes(order: int, excitation_hz: float, in_fundamental: bool) -> tuple[str, ...]:
    causes = ["a loose part that rattles", "a resonance of the enclosure or of a diaphragm"]
    if excitation_hz < 200.0:
        causes += ["air flow in a port", "a driver at the end of its excursion"]
    else:
        causes += ["a crossover's component, or a driver below its band"]
    if order >= 4:
        causes += ["a rub of the voice coil"]
    if in_fundamental:
        causes.insert(0, "the device radiates more at the harmonic's own frequency, as the fundamental there shows")
    return tuple(causes)


@method(
    "harmonic-peaks",
    version=1,
    title="Peaks of a harmonic that the fundamental does not have",
    source="local maxima that rise above their feet within half an octave, where the fundamental rises by less than "
    "half as much within 1/6 octave",
    source_status="common practice, no source",
    limitations="Causes are possibilities, not results. Broad rises, and peaks below the noise, are not listed.",
    formula="Level of a local maximum minus the higher of the lowest levels within half an octave on either side",
)
def harmonic_peaks(
    frequency: ArrayLike,
    fundamental: ArrayLike,
    relative: ReferredOrders,
    orders: Sequence[int],
    min_height_db: float = PEAK_HEIGHT,
) -> tuple[HarmonicPeak, ...]:
    """Return peaks of each order that the fundamental does not have.

    Parameters
    ----------
    frequency : array_like, shape (frequencies,)
        Frequency of the excitation in Hz, ascending.
    fundamental : array_like, shape (frequencies,)
        dB.
    relative : ReferredOrders
        Orders 2 and up re the fundamental.
    orders : sequence of int
        Numbers of the orders.
    min_height_db : float
        Minimum height above the higher foot, dB.

    Returns
    -------
    tuple of HarmonicPeak
        By order and frequency.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the minimum height is not above zero.
    """
    grid, base = check_levels(frequency, fundamental)
    if relative.level_db.shape != (len(orders), grid.size):
        raise ValueError(f"{len(orders)} orders at {grid.size} frequencies, not {relative.level_db.shape}")
    if not min_height_db > 0:
        raise ValueError(f"the minimum height must be above zero, not {min_height_db}")
    octaves = np.log2(grid)
    peaks = []
    for order, row, bound in zip(orders, relative.level_db, relative.bound, strict=True):
        absolute = row + base
        runs = np.split(np.arange(grid.size), np.flatnonzero(np.diff(np.isfinite(absolute).astype(np.int8))) + 1)
        for run in (run for run in runs if run.size > 2 and np.isfinite(absolute[run[0]])):
            level, position = absolute[run], octaves[run]
            maxima = np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] >= level[2:])) + 1
            for peak in maxima:
                # The absolute level is used: in the relative level a dip of the fundamental looks like a peak.
                height = _rise(position, level, int(peak))
                sample = run[peak]
                if bound[sample] or not height >= min_height_db:
                    continue
                if _rise_near(octaves, base, float(position[peak])) >= height / 2:
                    continue
                excitation_hz = float(grid[sample])
                harmonic_hz = float(order * grid[sample])
                in_fundamental = _rise_near(octaves, base, float(np.log2(harmonic_hz))) >= height / 4
                causes = _possible_causes(order, excitation_hz, in_fundamental)
                peaks.append(HarmonicPeak(order, excitation_hz, harmonic_hz, height, float(row[sample]), causes))
    return tuple(peaks)
