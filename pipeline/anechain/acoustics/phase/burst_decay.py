"""Decay of bursts: how many periods the sound of each frequency goes on after a short burst."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels
from anechain.arrays import Complexes, Floats
from anechain.methods import method

__all__ = ["BurstDecay", "burst_decay", "shortest_decay"]

_WIDTH = (2 ** (1 / 6) - 2 ** (-1 / 6)) / (2 * np.sqrt(np.log(2)))
"""Width of the burst's spectrum re its centre: half its power a sixth of an octave to either side."""
_POINTS_PER_OCTAVE = 96
_REACH = np.sqrt(np.log(10) * 40 / 10)
"""Distance from the centre, in widths, at which the burst's spectrum is 40 dB down: it must lie inside the data."""
_FULL_REACH = np.sqrt(np.log(10) * 80 / 10)
"""Distance at which it is 80 dB down and ends."""
_STEPS_PER_PERIOD = 4
_DENSE = 8
"""Samples per point from which they are averaged."""
_BEFORE = 6
"""Periods before the maximum at which the burst itself has risen from nothing: what is earlier is noise."""
_MARGIN = 6.0
"""dB that the floor must be below a drop. Common practice, no source."""


@dataclass(frozen=True)
class BurstDecay:
    """Decay of bursts at several frequencies.

    Attributes
    ----------
    periods : numpy.ndarray, shape (drops, m)
        Periods of the frequency from the maximum of the response to a burst until it stays below its maximum by the
        drop; NaN where that is not known.
    known : numpy.ndarray, shape (m,)
        Periods up to which the decay is known; NaN where the burst is not inside the data.
    floor : numpy.ndarray, shape (m,)
        dB re the maximum of what does not decay: noise, or sound later than the frequencies resolve.
    """

    periods: Floats
    known: Floats
    floor: Floats


def shortest_decay(drop: float) -> float:
    """Return the periods after which the burst itself has fallen by `drop` dB: no shorter decay can be seen."""
    return float(np.sqrt(drop * np.log(10) / 10) / (2 * np.pi * _WIDTH))


def _maximum(decay: Floats, row: int) -> tuple[float, float]:
    """Return height and place of a maximum between samples, in dB and samples after a row: a parabola."""
    if not 0 < row < decay.size - 1:
        return float(decay[row]), 0.0
    left, middle, right = (float(decay[row + by]) for by in (-1, 0, 1))
    curvature = left - 2 * middle + right
    if not curvature < 0:
        return middle, 0.0
    later = 0.5 * (left - right) / curvature
    return middle - 0.25 * (left - right) * later, later


def _at(wanted: Floats, octaves: Floats, level: Floats, phase: Floats) -> Complexes:
    """Return the complex response at other frequencies, in octaves; zero outside the data.

    Level and phase are interpolated. Where the data are much denser, they are averaged: what is too late to be resolved
    is not mistaken for something early.
    """
    amplitude = 10 ** (np.interp(wanted, octaves, level) / 20)
    response = amplitude * np.exp(1j * np.deg2rad(np.interp(wanted, octaves, phase)))
    sums = np.concatenate([[0.0], np.cumsum(10 ** (level / 20) * np.exp(1j * np.deg2rad(phase)))])
    first, end = (np.searchsorted(octaves, wanted + side * 0.5 / _POINTS_PER_OCTAVE) for side in (-1, 1))
    count = end - first
    dense = count >= _DENSE
    response[dense] = (sums[end] - sums[first])[dense] / count[dense]
    response[(wanted < octaves[0]) | (wanted > octaves[-1])] = 0.0
    return np.asarray(response)


@method(
    "burst-decay",
    version=1,
    title="Decay of a burst in periods of its frequency",
    formula="Envelope of the response to a burst with a Gaussian spectrum a third of an octave wide; time from its "
    "maximum until it stays below by the drop, times the frequency",
    source="a resonance of quality Q decays by 27.3 / Q dB per period; Gaussian band filter, Gabor 1946",
    source_status="common practice, no source",
    limitations="The burst itself takes 2.4 periods to fall by 20 dB: no shorter decay is seen. Not known beyond the "
    "time window, which is taken as one period of the lowest valid frequency, and beyond what the distance of the "
    "frequencies resolves; a drop is read only where the floor is 6 dB below it. With 48 frequencies per octave, a "
    "resonance of Q = 18 seems to decay by 6 per cent faster.",
)
def burst_decay(
    frequency: ArrayLike,
    level: ArrayLike,
    phase: ArrayLike,
    centres: ArrayLike,
    drops: ArrayLike = (10.0, 20.0, 30.0),
    longest: float = 40.0,
) -> BurstDecay:
    """Return after how many periods a burst has decayed, for each centre frequency.

    The squared envelope is the energy that is left in a band a third of an octave wide.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending; the first one is the lowest valid frequency.
    level : array_like, shape (n,)
        dB, without NaN.
    phase : array_like, shape (n,)
        Degrees, not wrapped, with most of the delay removed.
    centres : array_like, shape (m,)
        Hz.
    drops : array_like, shape (drops,)
        dB.
    longest : float
        Periods that are looked at.

    Returns
    -------
    BurstDecay

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, or the shapes disagree.
    """
    f, db = check_levels(frequency, level)
    _, degrees = check_levels(frequency, phase)
    at, drop = np.asarray(centres, np.float64), np.asarray(drops, np.float64)
    periods = np.full((drop.size, at.size), np.nan)
    known, floor = np.full(at.size, np.nan), np.full(at.size, np.nan)
    # In periods of the centre, the burst and its transform are the same at all centres: one product of matrices.
    octaves = np.arange(
        np.ceil(np.log2(1 - _FULL_REACH * _WIDTH) * _POINTS_PER_OCTAVE),
        np.floor(np.log2(1 + _FULL_REACH * _WIDTH) * _POINTS_PER_OCTAVE) + 1,
    )
    ratio = 2.0 ** (octaves / _POINTS_PER_OCTAVE)
    burst = np.exp(-(((ratio - 1) / _WIDTH) ** 2) / 2) * ratio
    # Half the span that the grid of ratios resolves at the upper half-power frequency of the burst.
    span = min(longest, 0.5 / (np.log(2) / _POINTS_PER_OCTAVE * 2 ** (1 / 6)))
    time = np.arange(-span, span, 1.0 / _STEPS_PER_PERIOD)
    kernel = np.exp(2j * np.pi * (ratio[:, np.newaxis] - 1) * time)
    inside = np.flatnonzero((at * (1 - _REACH * _WIDTH) >= f[0]) & (at * (1 + _REACH * _WIDTH) <= f[-1]))
    if not inside.size:
        return BurstDecay(periods, known, floor)
    response = _at(np.log2(at[inside, np.newaxis] * ratio), np.log2(f), db - db.max(), degrees)
    envelope = np.abs((response * burst) @ kernel)
    step = np.interp(at[inside], np.sqrt(f[1:] * f[:-1]), np.diff(f))
    for row, centre in enumerate(inside):
        resolved = min(span, 0.5 * at[centre] / (step[row] * 2 ** (1 / 6)))
        decay = 20 * np.log10(np.maximum(envelope[row, np.abs(time) <= resolved], 1e-20))
        start = int(np.argmax(decay))
        height, later = _maximum(decay, start)
        before, after = decay[: max(start - _BEFORE * _STEPS_PER_PERIOD, 0)] - height, decay[start:] - height
        known[centre] = min((after.size - 1) / _STEPS_PER_PERIOD, at[centre] / f[0])
        quiet = np.concatenate([before, after[-(after.size // 4) - 1 :]])
        floor[centre] = 10 * np.log10(np.mean(10 ** (quiet / 10)))
        for number, least in enumerate(drop):
            last = int(np.flatnonzero(after > -least)[-1])
            if last + 1 == after.size or floor[centre] > -least - _MARGIN:
                continue
            share = (after[last] + least) / (after[last] - after[last + 1])
            duration = (last + share - later) / _STEPS_PER_PERIOD
            if duration <= known[centre]:
                periods[number, centre] = duration
    return BurstDecay(periods, known, floor)
