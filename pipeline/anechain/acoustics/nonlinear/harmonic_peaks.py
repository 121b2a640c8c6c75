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
    """A peak of one harmonic that the fundamental has not.

    Attributes
    ----------
    order : int
    excitation_hz, heard_hz : float
        Frequency of the excitation, and that of the harmonic itself.
    height_db : float
        Above the higher of the lowest levels within half an octave on either side.
    level_db : float
        dB re the fundamental.
    possible_causes : tuple of str
        What may be behind it; none of them is established.
    """

    order: int
    excitation_hz: float
    heard_hz: float
    height_db: float
    level_db: float
    possible_causes: tuple[str, ...]


PEAK_HEIGHT = 6.0
"""Decibels that a peak of a harmonic rises at least. Common practice, no source."""


_REACH = 0.5
"""Octaves on either side within which a peak's foot is looked for."""


_NEAR = 1.0 / 6.0
"""Octaves within which a rise of the fundamental counts as the same one."""


def _rise(octaves: Floats, level: Floats, at: int) -> float:
    """Height of a sample above the higher of the lowest ones within reach on either side; NaN at an end."""
    feet = []
    for side in (slice(at - 1, None, -1) if at else slice(0, 0), slice(at + 1, None)):
        near = np.abs(octaves[side] - octaves[at]) <= _REACH
        part = level[side][near]
        # Not beyond something higher: that would be the foot of another peak.
        over = np.flatnonzero(part > level[at])
        part = part[: over[0]] if over.size else part
        if not part.size:
            return float("nan")
        feet.append(float(part.min()))
    return float(level[at] - max(feet))


def _rise_near(octaves: Floats, level: Floats, where: float) -> float:
    """Greatest rise of a curve near a place; 0 where it has none."""
    rises = [
        _rise(octaves, level, int(at))
        for at in np.flatnonzero(np.abs(octaves - where) <= _NEAR)
        if np.isfinite(level[at])
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
    title="Peaks of a harmonic that the fundamental has not",
    source="local maxima that rise above their feet within half an octave, where the fundamental rises by less than "
    "half as much within 1/6 octave",
    source_status="common practice, no source",
    limitations="Causes are possibilities, not findings. Broad rises, and peaks below the noise, are not listed.",
    formula="Level of a local maximum less the higher of the lowest levels within half an octave on either side",
)
def harmonic_peaks(
    frequency: ArrayLike,
    fundamental: ArrayLike,
    relative: ReferredOrders,
    orders: Sequence[int],
    least_height_db: float = PEAK_HEIGHT,
) -> tuple[HarmonicPeak, ...]:
    """Find peaks of each order that the fundamental has not.

    Parameters
    ----------
    frequency : array_like, shape (frequencies,)
        Hz, of the excitation, ascending.
    fundamental : array_like, shape (frequencies,)
        dB.
    relative : ReferredOrders
        Orders 2 and up.
    orders : sequence of int
        Which they are.
    least_height_db : float
        Least rise above the higher foot.

    Returns
    -------
    tuple of HarmonicPeak
        By order and frequency.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the least height is not above zero.
    """
    grid, base = check_levels(frequency, fundamental)
    if relative.level_db.shape != (len(orders), grid.size):
        raise ValueError(f"{len(orders)} orders at {grid.size} frequencies, not {relative.level_db.shape}")
    if not least_height_db > 0:
        raise ValueError(f"a peak is higher than zero, not {least_height_db}")
    octaves = np.log2(grid)
    found = []
    for order, row, bound in zip(orders, relative.level_db, relative.bound, strict=True):
        absolute = row + base
        runs = np.split(np.arange(grid.size), np.flatnonzero(np.diff(np.isfinite(absolute).astype(np.int8))) + 1)
        for run in (run for run in runs if run.size > 2 and np.isfinite(absolute[run[0]])):
            level, where = absolute[run], octaves[run]
            inner = np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] >= level[2:])) + 1
            for at in inner:
                height = _rise(where, level, int(at))
                # A dip of the fundamental is no peak of the harmonic, so its own level is looked at, not the relative.
                if bound[run[at]] or not height >= least_height_db:
                    continue
                if _rise_near(octaves, base, float(where[at])) >= height / 2:
                    continue
                heard = float(order * grid[run[at]])
                shown = _rise_near(octaves, base, float(np.log2(heard))) >= height / 4
                causes = _possible_causes(order, float(grid[run[at]]), shown)
                found.append(HarmonicPeak(order, float(grid[run[at]]), heard, height, float(row[run[at]]), causes))
    return tuple(found)
