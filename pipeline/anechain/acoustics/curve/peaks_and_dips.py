"""Every peak and dip of a curve: where, how high, how wide, by the shape of a resonance fitted to each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.added_resonance import (
    AddedResonance,
    added_level,
    first_guesses,
    fit_added,
    fit_section,
    parts,
    profile,
    section,
)
from anechain.acoustics.curve.curve_parts import Part, part_in_band, widest_step
from anechain.acoustics.curve.frequencies import check_grid, resample
from anechain.acoustics.curve.resonance_shape import bandwidth_of_q, fit_resonance, q_of_bandwidth, resonance_level
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "POINTS_PER_OCTAVE",
    "WIDEST",
    "PeakOrDip",
    "by_sections",
    "find_peaks_and_dips",
    "height_gradient",
    "octave_grid",
    "shape_level",
    "shape_parts",
]


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

ROUNDS = 4
"""Of fits, each beside what the others left, at most: with more, fits lean on each other where shapes overlap."""

SETTLED = 0.002
"""dB that a round of fits changes when it is the last one."""

SECTION = "one resonance"
ADDED = "one resonance added with a phase"
NEITHER = "not that of one resonance"

FEWEST = 8
"""Points to fit a shape to."""

NARROWEST = 0.5
"""Windows of the smoothing that lie between the half heights at least: what is narrower is not resolved."""

LOPSIDED = 1 / 3
"""Twice the narrower half, as a share of the whole width, below which it is the width: the other half is a slope."""

NARROW = 0.25
"""Octaves of width up to which the surroundings may bend: a line and a bend tell a wider shape from nothing."""

CLOSE_ADDED = 0.06
"""Residual, as a share of the height, up to which a shape is believed to be that of a resonance with a phase: peaks and
dips of interference come side by side too."""

LEAST_ADDED_Q = 4.0
"""Q below which no phase is looked for: over so broad a resonance the sound it is added to keeps none."""

LEAST_PHASE = 10.0
"""Degrees from being in phase, or turned over, below which a resonance is a section."""

PER_PARAMETER = 1.3
"""Times less, in squared decibels, that each further parameter of a shape must leave."""

FLOOR = 0.03
"""dB; what is left below that is rounding and noise, and decides nothing."""


@dataclass(frozen=True)
class PeakOrDip:
    """One peak or dip of one curve.

    Attributes
    ----------
    curve : str
        Identifier of the curve.
    centre_hz : float
        Of the shape that was fitted: of the resonance.
    height_db : float
        Its largest deviation in the curve as it is, smoothed or not, above (or, negative, below) the line through its
        surroundings.
    width_octaves : float
        Between the points of half the height in dB, before any smoothing.
    q : float
        Of the equaliser section of that width; of a resonance added with a phase, which no section makes, its own.
    pole_q : float
        Of the resonance itself: of a section q times 10^(height / 40), with the height before smoothing; for a dip that
        of the zeros.
    shape : str
        "one resonance" where a second-order section fits; "one resonance added with a phase" where that fits so much
        better that its further parameter is worth it: a peak beside a dip; else "not that of one resonance", and then
        the centre, height and width are read from the curve.
    residual_db : float or None
        What the shape leaves of the curve, root mean square; None where none was fitted.
    extreme_hz : float or None
        Where the curve itself is highest or lowest there; of a resonance on a flank, which has no extreme in the curve,
        where its shape is. None where that was not looked for (version 1).
    unsmoothed_height_db : float or None
        Height at the largest deviation before smoothing, from the shape; None where that was not looked for.
    strength, phase_deg : float
        Of a resonance added with a phase: its pressure at its centre re the sound it is added to, and that phase. 0 for
        a section.
    beside_db : float
        The largest deviation of the other sign: of the dip beside the peak, or the peak beside the dip.
    window_octaves : float
        Width of the smoothing that the shape went through; 0 for none.
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
    beside_db: float = 0.0
    window_octaves: float = 0.0


def _added(feature: PeakOrDip) -> AddedResonance:
    """A feature's shape as an added resonance."""
    height = feature.height_db if feature.unsmoothed_height_db is None else feature.unsmoothed_height_db
    if feature.shape != ADDED:
        return section(height, feature.q)
    turn = feature.strength * np.exp(1j * np.deg2rad(feature.phase_deg))
    return AddedResonance(0.0, float(turn.real), float(turn.imag), feature.q)


def shape_level(feature: PeakOrDip, octaves: ArrayLike) -> Floats:
    """Level in dB of a feature's shape, octaves away from its centre, smoothed as its curve is."""
    one = _added(feature)
    return added_level(octaves, one.real, one.imaginary, one.q, feature.window_octaves)


def shape_parts(feature: PeakOrDip) -> Callable[[Floats], Floats]:
    """Parts of a feature's shape by octaves from its centre, to be fitted to other curves.

    Returns
    -------
    callable
        Of octaves, shape (n,): the parts, shape (1 or 2, n). A section is its only part, re its height. A resonance
        added with a phase has two, which another phase mixes otherwise: the root of the sum of squares of what they are
        multiplied by says how strong it is, 1 as in its own curve.
    """
    one, window = _added(feature), feature.window_octaves
    if feature.shape != ADDED:
        return lambda octaves: (
            added_level(octaves, one.real, one.imaginary, one.q, window)[np.newaxis] / feature.height_db
        )
    strength = 20 / np.log(10) * feature.strength
    return lambda octaves: strength * parts(octaves, one.q, window)


def height_gradient(feature: PeakOrDip, frequency: ArrayLike) -> Floats:
    """By how much a feature's height changes with each decibel of its curve, its shape and place kept.

    Parameters
    ----------
    feature : PeakOrDip
    frequency : array_like, shape (n,)
        Hz, ascending, of the curve.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Weights of the least squares height of the shape beside a line; of a resonance added with a phase, which has two
        parts, to first order. Zero outside its surroundings, and everywhere if these hold too few samples.
    """
    octaves = np.log2(check_grid(frequency)) - np.log2(feature.centre_hz)
    gradient = np.zeros(octaves.size)
    near = np.abs(octaves) <= min(max(0.5, 2.0 * feature.width_octaves), 2.0)
    if near.sum() < FEWEST:
        return gradient
    shape = shape_level(feature, octaves[near]) / feature.height_db
    basis = np.stack([shape, np.ones_like(shape), octaves[near]], axis=1)
    gradient[near] = np.linalg.pinv(basis)[0]
    return gradient


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
    source_status="common practice, no source",
    limitations="Smoothing widens and lowers what is narrower than its window. What the band's ends cut is not seen. "
    "Two "
    "close peaks leave a dip between them that nothing causes by itself. A resonance added with a phase is misplaced, "
    "and a tilt of the whole hides small ones: version 2 mends both.",
)
def find_peaks_and_dips_by_sections(
    frequency: ArrayLike,
    level: ArrayLike,
    curve: str = "curve",
    low_hz: float = 100.0,
    high_hz: float = 16000.0,
    least_height_db: float = 1.0,
    smoothing: float | None = None,  # noqa: ARG001 - as the versions after it are called
    widest_octaves: float = WIDEST,
) -> tuple[tuple[PeakOrDip, ...], str]:
    """Find every peak and dip of a size or more, as version 1 did.

    Parameters, results and errors are those of :func:`find_peaks_and_dips`; the smoothing is not looked at.
    """
    return by_sections(frequency, level, curve, low_hz, high_hz, least_height_db, widest_octaves)


def by_sections(
    frequency: ArrayLike,
    level: ArrayLike,
    curve: str,
    low_hz: float,
    high_hz: float,
    least_height_db: float,
    widest_octaves: float = WIDEST,
) -> tuple[tuple[PeakOrDip, ...], str]:
    """What version 1 finds, whichever version is chosen."""
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
        outside = not octaves[0] < place < octaves[-1]
        if abs(height) < least_height_db * (1 - 1e-6) or width > widest_octaves or outside:
            continue
        found.append(
            PeakOrDip(
                curve=curve,
                centre_hz=float(2**place),
                height_db=height,
                width_octaves=width,
                q=q,
                pole_q=q * 10 ** (abs(height) / 40),
                shape=SECTION if good else NEITHER,
                residual_db=residual,
            )
        )
    return tuple(sorted(found, key=lambda feature: feature.centre_hz)), ""


def _even_grid(part: Part, low_hz: float, high_hz: float) -> tuple[Floats, Floats]:
    """Octaves evenly apart and the levels there: the data's own places where these are even, else read in between."""
    # The band's ends are read in between, and what is read in between is a little lower than a peak is.
    own = np.log2(part.frequency[1:-1])
    steps = np.diff(own)
    if own.size > FEWEST and steps.min() > 1 / (2 * POINTS_PER_OCTAVE) and steps.max() < 1.01 * steps.min():
        return np.linspace(own[0], own[-1], own.size), part.level[1:-1]
    octaves = octave_grid(low_hz, high_hz)
    return octaves, resample(part.frequency, part.level, np.clip(2**octaves, part.frequency[0], part.frequency[-1]))


def _halves(octaves: Floats, level: Floats, found: Sequence[_Candidate]) -> list[_Candidate]:
    """Candidates with twice the narrower of their two halves for a width: what they stand on widens the other one."""
    narrowed = []
    for one in found:
        row = int(np.argmin(np.abs(octaves - one.place)))
        lower = np.sign(one.height) * (level - level[row]) <= -abs(one.height) / 2
        sides = [np.flatnonzero(side) for side in (lower[row::-1], lower[row:])]
        steps = min((int(side[0]) for side in sides if side.size), default=0)
        width = 2 * steps * float(octaves[1] - octaves[0])
        narrowed.append(replace(one, width=width) if 0 < width < LOPSIDED * one.width else one)
    return narrowed


def _beside_surroundings(octaves: Floats, level: Floats) -> Floats:
    """Level less the running median of it, both without the slope of the surroundings, so that no tilt counts."""
    step = float(octaves[1] - octaves[0])
    half = min(max(round(MEDIAN / step / 2), 2), (level.size - 1) // 2)
    padded = np.pad(level, half, mode="reflect", reflect_type="odd")
    around = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    slope = np.median(around[:, half:] - around[:, : half + 1], axis=1) / half
    flat = around - slope[:, np.newaxis] * np.arange(-half, half + 1)
    return np.asarray(level - np.median(flat, axis=1))


@dataclass(eq=False)
class _Shape:
    """A candidate and the shape fitted to it so far; no residual where none could be."""

    candidate: _Candidate
    one: AddedResonance
    window: float
    highest_q: float
    model: Floats
    residual: float | None = None
    added: bool = False
    within: bool = False
    """Whether it belongs to another: it is the dip beside its peak, or the peak beside its dip."""


def _start(octaves: Floats, candidate: _Candidate, window: float) -> _Shape:
    narrowest = max(NARROWEST * window, 1.5 * float(octaves[1] - octaves[0]))
    one = section(candidate.height, float(q_of_bandwidth(candidate.width)), candidate.place)
    return _Shape(candidate, one, window, float(q_of_bandwidth(narrowest)), np.zeros_like(octaves))


def _order(candidate: _Candidate, bent: int = 2) -> int:
    """Of the polynomial beside a shape; `bent` beside a narrow one."""
    return bent if candidate.width <= NARROW else 1


def _reach(candidate: _Candidate) -> float:
    return max(0.5 * candidate.width, 1 / 24)


def _highest(candidate: _Candidate) -> float:
    # Beside a running median the height is less than it is.
    return (HIGHEST_FIT if candidate.certain else 2 * HIGHEST_FIT) * abs(candidate.height)


def _settle(
    octaves: Floats, values: Floats, shapes: Sequence[_Shape], rounds: int, beside: Sequence[_Shape] | None = None
) -> None:
    """Fit each shape again to what the others leave, the highest first; all those `beside` are taken off, too."""
    total = _sum(octaves, shapes if beside is None else beside)
    for _ in range(rounds):
        before = total.copy()
        for shape in shapes:
            if shape.within:
                continue
            candidate = shape.candidate
            near = _window(octaves, candidate.place, candidate.width)
            rest = (values - total + shape.model)[near]
            if shape.added:
                fitted = fit_added(
                    octaves[near],
                    rest,
                    shape.one,
                    _reach(candidate),
                    shape.window,
                    shape.highest_q,
                    _order(candidate, 3),
                )
            else:
                reach = _reach(candidate)
                place = float(np.clip(shape.one.place, candidate.place - 0.9 * reach, candidate.place + 0.9 * reach))
                fitted = fit_section(
                    octaves[near], rest, replace(shape.one, place=place), reach, shape.window, shape.highest_q
                )
            model = np.zeros_like(octaves)
            shape.residual = None
            if fitted is not None:
                model = _level(octaves, fitted, shape.window)
                seen = _height(fitted, shape.window)
                if (shape.added or seen * candidate.height > 0) and abs(seen) <= _highest(candidate):
                    shape.one, shape.residual = fitted, fitted.residual_db
                else:
                    model = np.zeros_like(octaves)
                    # Where others have taken it all, nothing is what fits, and is believed if it is close.
                    left = float(np.sqrt(_left(octaves[near], rest, 1)))
                    if left <= POOR_FIT * abs(candidate.height) / 2:
                        shape.residual, shape.one = left, replace(shape.one, real=0.0, imaginary=0.0)
            total += model - shape.model
            shape.model = model
        if np.abs(total - before).max() < SETTLED:
            break


def _height(one: AddedResonance, window: float) -> float:
    """Largest deviation, dB; a section has it at its centre."""
    if one.imaginary == 0:
        return float(added_level(0.0, one.real, 0.0, one.q, window))
    return profile(one, window).height_db


def _level(octaves: Floats, one: AddedResonance, window: float) -> Floats:
    return added_level(octaves - one.place, one.real, one.imaginary, one.q, window)


def _left(octaves: Floats, rest: Floats, order: int) -> float:
    """What is left beside a line, dB, with the floor below which nothing is decided."""
    around = np.vander(octaves - octaves.mean(), order + 1)
    beside = rest - around @ np.linalg.lstsq(around, rest, rcond=None)[0]
    return float((beside**2).mean() + FLOOR**2)


def _explained(
    octaves: Floats,
    values: Floats,
    candidates: Sequence[_Candidate],
    least_height_db: float,
    window: Callable[[float], float],
) -> list[_Shape]:
    """Sections fitted to candidates, and to what is narrow in what these leave."""
    shapes = [_start(octaves, one, window(one.place)) for one in candidates]
    _settle(octaves, values, shapes, ROUNDS)
    left = _beside_surroundings(octaves, values - _sum(octaves, shapes))
    found = [one for one in _extremes(octaves, left, least_height_db, certain=False) if one.width < MEDIAN / 2]
    if found:
        shapes += [_start(octaves, one, window(one.place)) for one in sorted(found, key=lambda one: -abs(one.height))]
        _settle(octaves, values, shapes, ROUNDS)
    return shapes


def _sum(octaves: Floats, shapes: Sequence[_Shape]) -> Floats:
    return sum((one.model for one in shapes), np.zeros_like(octaves))


def _fit_phase_resonances(
    octaves: Floats, values: Floats, shapes: Sequence[_Shape], barred: Sequence[_Shape] = ()
) -> None:
    """Take a resonance with a phase for a shape, or for a peak and the dip beside it, where that is the simpler one."""
    before = [(one, replace(one)) for one in shapes]
    taken: list[tuple[_Shape, list[_Shape]]] = []
    for shape in sorted(shapes, key=lambda one: -abs(one.candidate.height)):
        own = shape.candidate
        span = max(own.width, 1 / 12)
        if shape.within or shape in barred or float(q_of_bandwidth(own.width)) * 1.5 < LEAST_ADDED_Q:
            continue
        around = [
            other
            for other in shapes
            if other is not shape
            and not other.within
            and not other.added
            and abs(other.candidate.place - own.place) <= 2 * span
            and other.candidate.width <= 2.5 * span
        ]
        beside = [one for one in around if one.candidate.height * own.height < 0]
        # What a section leaves of a resonance with a phase is taken up by lower shapes all around.
        reach = min(max(0.5, 2.0 * own.width), 2.0)
        lower = [
            other
            for other in shapes
            if not other.within
            and not other.added
            and abs(other.candidate.place - own.place) <= reach
            and abs(other.candidate.height) < abs(own.height)
        ]
        choices: list[list[_Shape]] = []
        for several in ([], *([one] for one in around), beside, around, lower):
            if several not in choices:
                choices.append(several)
        best: tuple[float, AddedResonance, list[_Shape]] | None = None
        total = _sum(octaves, shapes)
        near, order = _window(octaves, own.place, own.width), _order(own)
        places = np.linspace(own.place - span, own.place + span, 7)
        qualities = float(q_of_bandwidth(own.width)) * np.array([0.6, 1.0, 1.7])
        rests = np.stack([values - total + shape.model + _sum(octaves, several) for several in choices])
        guesses = first_guesses(octaves[near], rests[:, near], places, qualities, shape.window)
        for several, rest, guess in zip(choices, rests, guesses, strict=True):
            fitted = fit_added(octaves[near], rest[near], guess, span, shape.window, shape.highest_q, order)
            if fitted is None or fitted.q < LEAST_ADDED_Q:
                continue
            model = _level(octaves, fitted, shape.window)
            if abs(_height(fitted, shape.window)) > _highest(own):
                continue
            if fitted.residual_db > CLOSE_ADDED * np.abs(model).max() + FLOOR:
                continue
            alone = _left(octaves[near], (rest - model)[near], order) * PER_PARAMETER**4
            apart = _left(octaves[near], (values - total)[near], order) * PER_PARAMETER ** (3 + 3 * len(several))
            if alone >= apart or (best is not None and alone / apart >= best[0]):
                continue
            # Without those around it a section may do as well.
            bare = AddedResonance(fitted.place, fitted.real, 0.0, fitted.q)
            for start in (shape.one, bare):
                plain = fit_section(octaves[near], rest[near], start, span, shape.window, shape.highest_q, order)
                if plain is None:
                    continue
                model = _level(octaves, plain, shape.window)
                apart = min(apart, _left(octaves[near], (rest - model)[near], order) * PER_PARAMETER**3)
            if alone < apart and (best is None or alone / apart < best[0]):
                best = alone / apart, fitted, several
        if best is not None:
            _, shape.one, several = best
            shape.added, shape.residual, shape.model = (
                True,
                shape.one.residual_db,
                _level(octaves, shape.one, shape.window),
            )
            for other in several:
                other.within, other.residual, other.model = True, None, np.zeros_like(octaves)
            taken.append((shape, several))
    if not taken:
        return
    # Those far away are as they were: with every further round, fits that overlap lean on each other more.
    around_them = [one for one in shapes if not one.within and any(_beside(one, shape) for shape, _ in taken)]
    _settle(octaves, values, around_them, ROUNDS, shapes)
    # One that does not stay close beside the others fitted anew, was none: all is as before it. One with
    # no phase then is a section.
    in_phase = [shape for shape, _ in taken if _close(shape) and _almost_in_phase(shape.one)]
    for shape in in_phase:
        shape.added, shape.one = False, replace(shape.one, imaginary=0.0)
    if in_phase:
        _settle(octaves, values, around_them, ROUNDS, shapes)
    failed = [shape for shape, _ in taken if not _close(shape)]
    if failed:
        for one, was in before:
            one.one, one.model, one.residual = was.one, was.model, was.residual
            one.added, one.within = was.added, was.within
        _fit_phase_resonances(octaves, values, shapes, [*barred, *failed])


def _beside(one: _Shape, shape: _Shape) -> bool:
    """Whether one is so near to a shape, or that shape itself, that it is to be fitted anew with it."""
    reach = max(0.25, 2.0 * float(bandwidth_of_q(shape.one.q)))
    return bool(abs(one.candidate.place - shape.candidate.place) <= reach)


def _almost_in_phase(one: AddedResonance) -> bool:
    """Whether it is added, or taken off, in phase as near as makes no difference."""
    return bool(abs(one.imaginary) < np.sin(np.deg2rad(LEAST_PHASE)) * np.hypot(one.real, one.imaginary))


def _close(shape: _Shape) -> bool:
    height = float(np.abs(shape.model).max())
    return (
        shape.residual is not None and shape.one.q >= LEAST_ADDED_Q and shape.residual <= CLOSE_ADDED * height + FLOOR
    )


def _extreme(octaves: Floats, values: Floats, place: float, reach: float, sign: float) -> float:
    """Where the curve is highest (lowest, if the sign is negative) nearby, Hz; the place itself if it is nowhere so."""
    near = np.flatnonzero(np.abs(octaves - place) <= reach)
    if near.size:
        row = near[np.argmax(sign * values[near])]
        if 0 < row < octaves.size - 1 and sign * values[row] >= (sign * values[row - 1 : row + 2]).max():
            return float(2 ** octaves[row])
    return float(2**place)


def _described(
    shape: _Shape,
    curve: str,
    octaves: Floats,
    values: Floats,
    shapes: Sequence[_Shape],
    least_height_db: float,
    widest_octaves: float,
) -> PeakOrDip | None:
    """A shape as it is published; None where it is too small, too wide or beyond the band's ends."""
    candidate, one, residual = shape.candidate, shape.one, shape.residual
    seen = profile(one, shape.window)
    # A fit that is close and finds next to nothing is believed too.
    good = residual is not None and residual <= POOR_FIT * max(abs(seen.height_db), abs(candidate.height) / 2)
    if shape.within or (not good and not candidate.certain):
        return None
    height, bare, place = seen.height_db, profile(one, 0.0), one.place
    if not good:
        place, height = candidate.place, candidate.height
    q = one.q if good and shape.added else float(q_of_bandwidth(candidate.width))
    if good and not shape.added:
        q = one.q / float(np.sqrt(1 + one.real))
    unsmoothed = bare.height_db if good else height
    width = bare.width_octaves if good and shape.added else float(bandwidth_of_q(q))
    outside = not octaves[0] < place < octaves[-1]
    if abs(height) < least_height_db * (1 - 1e-6) or width > widest_octaves or outside:
        return None
    top = candidate.place if candidate.certain and not shape.added else place + seen.shift
    # The top of a hump is not that of a peak on it.
    narrower = [
        one
        for one in shapes
        if one.candidate.width < width / 3
        and one.candidate.height * height > 0
        and np.abs(one.model).max() >= least_height_db
    ]
    extreme = _extreme(octaves, values - _sum(octaves, narrower), top, candidate.width / 2, float(np.sign(height)))
    return PeakOrDip(
        curve=curve,
        centre_hz=float(2**place),
        height_db=height,
        width_octaves=width,
        q=q,
        pole_q=q if good and shape.added else q * 10 ** (abs(unsmoothed) / 40),
        shape=(ADDED if shape.added else SECTION) if good else NEITHER,
        residual_db=residual,
        extreme_hz=extreme,
        unsmoothed_height_db=unsmoothed,
        strength=float(np.hypot(one.real, one.imaginary)) if good and shape.added else 0.0,
        phase_deg=float(np.rad2deg(np.arctan2(one.imaginary, one.real))) if good and shape.added else 0.0,
        beside_db=seen.beside_db if good and shape.added else 0.0,
        window_octaves=shape.window if good else 0.0,
    )


@method(
    "peaks-and-dips",
    version=2,
    title="Peaks and dips of a curve: centre, height, width, Q, and the phase a resonance is added with",
    formula="Least squares fit of |1 + r / (1 + j w)|², w = Q (f / f0 - f0 / f), smoothed as the curve is, and a line, "
    "bent beside narrow ones, around each extreme that stands out by half the least height; r is real, which makes the "
    "peaking section of an equaliser, unless a phase leaves 1.3 times less of the squared decibels for each parameter "
    "more",
    source="extremes by their prominence above a line through the band; second-order section, or second-order "
    "resonance added with a phase, fitted with a line through the surroundings, neighbours taken off (shape of the "
    "section: W3C note Audio EQ Cookbook, peaking section)",
    source_status="common practice, no source",
    limitations="What is narrower than half the window of the smoothing is not resolved. What the band's ends cut is "
    "not "
    "seen. Two close peaks leave a dip between them that nothing causes by itself. A phase is looked for from Q 4 on "
    "and taken to be one over the whole resonance; peak and dip of two causes may be taken for those of one. Shapes "
    "that overlap lean on each other: their centres, heights and Q may be off together.",
)
def find_peaks_and_dips(
    frequency: ArrayLike,
    level: ArrayLike,
    curve: str = "curve",
    low_hz: float = 100.0,
    high_hz: float = 16000.0,
    least_height_db: float = 1.0,
    smoothing: float | None = None,
    widest_octaves: float = WIDEST,
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
        The size, dB, in the curve as it is.
    smoothing : float, optional
        Windows per octave that the curve was smoothed with, as :func:`anechain.acoustics.curve.smoothing.smooth`
        takes it:
        the shapes are smoothed alike, so that centre, width and Q are those before smoothing.
    widest_octaves : float
        What is wider is the balance of the whole, and left out.

    Returns
    -------
    found : tuple of PeakOrDip
        By rising frequency.
    reason : str
        Why nothing could be looked for; empty if it could.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree, the band is none, or the size or the
        smoothing is not above zero.
    """
    if not least_height_db > 0:
        raise ValueError(f"the least height must be above zero, not {least_height_db}")
    if smoothing is not None and not smoothing > 0:
        raise ValueError(f"a window of 1/N octave needs an N above zero, not {smoothing}")
    part = _searchable(check_grid(frequency), level, low_hz, high_hz)
    if part.reason:
        return (), part.reason
    octaves, values = _even_grid(part, low_hz, high_hz)
    own = np.log2(part.frequency)

    def window(place: float) -> float:
        """Window of the smoothing there; levels read linearly between samples widen it (by their mean error)."""
        row = int(np.clip(np.searchsorted(own, place), 1, own.size - 1))
        step = float(own[row] - own[row - 1])
        if smoothing is None or 2 * step > 1.001 / smoothing:
            return 0.0
        return float(np.hypot(1 / smoothing, np.sqrt(2) * step))

    candidates = _candidates(octaves, values, least_height_db)
    shapes = _explained(octaves, values, candidates, least_height_db, window)
    narrowed = _halves(octaves, _straightened(octaves, values), candidates)
    if narrowed != candidates:
        others = _explained(octaves, values, narrowed, least_height_db, window)
        changed = [one for one, was in zip(narrowed, candidates, strict=True) if one != was]
        near = np.any([_window(octaves, one.place, one.width) for one in changed], axis=0)
        shapes = min(
            shapes, others, key=lambda several: _left(octaves[near], (values - _sum(octaves, several))[near], 1)
        )
    _fit_phase_resonances(octaves, values, shapes)
    found = [_described(one, curve, octaves, values, shapes, least_height_db, widest_octaves) for one in shapes]
    return tuple(sorted((one for one in found if one is not None), key=lambda feature: feature.centre_hz)), ""
