"""Every peak and dip of a curve: where, how high, how wide, by the shape of a resonance fitted to each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve_parts import Part, part_in_band, widest_step
from anechain.acoustics.frequencies import check_grid, resample
from anechain.acoustics.resonance_shape import bandwidth_of_q, fit_resonance, q_of_bandwidth, resonance_level
from anechain.methods import method

__all__ = ["POINTS_PER_OCTAVE", "PeakOrDip", "find_peaks_and_dips", "octave_grid"]

Floats = NDArray[np.float64]

POINTS_PER_OCTAVE = 48
COARSEST_DATA = 1.0 / 12.0
"""Octaves between samples beyond which peaks and dips are not looked for."""

MEDIAN = 0.5
"""Octaves of the running median beside which peaks and dips narrower than half of it are looked for."""

WIDEST = 2.5
"""Octaves; what is wider is the balance of the whole, which a trend tells better."""

HIGHEST_FIT = 1.6
"""Times the height by its prominence that a fitted height may be: higher ones come of fits that lean on each other."""

POOR_FIT = 0.2
"""Residual, as a share of the height, beyond which the shape is not that of one resonance."""


@dataclass(frozen=True)
class PeakOrDip:
    """One peak or dip of one curve.

    Attributes
    ----------
    curve : str
        Identifier of the curve.
    centre_hz, height_db : float
        Height above (or, negative, below) the line through its surroundings.
    width_octaves : float
        Between the points of half the height in dB.
    q : float
        Of the equaliser section of that width.
    pole_q : float
        Of the resonance itself, q times 10^(height / 40); for a dip that of the zeros.
    shape : str
        "one resonance" where a second-order section fits, else "not that of one resonance": then the centre, height
        and width are read from the curve.
    residual_db : float or None
        What the section leaves of the curve, root mean square; None where none was fitted.
    """

    curve: str
    centre_hz: float
    height_db: float
    width_octaves: float
    q: float
    pole_q: float
    shape: str
    residual_db: float | None


def octave_grid(low_hz: float, high_hz: float) -> Floats:
    """Octaves (log2 of Hz), evenly spaced, 1/48 octave or a little less apart."""
    low, high = np.log2(low_hz), np.log2(high_hz)
    return np.linspace(low, high, int(np.ceil((high - low) * POINTS_PER_OCTAVE)) + 1)


def _searchable(frequency: Floats, level: ArrayLike, low_hz: float, high_hz: float) -> Part:
    part = part_in_band(frequency, level, low_hz, high_hz)
    if not part.reason and widest_step(part.frequency) > COARSEST_DATA * (1 + 1e-6):
        words = f"the data are up to {widest_step(part.frequency):.2g} octave apart; 1/12 octave or finer is needed"
        return Part(part.frequency[:0], part.level[:0], words)
    return part


def _straightened(octaves: Floats, level: Floats) -> Floats:
    x = octaves - octaves.mean()
    return np.asarray(level - level.mean() - x * ((x * level).sum() / (x**2).sum()))


@dataclass(frozen=True)
class _Candidate:
    """A place to fit a shape at; one that shows only in what others leave counts only if its fit is close."""

    place: float
    height: float
    width: float
    certain: bool


def _candidates(octaves: Floats, level: Floats, least: float) -> list[_Candidate]:
    """Local extremes that stand out by half of the least height or more, with height and half-height width."""
    found = _extremes(octaves, _straightened(octaves, level), least, certain=True)
    return sorted(found, key=lambda one: -abs(one.height))


def _left_over(octaves: Floats, rest: Floats, least: float) -> list[_Candidate]:
    """Narrow extremes of what the fitted shapes leave, beside its running median.

    A narrow resonance on the flank of something broad is no extreme of the curve, but it is one of the rest. What the
    fits leave of broad shapes is broad itself, and passed over.
    """
    from scipy.ndimage import median_filter

    step = float(octaves[1] - octaves[0])
    size = min(2 * round(MEDIAN / step / 2) + 1, 2 * ((rest.size - 1) // 2) + 1)
    found = _extremes(octaves, rest - median_filter(rest, size, mode="nearest"), least, certain=False)
    return sorted((one for one in found if one.width < MEDIAN / 2), key=lambda one: -abs(one.height))


def _extremes(octaves: Floats, level: Floats, least: float, certain: bool) -> list[_Candidate]:
    from scipy.signal import find_peaks, peak_widths

    step = float(octaves[1] - octaves[0])
    found = []
    for sign in (1.0, -1.0):
        rows, properties = find_peaks(sign * level, prominence=least / 2)
        if rows.size == 0:
            continue
        widths = peak_widths(sign * level, rows, rel_height=0.5)[0] * step
        found += [
            _Candidate(float(octaves[row]), sign * float(height), float(max(width, step)), certain)
            for row, height, width in zip(rows, properties["prominences"], widths, strict=True)
        ]
    return found


def _window(octaves: Floats, place: float, width: float) -> NDArray[np.bool_]:
    return np.asarray(np.abs(octaves - place) <= min(max(0.5, 2.0 * width), 2.0))


@dataclass
class _Fit:
    """Shape of one candidate as fitted so far; no residual where it could not be fitted."""

    place: float
    height: float
    q: float
    residual: float | None
    model: Floats


def _fitted(octaves: Floats, values: Floats, candidates: Sequence[_Candidate]) -> list[_Fit]:
    """Fit a resonance to each candidate.

    The highest is fitted first; each round takes off the neighbours as they were found in the round before.
    """
    nothing = np.zeros_like(octaves)
    fits = [_Fit(one.place, one.height, float(q_of_bandwidth(one.width)), None, nothing) for one in candidates]
    for _ in range(4):
        for number, (one, fit) in enumerate(zip(candidates, fits, strict=True)):
            near = _window(octaves, one.place, one.width)
            rest = values - sum((other.model for k, other in enumerate(fits) if k != number), nothing)
            reach = max(0.5 * one.width, 1 / 24)
            place = float(np.clip(fit.place, one.place - 0.9 * reach, one.place + 0.9 * reach))
            fitted = fit_resonance(octaves[near], rest[near], place, fit.height, fit.q, reach)
            # Beside a running median the height is less than it is.
            highest = (HIGHEST_FIT if one.certain else 2 * HIGHEST_FIT) * abs(one.height)
            if fitted is None or fitted.height_db * one.height <= 0 or abs(fitted.height_db) > highest:
                fit.residual, fit.model = None, nothing
                continue
            fit.place, fit.height, fit.q = float(np.log2(fitted.centre_hz)), fitted.height_db, fitted.q
            fit.residual = fitted.residual_db
            fit.model = resonance_level(octaves - fit.place, fit.height, fit.q)
    return fits


@method(
    "peaks-and-dips",
    version=1,
    title="Peaks and dips of a curve: centre, height, width, Q",
    formula="Least squares fit of |H|² = (u + (A / Q)²) / (u + 1 / (A Q)²), u = (f / f0 - f0 / f)², A = 10^(height / "
    "40), and a line, around each extreme that stands out by half the least height",
    source="extremes by their prominence above a line through the band; second-order section fitted with a "
    "line through the surroundings, neighbours taken off (shape: W3C note Audio EQ Cookbook, peaking section)",
    standing="common practice, no source",
    limits="Smoothing widens and lowers what is narrower than its window. What the band's ends cut is not seen. Two "
    "close peaks leave a dip between them that nothing causes by itself.",
)
def find_peaks_and_dips(
    frequency: ArrayLike,
    level: ArrayLike,
    curve: str = "curve",
    low_hz: float = 100.0,
    high_hz: float = 16000.0,
    least_height_db: float = 1.0,
) -> tuple[tuple[PeakOrDip, ...], str]:
    """Find every peak and dip of a size or more.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB.
    curve : str
        Kept with the result.
    low_hz, high_hz : float
        The band; leave steep roll-offs outside.
    least_height_db : float
        The size, dB.

    Returns
    -------
    found : tuple of PeakOrDip
        By rising frequency.
    reason : str
        Why nothing could be looked for; empty if it could.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree, the band is none or the size is not above
        zero.
    """
    if not least_height_db > 0:
        raise ValueError(f"the least height must be above zero, not {least_height_db}")
    part = _searchable(check_grid(frequency), level, low_hz, high_hz)
    if part.reason:
        return (), part.reason
    octaves = octave_grid(low_hz, high_hz)
    values = resample(part.frequency, part.level, np.clip(2**octaves, part.frequency[0], part.frequency[-1]))
    candidates = _candidates(octaves, values, least_height_db)
    fits = _fitted(octaves, values, candidates)
    left = values - sum((fit.model for fit in fits), np.zeros_like(octaves))
    if more := _left_over(octaves, left, least_height_db):
        candidates += more
        fits = _fitted(octaves, values, candidates)
    found = []
    for one, fit in zip(candidates, fits, strict=True):
        place, height, q, residual = fit.place, fit.height, fit.q, fit.residual
        # A fit that is close and finds next to nothing is believed too.
        good = residual is not None and residual <= POOR_FIT * max(abs(height), abs(one.height) / 2)
        if not good and not one.certain:
            continue
        if not good:
            place, height, q = one.place, one.height, float(q_of_bandwidth(one.width))
        width = float(bandwidth_of_q(q))
        if abs(height) < least_height_db * (1 - 1e-6) or width > WIDEST or not octaves[0] < place < octaves[-1]:
            continue
        found.append(
            PeakOrDip(
                curve=curve,
                centre_hz=float(2**place),
                height_db=height,
                width_octaves=width,
                q=q,
                pole_q=q * 10 ** (abs(height) / 40),
                shape="one resonance" if good else "not that of one resonance",
                residual_db=residual,
            )
        )
    return tuple(sorted(found, key=lambda feature: feature.centre_hz)), ""
