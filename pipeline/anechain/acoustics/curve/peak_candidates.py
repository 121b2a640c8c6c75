"""Candidates for peaks and dips of a curve: extremes with their prominence and width."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.frequencies import check_grid, resample
from anechain.acoustics.curve.resonance_fits import MIN_POINTS
from anechain.acoustics.curve.segments import CurveSegment, largest_step_octaves, segment_in_band
from anechain.arrays import Floats

__all__ = [
    "POINTS_PER_OCTAVE",
    "Candidate",
    "candidates_in_curve",
    "candidates_in_residual",
    "even_grid",
    "narrowed_candidates",
    "near_candidate",
    "octave_grid",
    "searchable_segment",
    "without_line",
]

POINTS_PER_OCTAVE = 48

MAX_STEP_OCTAVES = 1.0 / 12.0
"""Octaves; curves with a larger step between samples are not searched."""

MEDIAN_OCTAVES = 0.5
"""Octaves; width of the running median that is subtracted from the residual of the fits. There, only candidates
narrower than half of it are searched."""

MAX_CANDIDATES = 48
"""Most extremes of a curve that shapes are fitted to, the most prominent first: more are noise or a dense ripple."""

END_OCTAVES = 1.0
"""Octaves from an end of the curve within which the end may cut a shape off."""

SLOPE_SHARE = 1 / 3
"""Twice the narrower half, as a share of the whole width, below which it is used as the width: the wider half then
belongs to a slope."""


@dataclass(frozen=True)
class Candidate:
    """An extreme that a shape is fitted to.

    Attributes
    ----------
    centre_log2 : float
        log2 of its frequency in Hz.
    height_db : float
        Prominence in dB; negative for a dip.
    width_octaves : float
        Octaves between the points of half the prominence.
    in_curve : bool
        Whether it is an extreme of the curve itself. An extreme of the residual only counts if its fit is close.
    cut_off : bool
        Whether an end of the curve limits its prominence: the shape may be up to twice as high as it seems.
    """

    centre_log2: float
    height_db: float
    width_octaves: float
    in_curve: bool
    cut_off: bool = False


def octave_grid(low_hz: float, high_hz: float) -> Floats:
    """Return an evenly spaced grid of log2 frequency.

    Parameters
    ----------
    low_hz, high_hz : float
        Ends of the grid in Hz.

    Returns
    -------
    numpy.ndarray
        log2 of Hz, ascending, at most 1/48 octave apart.
    """
    low, high = np.log2(low_hz), np.log2(high_hz)
    return np.linspace(low, high, int(np.ceil((high - low) * POINTS_PER_OCTAVE)) + 1)


def searchable_segment(frequency: ArrayLike, level: ArrayLike, low_hz: float, high_hz: float) -> CurveSegment:
    """Cut a curve to a band if its samples are close enough to find peaks and dips.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    low_hz, high_hz : float
        The band in Hz.

    Returns
    -------
    CurveSegment
        Empty, with a reason, if the samples do not cover the band or are more than 1/12 octave apart.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the band is empty.
    """
    segment = segment_in_band(check_grid(frequency), level, low_hz, high_hz)
    step = largest_step_octaves(segment.frequency)
    if not segment.reason and step > MAX_STEP_OCTAVES * (1 + 1e-6):
        reason = f"the data are up to {step:.2g} octave apart; 1/12 octave or finer is needed"
        return CurveSegment(segment.frequency[:0], segment.level[:0], reason)
    return segment


def even_grid(segment: CurveSegment, low_hz: float, high_hz: float) -> tuple[Floats, Floats]:
    """Put a segment of a curve on an evenly spaced grid of log2 frequency.

    Parameters
    ----------
    segment : CurveSegment
    low_hz, high_hz : float
        The band in Hz.

    Returns
    -------
    octaves, level : numpy.ndarray
        log2 of Hz, and dB. Where the data are evenly spaced these are its own samples without the ends of the band,
        since interpolation lowers a peak a little; else they are interpolated.
    """
    own = np.log2(segment.frequency[1:-1])
    steps = np.diff(own)
    if own.size > MIN_POINTS and steps.min() > 1 / (2 * POINTS_PER_OCTAVE) and steps.max() < 1.01 * steps.min():
        return np.linspace(own[0], own[-1], own.size), segment.level[1:-1]
    octaves = octave_grid(low_hz, high_hz)
    inside = np.clip(2**octaves, segment.frequency[0], segment.frequency[-1])
    return octaves, resample(segment.frequency, segment.level, inside)


def without_line(octaves: Floats, level: Floats) -> Floats:
    """Return a level in dB minus its least squares line over log frequency."""
    x = octaves - octaves.mean()
    return np.asarray(level - level.mean() - x * ((x * level).sum() / (x**2).sum()))


def candidates_in_curve(octaves: Floats, level: Floats, min_height_db: float) -> list[Candidate]:
    """Return the extremes of a curve of half the minimum height or more, the highest first.

    Parameters
    ----------
    octaves, level : numpy.ndarray, shape (n,)
        log2 of the frequency in Hz, evenly spaced, and dB.
    min_height_db : float
        Minimum height of a peak or dip in dB.

    Returns
    -------
    list of Candidate
    """
    return _extremes(octaves, without_line(octaves, level), min_height_db, in_curve=True)


def candidates_in_residual(octaves: Floats, residual: Floats, min_height_db: float) -> list[Candidate]:
    """Return the narrow extremes of the residual of all fitted shapes, the highest first.

    A narrow resonance on the flank of a broad shape is no extreme of the curve, but an extreme of the residual. Broad
    extremes of the residual are errors of the fits to broad shapes and are left out.

    Parameters and result are those of :func:`candidates_in_curve`.
    """
    level = _without_surroundings(octaves, residual)
    extremes = _extremes(octaves, level, min_height_db, in_curve=False)
    return [candidate for candidate in extremes if candidate.width_octaves < MEDIAN_OCTAVES / 2]


def _without_surroundings(octaves: Floats, level: Floats) -> Floats:
    """Return a level minus its running median, whose windows have no slope, so that a tilt has no effect."""
    step = float(octaves[1] - octaves[0])
    half = min(max(round(MEDIAN_OCTAVES / step / 2), 2), (level.size - 1) // 2)
    padded = np.pad(level, half, mode="reflect", reflect_type="odd")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    slope = np.median(windows[:, half:] - windows[:, : half + 1], axis=1) / half
    flat = windows - slope[:, np.newaxis] * np.arange(-half, half + 1)
    return np.asarray(level - np.median(flat, axis=1))


def _extremes(octaves: Floats, level: Floats, min_height_db: float, in_curve: bool) -> list[Candidate]:
    """Return the extremes with a prominence of half the minimum height or more, the most prominent first."""
    from scipy.signal import find_peaks, peak_widths

    step = float(octaves[1] - octaves[0])
    candidates = []
    for sign in (1.0, -1.0):
        rows, properties = find_peaks(sign * level, prominence=min_height_db / 2)
        if rows.size == 0:
            continue
        widths = peak_widths(sign * level, rows, rel_height=0.5)[0] * step
        # The base of a shape that the band cuts off is the end of the curve.
        last = level.size - 1
        cut_off = [
            bool((base <= 1 and row * step <= END_OCTAVES) or (end >= last - 1 and (last - row) * step <= END_OCTAVES))
            for row, base, end in zip(rows, properties["left_bases"], properties["right_bases"], strict=True)
        ]
        candidates += [
            Candidate(float(octaves[row]), sign * float(height), float(max(width, step)), in_curve, cut)
            for row, height, width, cut in zip(rows, properties["prominences"], widths, cut_off, strict=True)
        ]
    return sorted(candidates, key=lambda candidate: -abs(candidate.height_db))[:MAX_CANDIDATES]


def narrowed_candidates(octaves: Floats, level: Floats, candidates: Sequence[Candidate]) -> list[Candidate]:
    """Return the candidates; those on a slope get twice their narrower half as the width.

    Parameters
    ----------
    octaves, level : numpy.ndarray, shape (n,)
        log2 of the frequency in Hz, evenly spaced, and dB without the line of :func:`without_line`.
    candidates : sequence of Candidate

    Returns
    -------
    list of Candidate
        In the same order.
    """
    narrowed = []
    for candidate in candidates:
        row = int(np.argmin(np.abs(octaves - candidate.centre_log2)))
        below_half = np.sign(candidate.height_db) * (level - level[row]) <= -abs(candidate.height_db) / 2
        sides = [np.flatnonzero(side) for side in (below_half[row::-1], below_half[row:])]
        steps = min((int(side[0]) for side in sides if side.size), default=0)
        width = 2 * steps * float(octaves[1] - octaves[0])
        on_slope = 0 < width < SLOPE_SHARE * candidate.width_octaves
        narrowed.append(replace(candidate, width_octaves=width) if on_slope else candidate)
    return narrowed


def near_candidate(octaves: Floats, candidate: Candidate) -> NDArray[np.bool_]:
    """Return the points that a shape is fitted to: two widths to both sides, at least 0.5, at most 2 octaves."""
    reach = min(max(0.5, 2.0 * candidate.width_octaves), 2.0)
    return np.asarray(np.abs(octaves - candidate.centre_log2) <= reach)
