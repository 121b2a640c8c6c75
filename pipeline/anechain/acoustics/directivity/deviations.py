"""Peaks and dips of a curve set, and their causes as far as the evidence decides them.

Each curve is searched for peaks and dips. Those of several curves at one place are joined into one deviation.
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
from anechain.acoustics.directivity.deviation_cause import Basis, Cause, verdict
from anechain.acoustics.directivity.deviation_criteria import DEFAULT_CRITERIA, Criteria
from anechain.acoustics.directivity.deviation_evidence import DeviationEvidence, evidence_of
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["SEARCHED_CURVES", "Deviation", "DeviationReport", "deviations"]

SEARCHED_CURVES = ("listening_window", "on_axis", "early_reflections", "sound_power", "in_room")
"""Curves that are searched by default. The first one that has a peak or dip describes it."""


@dataclass(frozen=True)
class Deviation:
    """A peak or dip with its cause.

    Attributes
    ----------
    feature : PeakOrDip
        Shape in the curve that describes it.
    cause : str
        "resonance", "interference or diffraction" or "not determined".
    plane : str or None
        Orbit over which it varies: "horizontal", "vertical" or "both"; None if it does not vary with direction, or if
        the orbit is not determined.
    basis : str
        Reason for the cause, see :func:`anechain.acoustics.directivity.deviation_cause.verdict`.
    threshold_db : float
        Height from which a resonance of this Q is audible with pink noise (recalled; see `audibility_threshold`). Dips
        are less audible. For interference, the threshold has little meaning.
    above_threshold : bool
        Whether its height before smoothing is at least the threshold.
    evidence : DeviationEvidence
    """

    feature: PeakOrDip
    cause: Cause
    plane: str | None
    basis: Basis
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
    """

    deviations: tuple[Deviation, ...]
    min_height_db: float
    searched: dict[str, tuple[float, float]]
    not_searched: dict[str, str]


def _same_place(a: PeakOrDip, b: PeakOrDip) -> bool:
    distance = abs(float(np.log2(a.centre_hz / b.centre_hz)))
    narrower, wider = sorted((a.width_octaves, b.width_octaves))
    if RESONANCE_WITH_PHASE in (a.shape, b.shape) and wider <= 3 * narrower:
        # With another phase, the same resonance is a dip, or has its peak on the other side.
        return distance <= max(1 / 12, narrower / 2)
    return a.height_db * b.height_db > 0 and distance <= max(1 / 6, narrower / 2)


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
    title="Peaks and dips with cause, orbit, threshold of audibility and evidence",
    formula="Peaks and dips of the searched curves, joined where they are at one place. A resonance is in direct "
    "sound, reflections and power and in three quarters of the directions within 60 degrees on each orbit; if it is an "
    "octave wide or more, also in three quarters of those behind. Interference is in fewer than half of the directions "
    "within 60 degrees on an orbit, or in front but in at most a quarter of those behind, or not in all curves",
    source="a resonance is the same in direct sound, reflections and power, interference changes with the angle "
    "(Toole, Sound Reproduction, 2008, ch. 18); the step of a baffle is only in front; thresholds after Toole and "
    "Olive 1988",
    source_status="recalled",
    limitations="The limits (half the height, 1/12 octave or a quarter of the width, three quarters of the directions "
    "within 60 degrees, one octave of width from which the directions behind are used) are our own. A shape wider than "
    "2.5 octaves is no peak or dip. All limits can be chosen. A broad peak of the drive unit cannot be distinguished "
    "from the step of a baffle of the same height.",
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
) -> DeviationReport:
    """Find every peak and dip of a height or more in a curve set, and decide its cause.

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
    features: list[PeakOrDip] = []
    bands: dict[str, tuple[float, float]] = {}
    not_searched: dict[str, str] = {}
    for name in names:
        band = covered_band(grid, curves[name], low_hz, high_hz)
        if band is None or band[1] < 2 * band[0] * (1 - SAME_FREQUENCY):
            not_searched[name] = (
                f"the data cover less than an octave of {format_hertz(low_hz)} to {format_hertz(high_hz)} Hz"
            )
            continue
        found, reason = find_peaks_and_dips(grid, curves[name], name, *band, min_height_db, smoothing, criteria.widest)
        features += found
        if reason:
            not_searched[name] = reason
        else:
            bands[name] = band
    features = _joined(features, names, grid, curves, criteria.height_share)
    # A broad shape reaches far outside its centre: a roll-off outside the band must not be fitted as a part of it.
    margin = 2 ** (1 / POINTS_PER_OCTAVE)
    lowest = min((low for low, _ in bands.values()), default=low_hz)
    highest = max((high for _, high in bands.values()), default=high_hz)
    inside = (grid >= lowest / margin) & (grid <= highest * margin)
    curves_inside = {name: np.asarray(curve, dtype=np.float64)[..., inside] for name, curve in curves.items()}
    level_inside = None if level is None else np.asarray(level, dtype=np.float64)[..., inside]
    result = []
    for feature in features:
        evidence = evidence_of(feature, grid[inside], curves_inside, level_inside, planes, angles, features, criteria)
        decided = verdict(feature, evidence, criteria)
        threshold = float(audibility_threshold(feature.pole_q, threshold_at_q_1_db, threshold_per_doubling_db))
        bare = feature.height_db if feature.unsmoothed_height_db is None else feature.unsmoothed_height_db
        above = abs(bare) >= threshold
        result.append(Deviation(feature, decided.cause, decided.plane, decided.basis, threshold, above, evidence))
    return DeviationReport(tuple(result), min_height_db, bands, not_searched)
