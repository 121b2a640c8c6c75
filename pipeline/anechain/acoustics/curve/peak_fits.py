"""Fits of resonance shapes to all candidates of a curve together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from anechain.acoustics.curve.peak_candidates import Candidate, candidates_in_residual, near_candidate
from anechain.acoustics.curve.resonance_fits import fit_resonance, fit_section
from anechain.acoustics.curve.resonance_shape import (
    AddedResonance,
    level_profile,
    peaking_section,
    q_of_bandwidth,
    resonance_level,
)
from anechain.arrays import Floats

__all__ = [
    "MAX_RESIDUAL_SHARE",
    "MIN_RESIDUAL_DB",
    "PeakFit",
    "fit_candidates",
    "height_of_resonance",
    "level_of_resonance",
    "max_height",
    "polynomial_order",
    "refine_fits",
    "residual_power",
    "sum_of_fits",
]

MAX_HEIGHT_RATIO = 1.6
"""Largest fitted height re the prominence: higher fits arise where overlapping shapes cancel each other."""

MAX_RESIDUAL_SHARE = 0.2
"""Residual re the height above which the shape is not that of a single resonance."""

MAX_ROUNDS = 4
"""Most rounds of fits: with more, overlapping shapes cancel each other."""

MIN_CHANGE_DB = 0.002
"""dB; a round that changes the sum of shapes by less is the last round."""

MIN_WIDTH_IN_WINDOWS = 0.5
"""Smallest width in windows of the smoothing: narrower shapes are not resolved."""

MAX_BENT_OCTAVES = 0.25
"""Octaves; for shapes up to this width the polynomial of the fit has an order above 1. For wider shapes it would
describe the shape itself."""

MIN_RESIDUAL_DB = 0.03
"""dB; smaller residuals are rounding and noise, and are not compared."""


@dataclass(eq=False)
class PeakFit:
    """Shape that is fitted to a candidate; refined in place.

    Attributes
    ----------
    candidate : Candidate
    resonance : AddedResonance
        The shape.
    window_octaves : float
        Width of the smoothing window of the curve there; 0 for none.
    max_q : float
        Highest Q that the curve resolves.
    level : numpy.ndarray, shape (n,)
        dB, of the shape on the grid of the curve.
    residual_db : float or None
        Root mean square residual in dB; None if no shape fits.
    has_phase : bool
        Whether it is a resonance added with a phase; a section otherwise.
    absorbed : bool
        Whether a neighbouring resonance with a phase covers it: the dip next to its peak, or the peak next to its dip.
    """

    candidate: Candidate
    resonance: AddedResonance
    window_octaves: float
    max_q: float
    level: Floats
    residual_db: float | None = None
    has_phase: bool = False
    absorbed: bool = False


def _initial_fit(octaves: Floats, candidate: Candidate, window_octaves: float) -> PeakFit:
    min_width = max(MIN_WIDTH_IN_WINDOWS * window_octaves, 1.5 * float(octaves[1] - octaves[0]))
    section = peaking_section(
        candidate.height_db, float(q_of_bandwidth(candidate.width_octaves)), candidate.centre_log2
    )
    return PeakFit(candidate, section, window_octaves, float(q_of_bandwidth(min_width)), np.zeros_like(octaves))


def polynomial_order(candidate: Candidate, narrow_order: int = 2) -> int:
    """Return the order of the polynomial of a fit: `narrow_order` for a narrow candidate, else 1."""
    return narrow_order if candidate.width_octaves <= MAX_BENT_OCTAVES else 1


def max_height(candidate: Candidate) -> float:
    """Return the largest absolute height in dB that a fit to a candidate may have."""
    # A running median that is subtracted lowers the prominence of candidates in the residual.
    ratio = MAX_HEIGHT_RATIO if candidate.in_curve and not candidate.cut_off else 2 * MAX_HEIGHT_RATIO
    return ratio * abs(candidate.height_db)


def level_of_resonance(octaves: Floats, resonance: AddedResonance, window_octaves: float) -> Floats:
    """Return the level in dB of a resonance on a grid of log2 frequency."""
    return resonance_level(
        octaves - resonance.centre_log2, resonance.real, resonance.imaginary, resonance.q, window_octaves
    )


def height_of_resonance(resonance: AddedResonance, window_octaves: float) -> float:
    """Return the largest deviation in dB of a resonance in a level curve."""
    if resonance.imaginary == 0:
        # A section has it at its centre.
        return float(resonance_level(0.0, resonance.real, 0.0, resonance.q, window_octaves))
    return level_profile(resonance, window_octaves).height_db


def sum_of_fits(octaves: Floats, fits: Sequence[PeakFit]) -> Floats:
    """Return the sum of the levels in dB of fits."""
    return sum((fit.level for fit in fits), np.zeros_like(octaves))


def residual_power(octaves: Floats, residual: Floats, order: int) -> float:
    """Return the mean square of a residual after subtraction of its least squares polynomial.

    Returns
    -------
    float
        dB squared, :data:`MIN_RESIDUAL_DB` squared added.
    """
    polynomials = np.vander(octaves - octaves.mean(), order + 1)
    rest = residual - polynomials @ np.linalg.lstsq(polynomials, residual, rcond=None)[0]
    return float((rest**2).mean() + MIN_RESIDUAL_DB**2)


def refine_fits(
    octaves: Floats, level: Floats, fits: Sequence[PeakFit], all_fits: Sequence[PeakFit] | None = None
) -> None:
    """Fit each shape again to the curve minus all other shapes, in place, until the shapes no longer change.

    Parameters
    ----------
    octaves, level : numpy.ndarray, shape (n,)
        log2 of the frequency in Hz, evenly spaced, and dB.
    fits : sequence of PeakFit
        Fits to refine, in this order.
    all_fits : sequence of PeakFit, optional
        All fits that are subtracted from the curve, `fits` among them; `fits` if absent.
    """
    total = sum_of_fits(octaves, fits if all_fits is None else all_fits)
    for _ in range(MAX_ROUNDS):
        before = total.copy()
        for fit in fits:
            if not fit.absorbed:
                _refine_fit(octaves, level, fit, total)
        if np.abs(total - before).max() < MIN_CHANGE_DB:
            break


def _refine_fit(octaves: Floats, level: Floats, fit: PeakFit, total: Floats) -> None:
    """Fit a shape to the curve minus all other shapes, and update their sum `total`."""
    candidate = fit.candidate
    max_shift = max(0.5 * candidate.width_octaves, 1 / 24)
    near = near_candidate(octaves, candidate)
    rest = (level - total + fit.level)[near]
    if fit.has_phase:
        order = polynomial_order(candidate, 3)
        refined = fit_resonance(octaves[near], rest, fit.resonance, max_shift, fit.window_octaves, fit.max_q, order)
    else:
        low, high = candidate.centre_log2 - 0.9 * max_shift, candidate.centre_log2 + 0.9 * max_shift
        start = replace(fit.resonance, centre_log2=float(np.clip(fit.resonance.centre_log2, low, high)))
        refined = fit_section(octaves[near], rest, start, max_shift, fit.window_octaves, fit.max_q)
    refined_level = np.zeros_like(octaves)
    fit.residual_db = None
    if refined is not None:
        refined_level = level_of_resonance(octaves, refined, fit.window_octaves)
        height = height_of_resonance(refined, fit.window_octaves)
        if (fit.has_phase or height * candidate.height_db > 0) and abs(height) <= max_height(candidate):
            fit.resonance, fit.residual_db = refined, refined.residual_db
        else:
            refined_level = np.zeros_like(octaves)
            # Where the other shapes explain the candidate, no shape is needed if their residual is small.
            residual_db = float(np.sqrt(residual_power(octaves[near], rest, 1)))
            if residual_db <= MAX_RESIDUAL_SHARE * abs(candidate.height_db) / 2:
                fit.residual_db, fit.resonance = residual_db, replace(fit.resonance, real=0.0, imaginary=0.0)
    total += refined_level - fit.level
    fit.level = refined_level


def fit_candidates(
    octaves: Floats,
    level: Floats,
    candidates: Sequence[Candidate],
    min_height_db: float,
    window_octaves: Callable[[float], float],
) -> list[PeakFit]:
    """Fit sections to candidates, and to narrow extremes of the residual.

    Parameters
    ----------
    octaves, level : numpy.ndarray, shape (n,)
        log2 of the frequency in Hz, evenly spaced, and dB.
    candidates : sequence of Candidate
        The highest first.
    min_height_db : float
        Minimum height of a peak or dip in dB.
    window_octaves : callable
        Takes log2 of a frequency in Hz and returns the width in octaves of the smoothing window there.

    Returns
    -------
    list of PeakFit
        Those of the candidates first.
    """
    fits = [_initial_fit(octaves, candidate, window_octaves(candidate.centre_log2)) for candidate in candidates]
    refine_fits(octaves, level, fits)
    more = candidates_in_residual(octaves, level - sum_of_fits(octaves, fits), min_height_db)
    if more:
        fits += [_initial_fit(octaves, candidate, window_octaves(candidate.centre_log2)) for candidate in more]
        refine_fits(octaves, level, fits)
    return fits
