"""Resonances that the front directions have in common, with one centre and one Q.

Interference moves with the angle: in the mean level of many directions it is smeared out, and a resonance stays. Where
both are at one place, the curves of single directions show the shape of neither, but the strength of the resonance is
still about the same in most of them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_grid, resample
from anechain.acoustics.curve.peak_candidates import POINTS_PER_OCTAVE, octave_grid
from anechain.acoustics.curve.resonance_fits import fit_resonance, fit_section
from anechain.acoustics.curve.resonance_shape import (
    AddedResonance,
    bandwidth_of_q,
    level_profile,
    q_of_bandwidth,
    resonance_basis,
    resonance_level,
)
from anechain.acoustics.directivity.directions import wrap_angle
from anechain.arrays import Floats

__all__ = ["CommonPole", "common_poles"]

Q_VALUES = (1.3, 1.8, 2.5, 3.5, 5.0, 7.0, 10.0, 14.0, 20.0)
"""Q of the poles that are tried at every frequency, half an octave apart."""

FRONT = 60.0
"""Degrees from the axis within which directions are used."""

MAX_DROP_DB = 10.0
"""dB below the loudest direction around a frequency: where the beam has ended, nulls are higher than a resonance."""

MIN_DIRECTIONS = 5
"""Fewest usable directions of each orbit."""

HALF_BY_WIDTH, MIN_HALF = 1.4, 0.15
"""Half the window of a fit, as a share of the width of the resonance, and at least, octaves."""

MIN_RATIO = 10.0
"""Least ratio of the variance that the poles explain to the variance that they leave."""

NOISE_DB = 0.02
"""dB; smaller residuals are not compared."""

MAX_POLES = 24
"""Most poles that are fitted."""

MAX_HEIGHT_RATIO = 3.0
"""Largest ratio of the fitted height to the first guess: higher fits cancel the polynomial of the background."""

FACTOR_FOR_PHASE = 1.3
"""Factor by which a phase must reduce the squared residual."""

MIN_PHASE_Q = 3.0
"""Lowest Q with a phase: over a broader resonance the phase of the other sound is not constant."""


@dataclass(frozen=True)
class CommonPole:
    """A resonance that is fitted to the mean level of the front directions, and its height in each of them.

    Attributes
    ----------
    resonance : AddedResonance
    height_db, opposite_db, width_octaves : float
        See :class:`anechain.acoustics.curve.resonance_shape.LevelProfile`.
    residual_db : float
        Root mean square of what the fit to the mean level leaves, dB.
    share_by_plane : dict of str to float
        By orbit: share of the directions in which it is 0.5 to 2 times as strong as the median.
    median_by_plane, spread_by_plane : dict of str to float
        By orbit: median and standard deviation of the strength re that in the mean level.
    strength_by_curve : dict of str to float
        Strength in each curve re that in the mean level.
    window_octaves : float
        Width of the smoothing window of the levels; 0 for none.
    """

    resonance: AddedResonance
    height_db: float
    opposite_db: float
    width_octaves: float
    residual_db: float
    share_by_plane: dict[str, float]
    median_by_plane: dict[str, float]
    spread_by_plane: dict[str, float]
    strength_by_curve: dict[str, float]
    window_octaves: float


def _half_octaves(q: float) -> float:
    return max(HALF_BY_WIDTH * float(bandwidth_of_q(q)), MIN_HALF)


@dataclass(frozen=True)
class _Scan:
    """Fits of one Q at every frequency of an even grid of log2 frequency.

    `windows`, shape (rows, n), holds the mean level around each row, over the directions that are loud enough there;
    `explained` projects on what the poles explain beyond the background.
    """

    q: float
    half: int
    basis: Floats
    inverse: Floats
    explained: Floats
    windows: Floats


def _scans(step: float, orbits: dict[str, Floats], window_octaves: float) -> list[_Scan]:
    scans = []
    rows = np.concatenate(list(orbits.values()))
    sums = np.concatenate([np.zeros((len(rows), 1)), rows.cumsum(axis=1)], axis=1)
    for q in Q_VALUES:
        half = round(_half_octaves(q) / step)
        count = 2 * half + 1
        if float(bandwidth_of_q(q)) < 0.5 * window_octaves or rows.shape[1] < count + 2:
            continue
        x = np.asarray(np.arange(-half, half + 1) * step, dtype=np.float64)
        even, odd = resonance_basis(x, q, window_octaves)
        background = np.vander(x, 3)
        basis = np.concatenate([np.stack([even / even.max(), odd / np.abs(odd).max()], axis=1), background], axis=1)
        smooth = np.linalg.qr(background)[0]
        poles = basis[:, :2] - smooth @ (smooth.T @ basis[:, :2])
        loudness = (sums[:, count:] - sums[:, :-count]) / count
        weight = (loudness >= loudness.max(axis=0) - MAX_DROP_DB).astype(np.float64)
        weight /= weight.sum(axis=0)
        windows = np.einsum("dr,drn->rn", weight, np.lib.stride_tricks.sliding_window_view(rows, count, axis=1))
        scans.append(_Scan(q, half, basis, np.linalg.pinv(basis), np.linalg.qr(poles)[0], windows))
    return scans


def _best_candidate(
    scans: Sequence[_Scan], min_height_db: float, tried: Sequence[tuple[int, float]]
) -> tuple[int, _Scan, float, float] | None:
    """Return row, scan, and the heights of the even and odd part of the poles that explain most re what they leave."""
    best, result = MIN_RATIO, None
    for scan in scans:
        solution = scan.windows @ scan.inverse.T
        residual = ((scan.windows - solution @ scan.basis.T) ** 2).mean(axis=1)
        explained = ((scan.windows @ scan.explained) ** 2).sum(axis=1) / scan.windows.shape[1]
        ratio = explained / (residual + NOISE_DB**2)
        ratio[np.hypot(solution[:, 0], solution[:, 1]) < min_height_db] = 0.0
        for row, q in tried:
            if 0.6 < q / scan.q < 1.7:
                near = round(scan.half / (2 * HALF_BY_WIDTH))
                centre = row - scan.half
                ratio[max(centre - near, 0) : max(centre + near + 1, 0)] = 0.0
        row = int(np.argmax(ratio))
        if ratio[row] > best:
            best, result = float(ratio[row]), (row + scan.half, scan, float(solution[row, 0]), float(solution[row, 1]))
    return result


def _fitted(
    octaves: Floats, row: int, scan: _Scan, even_db: float, odd_db: float, window: float, max_q: float
) -> AddedResonance | None:
    """Return the resonance, in phase or with a phase, that fits the mean level; None if no fit is near the guess."""
    half, width = scan.half, float(bandwidth_of_q(scan.q))
    x, level = octaves[row - half : row + half + 1], scan.windows[row - half]
    even, odd = even_db * np.log(10) / 10, odd_db * np.log(10) / 10
    real = float(np.sqrt(max(1 + even - odd**2, 0.05))) - 1
    start = AddedResonance(float(octaves[row]), real, 0.0, scan.q)
    fits = [fit_section(x, level, start, width / 2, window, max_q, 2)]
    if scan.q >= MIN_PHASE_Q and abs(odd_db) > 0.15 * abs(even_db):
        with_phase = AddedResonance(start.centre_log2, real, odd, scan.q)
        fits.append(fit_resonance(x, level, with_phase, width / 2, window, max_q, 2))
    best: tuple[float, AddedResonance] | None = None
    for fit, factor in zip(fits, (FACTOR_FOR_PHASE, 1.0), strict=False):
        if fit is None:
            continue
        height = abs(level_profile(fit, window).height_db)
        cost = (fit.residual_db**2 + NOISE_DB**2) / factor
        if height <= MAX_HEIGHT_RATIO * np.hypot(even_db, odd_db) and (best is None or cost < best[0]):
            best = cost, fit
    return None if best is None else best[1]


def common_poles(
    frequency: ArrayLike,
    level: ArrayLike,
    planes: Sequence[str],
    angles: ArrayLike,
    low_hz: float,
    high_hz: float,
    min_height_db: float,
    smoothing: float | None = None,
    curves: Mapping[str, ArrayLike] | None = None,
) -> list[CommonPole]:
    """Find the resonances that the front directions of both orbits have in common.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    level : array_like, shape (plane, angle, n)
        dB; directions with NaN in the band are left out.
    planes : sequence of str
    angles : array_like
        Degrees.
    low_hz, high_hz : float
        Band in Hz.
    min_height_db : float
        Smallest height in dB in the mean level of the front directions.
    smoothing : float, optional
        Windows per octave of the smoothing of the levels.
    curves : mapping of str to array_like, shape (n,), optional
        Curves in dB in which the strength is measured as well.

    Returns
    -------
    list of CommonPole
        Peaks and dips in the order in which they were found: that whose poles explain most re what they leave first,
        subtracted before the next is searched. Empty if an orbit is missing.
    """
    grid, degrees = check_grid(frequency), np.atleast_1d(wrap_angle(angles))
    front = np.abs(degrees) <= FRONT + 0.01
    octaves = octave_grid(max(low_hz, grid[0]), min(high_hz, grid[-1]))
    hertz = np.clip(2**octaves, grid[0], grid[-1])
    orbits: dict[str, Floats] = {}
    for plane, orbit in zip(planes, np.asarray(level, dtype=np.float64)[:, front], strict=True):
        rows = resample(grid, orbit, hertz)
        rows = rows[np.isfinite(rows).all(axis=1)]
        if len(rows) >= MIN_DIRECTIONS:
            orbits[plane] = rows
    if len(orbits) < 2:
        return []
    window = 0.0 if smoothing is None else 1 / smoothing
    max_q = float(q_of_bandwidth(max(0.5 * window, 1.5 / POINTS_PER_OCTAVE)))
    scans = _scans(float(octaves[1] - octaves[0]), orbits, window)
    tried: list[tuple[int, float]] = []
    found: list[AddedResonance] = []
    while len(tried) < MAX_POLES:
        candidate = _best_candidate(scans, min_height_db, tried)
        if candidate is None:
            break
        row, scan, even_db, odd_db = candidate
        tried.append((row, scan.q))
        fit = _fitted(octaves, row, scan, even_db, odd_db, window, max_q)
        if fit is not None:
            found.append(fit)
            shape = resonance_level(octaves - fit.centre_log2, fit.real, fit.imaginary, fit.q, window)
            for one in scans:
                one.windows[:] -= np.lib.stride_tricks.sliding_window_view(shape, 2 * one.half + 1)
    further = {name: resample(grid, curve, hertz) for name, curve in (curves or {}).items()}
    poles = [_in_directions(octaves, orbits, further, fit, found, window) for fit in found]
    return [pole for pole in poles if pole is not None and abs(pole.height_db) >= min_height_db]


def _shapes(x: Floats, fit: AddedResonance, window: float) -> Floats:
    """Return the level of a resonance and, since its phase may differ elsewhere, an odd part; shape (2, n)."""
    level = resonance_level(x - fit.centre_log2, fit.real, fit.imaginary, fit.q, window)
    odd = resonance_basis(x - fit.centre_log2, fit.q, window)[1]
    return np.stack([level, odd / max(float(np.abs(odd).max()), 1e-9)])


def _in_directions(
    octaves: Floats,
    orbits: dict[str, Floats],
    curves: dict[str, Floats],
    fit: AddedResonance,
    all_fits: Sequence[AddedResonance],
    window: float,
) -> CommonPole | None:
    """Return a pole with its strength in the directions; None if too few are loud enough."""
    half = _half_octaves(fit.q)
    part = np.abs(octaves - fit.centre_log2) <= half
    x = octaves[part]
    neighbours = [
        other
        for other in all_fits
        if other is not fit and other.q >= fit.q / 2 and abs(other.centre_log2 - fit.centre_log2) <= half
    ]
    shapes = np.concatenate([_shapes(x, fit, window), *(_shapes(x, other, window)[:1] for other in neighbours)])
    if x.size < len(shapes) + 8:
        shapes = shapes[:2]
    basis = np.concatenate([shapes.T, np.vander(x - fit.centre_log2, 3)], axis=1)
    inverse = np.linalg.pinv(basis)
    share, median, spread, used = {}, {}, {}, []
    for plane, rows in orbits.items():
        around = rows[:, part]
        loud = around.mean(axis=1)
        around = around[loud >= loud.max() - MAX_DROP_DB]
        if len(around) < MIN_DIRECTIONS:
            return None
        strength = around @ inverse[0]
        middle = float(np.median(strength))
        median[plane], spread[plane] = middle, float(strength.std())
        share[plane] = float(((strength >= 0.5 * middle) & (strength <= 2 * middle)).mean()) if middle > 0 else 0.0
        used.append(around.mean(axis=0))
    mean = np.mean(used, axis=0)
    profile = level_profile(fit, window)
    residual = float(np.sqrt(((mean - basis @ (inverse @ mean)) ** 2).mean()))
    return CommonPole(
        resonance=fit,
        height_db=profile.height_db,
        opposite_db=profile.opposite_db,
        width_octaves=profile.width_octaves,
        residual_db=residual,
        share_by_plane=share,
        median_by_plane=median,
        spread_by_plane=spread,
        strength_by_curve={name: float(curve[part] @ inverse[0]) for name, curve in curves.items()},
        window_octaves=window,
    )
