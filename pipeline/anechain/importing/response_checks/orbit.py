"""The measured directions of one plane: angles, band levels and arrivals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.curve.bands import band_centres, band_means
from anechain.acoustics.directivity import arrivals as arrival_methods
from anechain.arrays import Floats

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["HIGHEST", "LOWEST", "MIN_BANDS", "NO_ARRIVAL", "Orbit", "arrivals_of", "band_levels", "measured_orbit"]

LOWEST, HIGHEST = 200.0, 12500.0
"""Range in Hz in which directions are compared: at lower frequencies all directions are alike, at higher ones a degree
makes a difference; common practice, no source."""
MIN_BANDS = 6
"""Smallest number of third-octave bands for a comparison of directions."""
NO_ARRIVAL = "the raw exports do not state when the sound arrived"


@dataclass(frozen=True)
class Orbit:
    """Measured directions of one plane.

    Attributes
    ----------
    plane : str
        "horizontal" or "vertical".
    angle : numpy.ndarray, shape (directions,)
        Degrees, rising.
    bands : numpy.ndarray, shape (bands,)
        Centres of third-octave bands in Hz, or the frequencies of the data if these are too coarse.
    level : numpy.ndarray, shape (directions, bands)
        dB.
    arrival : numpy.ndarray, shape (directions,), or None
        Seconds; NaN where unknown. None if it is unknown for all directions.
    """

    plane: str
    angle: Floats
    bands: Floats
    level: Floats
    arrival: Floats | None

    def direction_text(self, row: int) -> str:
        """Return the direction of a row as text: "horizontal -30°"."""
        return f"{self.plane} {self.angle[row]:g}°"

    def with_arrival(self) -> Orbit:
        """Return the orbit with only those directions whose arrival is known."""
        known = np.isfinite(self.arrival) if self.arrival is not None else np.zeros(self.angle.size, dtype=bool)
        arrival = None if self.arrival is None else self.arrival[known]
        return Orbit(self.plane, self.angle[known], self.bands, self.level[known], arrival)


def measured_orbit(responses: xr.Dataset, plane: str) -> Orbit:
    """Return the measured directions of a plane; none if only 0° and 180° are known, which the other plane has too."""
    of_plane = responses.sel(plane=plane).transpose("angle", "frequency", ...)
    measured = np.asarray(of_plane["measured"].values).astype(bool)
    angle = np.asarray(of_plane["angle"].values, np.float64)
    frequency = np.asarray(of_plane["frequency"].values, np.float64)
    level = np.asarray(of_plane["level"].values, np.float64)
    if not (measured & (angle != 0) & (angle != 180)).any():
        measured[:] = False
    low = max(LOWEST, float(responses.attrs.get("valid_low", 0.0)))
    high = min(HIGHEST, float(responses.attrs.get("valid_high", math.inf)), float(frequency[-1]))
    bands, levels = band_levels(frequency, level[measured], low, high)
    arrival = arrivals_of(of_plane, frequency)
    return Orbit(plane, angle[measured], bands, levels, None if arrival is None else arrival[measured])


def arrivals_of(responses: xr.Dataset, frequency: Floats) -> Floats | None:
    """Return the arrivals that the dataset has, or else those that follow from its phase.

    Returns
    -------
    numpy.ndarray or None
        Seconds, shape (..., angles) as in the dataset; None if it has neither arrivals nor phase.
    """
    if "arrival" in responses:
        return np.asarray(responses["arrival"].values, np.float64)
    if "phase" not in responses:
        return None
    phase = np.asarray(responses["phase"].values, np.float64)
    return arrival_methods.arrival_from_phase(frequency, phase)


def band_levels(frequency: Floats, level: Floats, low: float, high: float) -> tuple[Floats, Floats]:
    """Return the levels in third-octave bands, or at the frequencies of the data if fewer than MIN_BANDS are complete.

    Parameters
    ----------
    frequency : numpy.ndarray, shape (frequencies,)
        Hz.
    level : numpy.ndarray, shape (directions, frequencies)
        dB.
    low, high : float
        Range in Hz.

    Returns
    -------
    bands : numpy.ndarray
        Hz.
    levels : numpy.ndarray, shape (directions, bands)
        dB, finite: bands with a missing value are left out.
    """
    bands, levels = np.zeros(0), np.zeros((level.shape[0], 0))
    if low < high:
        bands = band_centres(3, low, high)
        levels = band_means(frequency, level, bands, 3)
    complete = np.isfinite(levels).all(axis=0)
    if complete.sum() < MIN_BANDS:
        inside = (frequency >= low * 0.999) & (frequency <= high * 1.001)
        bands, levels = frequency[inside], level[:, inside]
        complete = np.isfinite(levels).all(axis=0)
    return bands[complete], levels[:, complete]
