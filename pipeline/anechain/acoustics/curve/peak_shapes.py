"""A peak or dip of a curve, and its fitted shape for use on other curves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_grid
from anechain.acoustics.curve.resonance_fits import MIN_POINTS
from anechain.acoustics.curve.resonance_shape import AddedResonance, peaking_section, resonance_basis, resonance_level
from anechain.arrays import Floats

__all__ = [
    "NO_RESONANCE",
    "ONE_RESONANCE",
    "RESONANCE_WITH_PHASE",
    "PeakOrDip",
    "height_gradient",
    "shape_components",
    "shape_level",
]

ONE_RESONANCE = "one resonance"
"""`PeakOrDip.shape` of a second-order section."""
RESONANCE_WITH_PHASE = "one resonance added with a phase"
"""`PeakOrDip.shape` of a resonance that is added with a phase: a peak next to a dip."""
NO_RESONANCE = "not that of one resonance"
"""`PeakOrDip.shape` where neither fits."""


@dataclass(frozen=True)
class PeakOrDip:
    """Peak or dip of a curve.

    Attributes
    ----------
    curve : str
        Identifier of the curve.
    centre_hz : float
        Centre frequency in Hz of the fitted shape, which is that of the resonance.
    height_db : float
        Largest deviation in dB of the curve, smoothed or not, from the line through its surroundings;
        negative for a dip.
    width_octaves : float
        Octaves between the points of half the height in dB, before any smoothing.
    q : float
        Q of the equaliser section of that width; for a resonance added with a phase, which no section equals, Q of the
        resonance.
    pole_q : float
        Q of the resonance itself: for a section `q` times 10^(height / 40), with the height before smoothing; for a
        dip Q of the zeros.
    shape : str
        :data:`ONE_RESONANCE` where a second-order section fits; :data:`RESONANCE_WITH_PHASE` where a resonance added
        with a phase fits so much better that its further parameter is justified; else :data:`NO_RESONANCE`, with
        centre, height and width read from the curve.
    residual_db : float or None
        Root mean square residual in dB; None if no shape was fitted.
    extreme_hz : float or None
        Frequency in Hz at which the curve itself is highest or lowest there. A resonance on a flank may have no extreme
        in the curve: then that of its shape. None if not determined.
    unsmoothed_height_db : float or None
        Height in dB before smoothing, from the shape; None if not determined.
    strength, phase_deg : float
        For a resonance added with a phase: its pressure at its centre re the sound it is added to, and the phase in
        degrees. 0 for a section.
    opposite_db : float
        Largest deviation in dB of the other sign: the dip next to the peak, or the peak next to the dip.
    window_octaves : float
        Width in octaves of the smoothing window of the shape; 0 for none.
    """

    curve: str
    centre_hz: float
    height_db: float
    width_octaves: float
    q: float
    pole_q: float
    shape: str
    residual_db: float | None
    extreme_hz: float | None = None
    unsmoothed_height_db: float | None = None
    strength: float = 0.0
    phase_deg: float = 0.0
    opposite_db: float = 0.0
    window_octaves: float = 0.0


def _resonance(feature: PeakOrDip) -> AddedResonance:
    """Return the resonance that has the shape of a feature, with its centre at 1 Hz."""
    height = feature.height_db if feature.unsmoothed_height_db is None else feature.unsmoothed_height_db
    if feature.shape != RESONANCE_WITH_PHASE:
        return peaking_section(height, feature.q)
    pressure = feature.strength * np.exp(1j * np.deg2rad(feature.phase_deg))
    return AddedResonance(0.0, float(pressure.real), float(pressure.imag), feature.q)


def shape_level(feature: PeakOrDip, octaves: ArrayLike) -> Floats:
    """Return the level of a feature's shape, with the smoothing of its curve.

    Parameters
    ----------
    feature : PeakOrDip
    octaves : array_like
        Octaves from its centre.

    Returns
    -------
    numpy.ndarray
        dB.
    """
    resonance = _resonance(feature)
    return resonance_level(octaves, resonance.real, resonance.imaginary, resonance.q, feature.window_octaves)


def shape_components(feature: PeakOrDip) -> Callable[[Floats], Floats]:
    """Return the components of a feature's shape, for a linear fit to other curves.

    Returns
    -------
    callable
        Takes octaves from the centre, shape (n,), and returns the components, shape (1 or 2, n). A section has one
        component: its level divided by its height in dB. A resonance added with a phase has two, since its phase may
        differ in another curve; the root of the sum of squares of their coefficients is the strength re that in
        its own curve.
    """
    resonance, window = _resonance(feature), feature.window_octaves
    if feature.shape != RESONANCE_WITH_PHASE:
        return lambda octaves: (
            resonance_level(octaves, resonance.real, resonance.imaginary, resonance.q, window)[np.newaxis]
            / feature.height_db
        )
    strength_db = 20 / np.log(10) * feature.strength
    return lambda octaves: strength_db * resonance_basis(octaves, resonance.q, window)


def height_gradient(feature: PeakOrDip, frequency: ArrayLike) -> Floats:
    """Return the change of a feature's height with the level at each frequency, for a fixed shape and centre.

    Parameters
    ----------
    feature : PeakOrDip
    frequency : array_like, shape (n,)
        Hz, ascending, of the curve.

    Returns
    -------
    numpy.ndarray, shape (n,)
        dB per dB: weights of the least squares height of the shape, fitted together with a line. For a resonance added
        with a phase, which has two components, they hold to first order. Zero outside the surroundings of the feature,
        and everywhere if the surroundings contain fewer than 8 samples.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero.
    """
    octaves = np.log2(check_grid(frequency)) - np.log2(feature.centre_hz)
    gradient = np.zeros(octaves.size)
    near = np.abs(octaves) <= min(max(0.5, 2.0 * feature.width_octaves), 2.0)
    if near.sum() < MIN_POINTS:
        return gradient
    shape = shape_level(feature, octaves[near]) / feature.height_db
    basis = np.stack([shape, np.ones_like(shape), octaves[near]], axis=1)
    gradient[near] = np.linalg.pinv(basis)[0]
    return gradient
