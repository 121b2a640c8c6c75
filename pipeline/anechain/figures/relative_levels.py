"""Levels of an orbit relative to on axis, averaged in bands of 1/12 octave, and the edges of its directions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.bands import band_centres, band_edges, band_means
from anechain.acoustics.curve.levels import mean_level
from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.figures import style

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["angle_edges", "band_averages", "relative_levels"]


BANDS_PER_OCTAVE = 12


ISOLATED_WIDTH_DEG = 5.0
"""Degrees: width of a direction without neighbours."""


def relative_levels(responses: xr.Dataset, plane: str) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the levels of an orbit relative to on axis, averaged in bands of 1/12 octave.

    Returns
    -------
    edges, centres : numpy.ndarray, shapes (bands, 2) and (bands,)
        Hz.
    angles : numpy.ndarray, shape (angles,)
        Degrees, increasing, from -180 (a copy of 180) to 180.
    levels : numpy.ndarray, shape (angles, bands)
        dB re on axis; bands without an on-axis value are omitted.

    Raises
    ------
    InputError
        If the plane was not measured or has no on-axis response.
    """
    device = str(responses.attrs.get("title") or responses.attrs.get("device") or "responses")
    planes = [str(p) for p in responses["plane"].values]
    if plane not in planes:
        raise InputError.single(device, f"{plane} orbit: was not measured", f"one of {', '.join(planes)}")
    orbit = responses["level"].sel(plane=plane).transpose("angle", "frequency")
    angles = np.asarray(orbit["angle"].values, np.float64)
    levels = np.asarray(orbit.values, np.float64)
    frequency = np.asarray(orbit["frequency"].values, np.float64)
    measured = np.isfinite(levels).any(axis=1)
    angles, levels = angles[measured], levels[measured]
    axis = np.flatnonzero(np.abs(angles) < 1e-6)
    if not axis.size:
        raise InputError.single(
            device, f"{plane} orbit: has no on-axis response", "an angle of 0°", "a map relative to on axis needs it"
        )
    low, high = style.FREQUENCY_RANGE
    usable = np.isfinite(levels[axis[0]]) & (frequency >= low / 1.03) & (frequency <= high * 1.03)
    if not usable.any():
        raise InputError.single(device, f"{plane} orbit: on axis has no value between 20 Hz and 20 kHz")
    edges, centres, means = band_averages(frequency, levels, usable)
    if angles[-1] == 180.0 and angles[0] > -180.0:
        angles, means = np.r_[-180.0, angles], np.vstack([means[-1], means])
    return edges, centres, angles, means - means[np.flatnonzero(np.abs(angles) < 1e-6)[0]]


def band_averages(frequency: Floats, levels: Floats, usable: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    """Average levels in bands of 1/12 octave by the mean of squared pressure.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (n,)
        Hz, increasing.
    levels : numpy.ndarray, shape (angles, n)
        dB.
    usable : numpy.ndarray of bool, shape (n,)
        Frequencies to be shown.

    Returns
    -------
    edges : numpy.ndarray, shape (cells, 2)
        Hz: lower and upper edge of a cell. Each frequency of a cell extends half way (on the log axis) to the next
        frequency of the data, and at most half an octave.
    centres : numpy.ndarray, shape (cells,)
        Hz: geometric mean of the frequencies in a cell.
    levels : numpy.ndarray, shape (angles, cells)
        dB: the mean over the band where the data cover it, see
        :func:`anechain.acoustics.curve.bands.band_means`; otherwise (at the ends, or if only part of a band is
        shown) the mean over its frequencies. Data coarser than the bands are not averaged. NaN if a direction has a
        NaN in the cell.
    """
    place = np.log2(frequency)
    between = np.diff(place) / 2 if place.size > 1 else np.array([0.5 / BANDS_PER_OCTAVE])
    low = place - np.minimum(np.r_[between[0], between[: place.size - 1]], 0.5)
    high = place + np.minimum(np.r_[between[: place.size - 1], between[-1]], 0.5)
    bands = band_centres(BANDS_PER_OCTAVE, float(frequency[0]), float(frequency[-1]))
    means = band_means(frequency, levels, bands, BANDS_PER_OCTAVE)
    number = np.minimum(np.searchsorted(band_edges(bands, BANDS_PER_OCTAVE)[1], frequency), bands.size - 1)
    shown = np.flatnonzero(usable)
    parts = np.flatnonzero((np.diff(number[shown]) > 0) | (np.diff(shown) > 1)) + 1
    cells = np.split(shown, parts)
    edges = np.array([[low[cell[0]], high[cell[-1]]] for cell in cells])

    def level(cell: NDArray[np.intp]) -> Floats:
        points = mean_level(levels[:, cell], axis=1)
        band = number[cell[0]]
        if cell.size == 1 or np.count_nonzero(number == band) > cell.size:
            return points
        return np.where(np.isfinite(means[:, band]), means[:, band], points)

    centres = np.array([place[cell].mean() for cell in cells])
    return np.asarray(2.0**edges), np.asarray(2.0**centres), np.stack([level(cell) for cell in cells], axis=1)


def angle_edges(angles: Floats) -> Floats:
    """Return the lower and upper edge of each direction in degrees, shape (angles, 2): half way to its neighbours.

    A step that is wider than the steps on both its sides is a gap in the directions and stays empty.
    """
    steps = np.diff(angles)
    full_circle = steps.size > 0 and angles[0] == -180.0 and angles[-1] == 180.0
    # -180 and 180 degrees are the same direction, so both have a neighbour beyond the end.
    before = np.r_[steps[-1] if full_circle else np.inf, steps]
    after = np.r_[steps, steps[0] if full_circle else np.inf]
    smallest = np.minimum(before, after)
    smallest[np.isinf(smallest)] = ISOLATED_WIDTH_DEG
    regular = steps <= 1.01 * np.maximum(smallest[:-1], smallest[1:])
    below = np.r_[smallest[0], np.where(regular, steps, smallest[1:])] / 2
    above = np.r_[np.where(regular, steps, smallest[:-1]), smallest[-1]] / 2
    return np.asarray(np.clip(np.stack([angles - below, angles + above], axis=1), -180.0, 180.0))
