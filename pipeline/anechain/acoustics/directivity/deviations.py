"""Peaks and dips of a curve set: how each radiates, and what it is, as far as the evidence decides it.

The ripples of echoes that all directions have are subtracted first: they are one finding, not a row of peaks and dips.
Then each curve is searched. Peaks and dips of several curves at one place are joined into one deviation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import SAME_FREQUENCY, check_grid, resample
from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.peak_candidates import POINTS_PER_OCTAVE
from anechain.acoustics.curve.peak_shapes import RESONANCE_WITH_PHASE, PeakOrDip
from anechain.acoustics.curve.peaks_and_dips import find_peaks_and_dips
from anechain.acoustics.curve.resonance_audibility import THRESHOLD_AT_Q_1, THRESHOLD_PER_DOUBLING, audibility_threshold
from anechain.acoustics.curve.segments import covered_band
from anechain.acoustics.directivity.common_poles import CommonPole, common_poles
from anechain.acoustics.directivity.deviation_cause import (
    Cause,
    CauseBasis,
    Radiates,
    RadiationBasis,
    cause_of,
    radiation_of,
)
from anechain.acoustics.directivity.deviation_criteria import DEFAULT_CRITERIA, Criteria
from anechain.acoustics.directivity.deviation_evidence import DeviationEvidence, evidence_of
from anechain.acoustics.directivity.echo_remnants import echo_remnants
from anechain.acoustics.directivity.echoes import Echo, find_echoes, without_echoes
from anechain.acoustics.directivity.pole_features import features_of_poles, is_steady, pole_of
from anechain.acoustics.phase.excess_phase import excess_phase
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["SEARCHED_CURVES", "Deviation", "DeviationReport", "deviations"]

MAX_WIDTH_RATIO = 2.5
"""Largest ratio of the widths of one peak or dip in two curves."""

SEARCHED_CURVES = ("listening_window", "on_axis", "early_reflections", "sound_power", "in_room")
"""Curves that are searched by default. The first one that has a peak or dip describes it."""

MIN_FREQUENCIES = 48
"""Frequencies of the axis below which its excess phase is not determined."""


@dataclass(frozen=True)
class Deviation:
    """A peak or dip, how it radiates, and what it is.

    Attributes
    ----------
    feature : PeakOrDip
        Shape in the curve that describes it.
    radiates, plane, radiation_basis : str, str or None, str
        How it radiates, over which orbit it changes, and the reason; see
        :class:`anechain.acoustics.directivity.deviation_cause.Radiation`.
    cause, basis : str
        What it is, and the reason; see :class:`anechain.acoustics.directivity.deviation_cause.CauseVerdict`.
    threshold_db : float
        Height from which a resonance of this Q is audible with pink noise (recalled; see `audibility_threshold`). Dips
        are less audible. For interference, the threshold has little meaning.
    above_threshold : bool
        Whether its height before smoothing is at least the threshold.
    evidence : DeviationEvidence
    """

    feature: PeakOrDip
    radiates: Radiates
    plane: str | None
    radiation_basis: RadiationBasis
    cause: Cause
    basis: CauseBasis
    threshold_db: float
    above_threshold: bool
    evidence: DeviationEvidence


@dataclass(frozen=True)
class DeviationReport:
    """All peaks and dips of a height or more.

    Attributes
    ----------
    deviations : tuple of Deviation
        In order of frequency.
    min_height_db : float
        Smallest height in dB.
    searched : dict of str to tuple of float
        Band in Hz in which each curve was searched: the part of the band with data.
    not_searched : dict of str to str
        Curves that could not be searched, and why.
    echoes : tuple of Echo
        Echoes whose ripples were subtracted before the search, the strongest first.
    """

    deviations: tuple[Deviation, ...]
    min_height_db: float
    searched: dict[str, tuple[float, float]]
    not_searched: dict[str, str]
    echoes: tuple[Echo, ...] = ()


def _same_place(a: PeakOrDip, b: PeakOrDip) -> bool:
    distance = abs(float(np.log2(a.centre_hz / b.centre_hz)))
    narrower, wider = sorted((a.width_octaves, b.width_octaves))
    if RESONANCE_WITH_PHASE in (a.shape, b.shape) and wider <= 3 * narrower:
        # With another phase, the same resonance is a dip, or has its peak on the other side.
        return distance <= max(1 / 12, narrower / 2)
    # A narrow peak on top of a broad one is another one.
    alike = wider <= MAX_WIDTH_RATIO * max(narrower, 1 / 6)
    return alike and a.height_db * b.height_db > 0 and distance <= max(1 / 6, narrower / 2)


def _with_largest_extreme(
    feature: PeakOrDip, group: Sequence[PeakOrDip], grid: Floats, curves: Mapping[str, ArrayLike]
) -> PeakOrDip:
    """Return the feature with the frequency at which its curve is highest or lowest in the whole group."""
    same_curve = [member for member in group if member.curve == feature.curve]
    extremes = [member.extreme_hz for member in same_curve if member.extreme_hz is not None]
    if len(extremes) < 2:
        return feature
    levels = resample(grid, curves[feature.curve], extremes)
    return replace(feature, extreme_hz=extremes[int(np.nanargmax(np.sign(feature.height_db) * levels))])


def _joined(
    features: Sequence[PeakOrDip],
    names: Sequence[str],
    grid: Floats,
    curves: Mapping[str, ArrayLike],
    height_share: float,
) -> list[PeakOrDip]:
    """Join the features at one place; each is described in the first curve that has enough of the greatest height."""
    groups: list[list[PeakOrDip]] = []
    for feature in sorted(features, key=lambda feature: -abs(feature.height_db)):
        group = next((group for group in groups if _same_place(feature, group[0])), None)
        if group is None:
            groups.append([feature])
        else:
            group.append(feature)
    joined = []
    for group in groups:
        high = [feature for feature in group if abs(feature.height_db) >= height_share * abs(group[0].height_db)]
        first = min(high, key=lambda feature: names.index(feature.curve))
        joined.append(_with_largest_extreme(first, group, grid, curves))
    return sorted(joined, key=lambda feature: feature.centre_hz)


@method(
    "deviations",
    version=3,
    title="Peaks and dips: how they radiate, what they are, threshold of audibility and evidence",
    formula="Peaks and dips of the searched curves without the ripples of echoes, joined where they are at one place. "
    "Alike in all directions: in direct sound, reflections and power, in three quarters of the directions within 60 "
    "degrees on each orbit and, if an octave wide or more, behind. Changing with the angle: in fewer than half of the "
    "directions of an orbit, or only in front. Resonance: of the shape of one, with one centre and one Q in all "
    "directions, and narrow or of minimum phase, or a pole of one strength that the front directions have in "
    "common. Interference or diffraction: moves with the angle. Change of "
    "coverage: broad and at one place, but not in all directions. Crossover phase: alike, with an all-pass part",
    source="a resonance has the same centre and Q in all directions, interference changes with the angle (Toole, Sound "
    "Reproduction, 2008, ch. 18); the step of a baffle is only in front; a resonance is minimum phase; thresholds "
    "after Toole and Olive 1988",
    source_status="recalled",
    limitations="The limits are our own and can be chosen; the confusion table of the documentation states how often "
    "they err. From the level alone, a broad peak or dip that is alike in all directions is not determined. A shape "
    "wider than 2.5 octaves is no peak or dip. An echo of a path shorter than about 0.1 m is not found as an echo.",
)
def deviations(
    frequency: ArrayLike,
    curves: Mapping[str, ArrayLike],
    level: ArrayLike | None = None,
    planes: Sequence[str] = (),
    angles: ArrayLike = (),
    low_hz: float = 100.0,
    high_hz: float = 16000.0,
    min_height_db: float = 1.0,
    searched: Sequence[str] | None = None,
    threshold_at_q_1_db: float = THRESHOLD_AT_Q_1,
    threshold_per_doubling_db: float = THRESHOLD_PER_DOUBLING,
    smoothing: float | None = None,
    criteria: Criteria = DEFAULT_CRITERIA,
    axis_phase_deg: ArrayLike | None = None,
) -> DeviationReport:
    """Find every peak and dip of a height or more in a curve set, and decide how it radiates and what it is.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    curves : mapping of str to array_like, shape (n,)
        Curve set in dB by name ("on_axis", "listening_window", "early_reflections", "sound_power" ...).
    level : array_like, shape (plane, angle, n), optional
        Levels of the directions in dB. Without them no cause is decided.
    planes : sequence of str
        "horizontal", "vertical" or both.
    angles : array_like
        Degrees.
    low_hz, high_hz : float
        Band in Hz; without steep roll-offs. Where a curve covers only a part of it, at least an octave, that part is
        searched.
    min_height_db : float
        Smallest height in dB.
    searched : sequence of str, optional
        Curves that are searched for peaks and dips; by default those of :data:`SEARCHED_CURVES`, or all curves if none
        of these is present. All curves are used as evidence.
    threshold_at_q_1_db, threshold_per_doubling_db : float
        See :func:`audibility_threshold`.
    smoothing : float, optional
        Windows per octave of the smoothing of curves and directions; none by default.
    criteria : Criteria
        Limits for the evidence and the cause.
    axis_phase_deg : array_like, shape (n,), optional
        Phase on the axis in degrees, without most of the delay. Needs the curve "on_axis".

    Returns
    -------
    DeviationReport
        Peaks or dips of several curves at one place are one deviation. It is described in the first searched curve in
        which it has at least half of its greatest height.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree, the band is empty or the height is not
        above zero.
    """
    grid = check_grid(frequency)
    default = [name for name in SEARCHED_CURVES if name in curves] or list(curves)
    names = default if searched is None else list(searched)
    bands: dict[str, tuple[float, float]] = {}
    not_searched: dict[str, str] = {}
    for name in names:
        band = covered_band(grid, curves[name], low_hz, high_hz)
        if band is None or band[1] < 2 * band[0] * (1 - SAME_FREQUENCY):
            not_searched[name] = (
                f"the data cover less than an octave of {format_hertz(low_hz)} to {format_hertz(high_hz)} Hz"
            )
        else:
            bands[name] = band
    lowest = min((low for low, _ in bands.values()), default=low_hz)
    highest = max((high for _, high in bands.values()), default=high_hz)
    # A broad shape reaches far outside its centre: a roll-off outside the band must not be fitted as a part of it.
    margin = 2 ** (1 / POINTS_PER_OCTAVE)
    inside = (grid >= lowest / margin) & (grid <= highest * margin)
    echoes: tuple[Echo, ...] = ()
    searched_curves = {name: np.array(curve, dtype=np.float64) for name, curve in curves.items()}
    level_inside = None if level is None else np.array(level, dtype=np.float64)[..., inside]
    if level_inside is not None and bands:
        echoes = find_echoes(grid[inside], level_inside, planes, angles, lowest, highest, smoothing)
        level_inside = without_echoes(grid[inside], level_inside, echoes)
        for curve in searched_curves.values():
            curve[inside] = without_echoes(grid[inside], curve[inside], echoes)
    features: list[PeakOrDip] = []
    for name, band in dict(bands).items():
        found, reason = find_peaks_and_dips(
            grid, searched_curves[name], name, *band, min_height_db, smoothing, criteria.widest
        )
        features += found
        if reason:
            not_searched[name] = reason
            del bands[name]
    features = _joined(features, names, grid, searched_curves, criteria.height_share)
    poles: list[CommonPole] = []
    if level_inside is not None and bands:
        described = {name: searched_curves[name][inside] for name in bands}
        found_poles = common_poles(
            grid[inside], level_inside, planes, angles, lowest, highest, min_height_db, smoothing, described
        )
        poles = [pole for pole in found_poles if is_steady(pole) and pole.width_octaves <= criteria.widest]
        features += features_of_poles(poles, features, list(bands), min_height_db)
        features.sort(key=lambda feature: feature.centre_hz)
    excess = None
    if features and axis_phase_deg is not None and "on_axis" in curves:
        excess = _excess_on_axis(grid[inside], searched_curves["on_axis"][inside], np.asarray(axis_phase_deg)[inside])
    curves_inside = {name: curve[inside] for name, curve in searched_curves.items()}
    result = []
    for feature in features:
        evidence = evidence_of(
            feature, grid[inside], curves_inside, level_inside, planes, angles, features, criteria, excess
        )
        evidence = replace(evidence, common_pole=pole_of(feature, poles))
        radiation = radiation_of(feature, evidence, criteria)
        decided = cause_of(feature, evidence, radiation, criteria)
        threshold = float(audibility_threshold(feature.pole_q, threshold_at_q_1_db, threshold_per_doubling_db))
        bare = feature.height_db if feature.unsmoothed_height_db is None else feature.unsmoothed_height_db
        result.append(
            Deviation(
                feature,
                radiation.radiates,
                radiation.plane,
                radiation.basis,
                decided.cause,
                decided.basis,
                threshold,
                abs(bare) >= threshold,
                evidence,
            )
        )
    for row in echo_remnants([one.feature if one.cause == "resonance" else None for one in result], echoes):
        result[row] = replace(result[row], cause="not determined", basis="may be of an echo")
    return DeviationReport(tuple(result), min_height_db, bands, not_searched, echoes)


def _excess_on_axis(frequency: Floats, level: Floats, phase_deg: Floats) -> tuple[Floats, Floats] | None:
    """Return log2 of Hz and the excess phase in radians; None where level or phase has gaps, or cannot be followed."""
    usable = np.isfinite(level) & np.isfinite(phase_deg)
    if usable.sum() < frequency.size or frequency.size < MIN_FREQUENCIES:
        return None
    found = excess_phase(frequency, level, phase_deg)
    return None if found.reason else (np.log2(frequency), np.deg2rad(found.excess))
