"""Peaks and dips of a curve: frequency, height and width, from the shape of a resonance fitted to each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.peak_candidates import (
    candidates_in_curve,
    even_grid,
    narrowed_candidates,
    near_candidate,
    searchable_segment,
    without_line,
)
from anechain.acoustics.curve.peak_fits import (
    MAX_RESIDUAL_SHARE,
    PeakFit,
    fit_candidates,
    residual_power,
    sum_of_fits,
)
from anechain.acoustics.curve.peak_shapes import NO_RESONANCE, ONE_RESONANCE, RESONANCE_WITH_PHASE, PeakOrDip
from anechain.acoustics.curve.phase_resonances import fit_phase_resonances
from anechain.acoustics.curve.resonance_shape import bandwidth_of_q, level_profile, q_of_bandwidth
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["MAX_WIDTH_OCTAVES", "find_peaks_and_dips"]

MAX_FITS_WITH_PHASE = 20
"""Most shapes of a curve among which resonances with a phase are searched: more are the ripple of an interference."""

MAX_WIDTH_OCTAVES = 2.5
"""Octaves; wider shapes belong to the balance of the whole curve, which a trend line describes better."""


@method(
    "peaks-and-dips",
    version=3,
    title="Peaks and dips of a curve: centre, height, width, Q, and the phase of an added resonance",
    formula="Least squares fit of |1 + r / (1 + j w)|², w = Q (f / f0 - f0 / f), smoothed as the curve is, and a line "
    "(for a narrow shape a parabola or cubic), around each extreme whose prominence is half the minimum height or "
    "more; r is real, which is the peaking section of an equaliser, unless a phase reduces the squared residual by a "
    "factor of 1.3 for each further parameter",
    source="extremes by their prominence above a line through the band; second-order section, or second-order "
    "resonance added with a phase, fitted together with a line through the surroundings, neighbours subtracted (shape "
    "of the section: W3C note Audio EQ Cookbook, peaking section)",
    source_status="common practice, no source",
    limitations="A shape narrower than half the smoothing window or the spacing is not resolved. A shape cut off by an "
    "end of the band is not detected. Two close peaks leave a dip between them that has no cause of its own. A phase "
    "is fitted from Q 4 on and assumed constant over the resonance; a peak and a dip of two causes may be taken for a "
    "resonance. Only the 48 most prominent extremes are fitted, and no phase where there are more than 20. "
    "Overlapping shapes affect each other: their centres, heights and Q may be wrong together.",
)
def find_peaks_and_dips(
    frequency: ArrayLike,
    level: ArrayLike,
    curve: str = "curve",
    low_hz: float = 100.0,
    high_hz: float = 16000.0,
    min_height_db: float = 1.0,
    smoothing: float | None = None,
    max_width_octaves: float = MAX_WIDTH_OCTAVES,
) -> tuple[tuple[PeakOrDip, ...], str]:
    """Find every peak and dip of a minimum height.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    curve : str
        Identifier that is kept with the result.
    low_hz, high_hz : float
        The band in Hz; leave steep roll-offs outside.
    min_height_db : float
        Minimum height in dB in the curve, smoothed or not.
    smoothing : float, optional
        Windows per octave that the curve was smoothed with, as in :func:`anechain.acoustics.curve.smoothing.smooth`.
        The shapes are smoothed in the same way, so that centre, width and Q are those before smoothing.
    max_width_octaves : float
        Wider shapes are left out: they belong to the balance of the whole curve.

    Returns
    -------
    features : tuple of PeakOrDip
        By ascending frequency.
    reason : str
        Why the curve could not be searched; empty if it could.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree, the band is empty, or the minimum height
        or the smoothing is not above zero.
    """
    if not min_height_db > 0:
        raise ValueError(f"the minimum height must be above zero, not {min_height_db}")
    if smoothing is not None and not smoothing > 0:
        raise ValueError(f"a window of 1/N octave needs an N above zero, not {smoothing}")
    segment = searchable_segment(frequency, level, low_hz, high_hz)
    if segment.reason:
        return (), segment.reason
    octaves, values = even_grid(segment, low_hz, high_hz)
    own = np.log2(segment.frequency)

    def window_octaves(centre_log2: float) -> float:
        """Return the width of the smoothing window; interpolation between samples widens it (by its mean error)."""
        row = int(np.clip(np.searchsorted(own, centre_log2), 1, own.size - 1))
        step = float(own[row] - own[row - 1])
        if smoothing is None:
            return 0.0
        # The width of the rectangle with the variance of the weights of the samples: W²/12 + step²/6, or W step / 4
        # where half of the window W is inside one step.
        window = 1 / smoothing
        return float(np.sqrt(3 * window * step) if window < 2 * step else np.hypot(window, np.sqrt(2) * step))

    candidates = candidates_in_curve(octaves, values, min_height_db)
    fits = fit_candidates(octaves, values, candidates, min_height_db, window_octaves)
    narrowed = narrowed_candidates(octaves, without_line(octaves, values), candidates)
    if narrowed != candidates:
        narrowed_fits = fit_candidates(octaves, values, narrowed, min_height_db, window_octaves)
        changed = [new for new, old in zip(narrowed, candidates, strict=True) if new != old]
        near = np.any([near_candidate(octaves, candidate) for candidate in changed], axis=0)
        fits = min(
            fits,
            narrowed_fits,
            key=lambda alternative: residual_power(
                octaves[near], (values - sum_of_fits(octaves, alternative))[near], 1
            ),
        )
    if len(fits) <= MAX_FITS_WITH_PHASE:
        fit_phase_resonances(octaves, values, fits)
    features = [
        feature
        for feature in (_feature(fit, curve, octaves, values, fits, min_height_db, max_width_octaves) for fit in fits)
        if feature is not None
    ]
    return tuple(sorted(features, key=lambda feature: feature.centre_hz)), ""


def _feature(
    fit: PeakFit,
    curve: str,
    octaves: Floats,
    level: Floats,
    fits: Sequence[PeakFit],
    min_height_db: float,
    max_width_octaves: float,
) -> PeakOrDip | None:
    """Return the peak or dip of a fit; None if it is too low, too wide or outside the band."""
    candidate, resonance, residual_db = fit.candidate, fit.resonance, fit.residual_db
    profile = level_profile(resonance, fit.window_octaves)
    # A close fit of almost zero height is accepted too: the other shapes explain the candidate.
    accepted_residual = MAX_RESIDUAL_SHARE * max(abs(profile.height_db), abs(candidate.height_db) / 2)
    good = residual_db is not None and residual_db <= accepted_residual
    with_phase = good and fit.has_phase
    if fit.absorbed or (not good and not candidate.in_curve):
        return None
    unsmoothed = level_profile(resonance, 0.0)
    height, centre_log2 = profile.height_db, resonance.centre_log2
    if not good:
        centre_log2, height = candidate.centre_log2, candidate.height_db
    q = resonance.q if with_phase else float(q_of_bandwidth(candidate.width_octaves))
    if good and not fit.has_phase:
        q = resonance.q / float(np.sqrt(1 + resonance.real))
    unsmoothed_height = unsmoothed.height_db if good else height
    width = unsmoothed.width_octaves if with_phase else float(bandwidth_of_q(q))
    outside = not octaves[0] < centre_log2 < octaves[-1]
    if abs(height) < min_height_db * (1 - 1e-6) or width > max_width_octaves or outside:
        return None
    extreme_log2 = (
        candidate.centre_log2 if candidate.in_curve and not fit.has_phase else centre_log2 + profile.shift_octaves
    )
    # Narrower shapes on top of this shape are subtracted, since their extreme is not its extreme.
    narrower = [
        other
        for other in fits
        if other.candidate.width_octaves < width / 3
        and other.candidate.height_db * height > 0
        and np.abs(other.level).max() >= min_height_db
    ]
    extreme_hz = _extreme_hz(
        octaves,
        level - sum_of_fits(octaves, narrower),
        extreme_log2,
        candidate.width_octaves / 2,
        float(np.sign(height)),
    )
    return PeakOrDip(
        curve=curve,
        centre_hz=float(2**centre_log2),
        height_db=height,
        width_octaves=width,
        q=q,
        pole_q=q if with_phase else q * 10 ** (abs(unsmoothed_height) / 40),
        shape=(RESONANCE_WITH_PHASE if fit.has_phase else ONE_RESONANCE) if good else NO_RESONANCE,
        residual_db=residual_db,
        extreme_hz=extreme_hz,
        unsmoothed_height_db=unsmoothed_height,
        strength=float(np.hypot(resonance.real, resonance.imaginary)) if with_phase else 0.0,
        phase_deg=float(np.rad2deg(np.arctan2(resonance.imaginary, resonance.real))) if with_phase else 0.0,
        opposite_db=profile.opposite_db if with_phase else 0.0,
        window_octaves=fit.window_octaves if good else 0.0,
    )


def _extreme_hz(octaves: Floats, level: Floats, centre_log2: float, reach_octaves: float, sign: float) -> float:
    """Return the frequency in Hz near a centre at which the curve is highest, or lowest for a negative sign.

    The centre itself if the curve has no such extreme nearby.
    """
    near = np.flatnonzero(np.abs(octaves - centre_log2) <= reach_octaves)
    if near.size:
        row = near[np.argmax(sign * level[near])]
        if 0 < row < octaves.size - 1 and sign * level[row] >= (sign * level[row - 1 : row + 2]).max():
            return float(2 ** octaves[row])
    return float(2**centre_log2)
