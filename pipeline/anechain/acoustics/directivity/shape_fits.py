"""Fits of the shape of one peak or dip to other levels: how high the same shape is in each of them, and where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.frequencies import resample
from anechain.acoustics.curve.peak_candidates import POINTS_PER_OCTAVE, octave_grid
from anechain.acoustics.curve.peak_shapes import PeakOrDip, shape_components
from anechain.arrays import Floats

__all__ = [
    "SEARCH",
    "FitWindow",
    "PlacedFits",
    "ShapeFits",
    "best_fits",
    "fit_shape",
    "levels_around",
    "nearest_good_fits",
    "without_neighbours",
]

SEARCH = 1.0 / 3.0
"""Smallest distance in octaves, to both sides of the centre, over which a shape is searched."""

GOOD_SHARE = 0.9
"""A shift is as good as the best one if its merit is at least this share of the best merit."""

CLOSE_FIT = 0.1
"""A shift is also as good if the fit leaves a residual (root mean square) of at most this share of its height."""

MIN_POINTS = 6
"""Fewest points to which a shape and a line are fitted."""

NULL_DEPTH_DB = 60.0
"""Depth in dB below the loudest level to which a null (minus infinity) is raised before a fit."""


@dataclass(frozen=True)
class FitWindow:
    """Distances in octaves of a search for a shape.

    Attributes
    ----------
    search : float
        Largest shift of the centre to both sides.
    half : float
        Half the width of the window of each fit, around the shifted centre.
    extent : float
        Half the width of all data that are used, around the centre.
    """

    search: float
    half: float
    extent: float


@dataclass(frozen=True)
class ShapeFits:
    """Fits of a shape to several levels (rows) at several shifts; NaN where there is no fit.

    Attributes
    ----------
    shifts : numpy.ndarray, shape (shifts,)
        Shifts of the centre in octaves, ascending; the middle one is 0.
    heights : numpy.ndarray, shape (shifts, rows)
        Height of the shape in dB.
    residuals : numpy.ndarray, shape (shifts, rows)
        Root mean square of what the fit leaves, dB.
    sign : float
        1 for a peak, -1 for a dip.
    """

    shifts: Floats
    heights: Floats
    residuals: Floats
    sign: float

    @property
    def merit(self) -> Floats:
        """Height minus twice the residual in dB, shape (shifts, rows); minus infinity without a fit.

        The height counts as positive if it has the sign of the feature.
        """
        return np.asarray(np.where(np.isnan(self.heights), -np.inf, self.sign * self.heights - 2 * self.residuals))


@dataclass(frozen=True)
class PlacedFits:
    """Fits of a shape at one shift per row; arrays of shape (rows,), NaN where there is no fit.

    Attributes
    ----------
    shift : numpy.ndarray
        Shift of the centre in octaves.
    height, residual : numpy.ndarray
        Height of the shape and residual (root mean square) at this shift, dB.
    centre_height : numpy.ndarray
        Height of the shape without a shift, dB.
    """

    shift: Floats
    height: Floats
    residual: Floats
    centre_height: Floats


def levels_around(frequency: Floats, levels: ArrayLike, feature: PeakOrDip, window: FitWindow) -> tuple[Floats, Floats]:
    """Resample levels around the centre of a feature.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, ascending.
    levels : array_like, shape (rows, n)
        dB.
    feature : PeakOrDip
    window : FitWindow

    Returns
    -------
    octaves : numpy.ndarray, shape (k,)
        Log2 of Hz, evenly spaced.
    levels : numpy.ndarray, shape (rows, k)
        dB.
    """
    factor = 2**window.extent
    octaves = octave_grid(max(frequency[0], feature.centre_hz / factor), min(frequency[-1], feature.centre_hz * factor))
    return octaves, resample(frequency, levels, np.clip(2**octaves, frequency[0], frequency[-1]))


def fit_shape(
    octaves: Floats, levels: Floats, feature: PeakOrDip, window: FitWindow, others: Sequence[PeakOrDip] = ()
) -> ShapeFits:
    """Fit the shape of a feature and a line to levels by least squares, with the centre shifted in steps.

    Parameters
    ----------
    octaves, levels : numpy.ndarray, shapes (n,) and (rows, n)
        As :func:`levels_around` returns them. A row with NaN has no fit. A null (minus infinity) is raised to 60 dB
        below the loudest level of its row.
    feature : PeakOrDip
        The shape.
    window : FitWindow
        Shifts, and windows of the fits.
    others : sequence of PeakOrDip
        Neighbours to subtract first, as high as they are in each row.

    Returns
    -------
    ShapeFits
    """
    shifts = window.search / SEARCH * np.arange(-16, 17) / POINTS_PER_OCTAVE
    heights, residuals = np.full((shifts.size, len(levels)), np.nan), np.full((shifts.size, len(levels)), np.nan)
    complete = ~np.isnan(levels).any(axis=1)
    if complete.any():
        usable = without_neighbours(octaves, _raise_nulls(levels[complete]), feature, others, window.half)
        heights[:, complete], residuals[:, complete] = _fits_at(shifts, octaves, usable, feature, window)
    return ShapeFits(shifts, heights, residuals, float(np.sign(feature.height_db)))


def _raise_nulls(levels: Floats) -> Floats:
    finite = np.where(np.isfinite(levels), levels, np.inf).min(axis=1, keepdims=True)
    loudest = np.where(np.isfinite(levels), levels, -np.inf).max(axis=1, keepdims=True)
    floor = np.where(np.isfinite(finite), np.minimum(finite, loudest - NULL_DEPTH_DB), 0.0)
    return np.maximum(levels, floor)


def without_neighbours(
    octaves: Floats, levels: Floats, feature: PeakOrDip, others: Sequence[PeakOrDip], half: float
) -> Floats:
    """Subtract the shapes of neighbours; their heights in each row are fitted together with the feature and a line."""
    x = octaves - np.log2(feature.centre_hz)
    inside = np.abs(x) <= half
    # A wider shape is nearly a line here. Of a shape further out, too little is inside to determine its height.
    neighbours = [
        other
        for other in others
        if other.width_octaves <= feature.width_octaves
        and other is not feature
        and abs(np.log2(other.centre_hz / feature.centre_hz)) <= half + other.width_octaves / 4
    ]
    shapes = [part for other in neighbours for part in shape_components(other)(octaves - np.log2(other.centre_hz))]
    if not shapes or inside.sum() < MIN_POINTS + len(shapes):
        return levels
    basis = np.stack([*shapes, *shape_components(feature)(x), np.ones_like(x), x], axis=1)
    solution = np.linalg.lstsq(basis[inside], levels[:, inside].T, rcond=None)[0]
    return np.asarray(levels - (basis[:, : len(shapes)] @ solution[: len(shapes)]).T)


def _fits_at(
    shifts: Floats, octaves: Floats, levels: Floats, feature: PeakOrDip, window: FitWindow
) -> tuple[Floats, Floats]:
    """Return heights and residuals in dB, each of shape (shifts, rows)."""
    centre = float(np.log2(feature.centre_hz))
    near = np.abs(octaves - centre) <= window.extent
    x, y = octaves[near] - centre, levels[:, near]
    heights, residuals = np.full((shifts.size, len(y)), np.nan), np.full((shifts.size, len(y)), np.nan)
    parts = shape_components(feature)
    for row, shift in enumerate(shifts):
        inside = np.abs(x - shift) <= window.half
        if inside.sum() < MIN_POINTS:
            continue
        shapes = parts(x[inside] - shift)
        basis = np.stack([*shapes, np.ones_like(x[inside]), x[inside] - shift], axis=1)
        solution = np.linalg.lstsq(basis, y[:, inside].T, rcond=None)[0]
        # A resonance added with a phase has two parts; its phase may differ here, so only its strength counts.
        heights[row] = solution[0] if len(shapes) == 1 else np.hypot(solution[0], solution[1]) * feature.height_db
        residuals[row] = np.sqrt(((y[:, inside].T - basis @ solution) ** 2).mean(axis=0))
    return heights, residuals


def best_fits(fits: ShapeFits) -> PlacedFits:
    """Return for each row the fit at the shift with the largest merit."""
    return _placed(fits, np.argmax(fits.merit, axis=0))


def nearest_good_fits(fits: ShapeFits) -> PlacedFits:
    """Return for each row the fit at the smallest shift that is as good as the best one."""
    merit = fits.merit
    best = merit.max(axis=0)
    good = merit >= np.where(best > 0, GOOD_SHARE * best, best)
    good |= fits.residuals <= CLOSE_FIT * fits.sign * fits.heights
    return _placed(fits, np.argmin(np.where(good, np.abs(fits.shifts)[:, np.newaxis], np.inf), axis=0))


def _placed(fits: ShapeFits, chosen: NDArray[np.intp]) -> PlacedFits:
    columns = np.arange(chosen.size)
    shift = np.where(np.isnan(fits.heights[chosen, columns]), np.nan, fits.shifts[chosen])
    return PlacedFits(
        shift,
        fits.heights[chosen, columns],
        fits.residuals[chosen, columns],
        fits.heights[fits.shifts.size // 2],
    )
