"""Every peak and dip of a curve set: in which curves and directions it is, and what may cause it.

A resonance radiates alike in all directions, so that it is in the direct sound, the reflections and the power. What
comes of two paths (diffraction at an edge, two drivers) changes with the angle; the step of a baffle is broad, alike in
front and not there behind. Which a peak is like is said together with the evidence, and left open where that is short.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.frequencies import check_grid, hertz, resample
from anechain.acoustics.curve.peak_candidates import POINTS_PER_OCTAVE, octave_grid
from anechain.acoustics.curve.peak_shapes import ADDED, NEITHER, PeakOrDip, shape_parts
from anechain.acoustics.curve.peaks_and_dips import WIDEST, find_peaks_and_dips
from anechain.acoustics.curve.resonance_audibility import THRESHOLD_AT_Q_1, THRESHOLD_PER_DOUBLING, audibility_threshold
from anechain.acoustics.directivity.curve_titles import TITLES
from anechain.acoustics.directivity.directions import PLANES, wrap_angle
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "SEARCHED",
    "USUAL",
    "Criteria",
    "Deviation",
    "DeviationEvidence",
    "DeviationReport",
    "deviations",
    "evidence_of",
]

Cause = Literal["resonance", "interference or diffraction", "not determined"]

SEARCH = 1.0 / 3.0
"""Octaves to both sides within which a peak or dip is looked for, at least, in another curve or direction."""

SEARCH_BY_WIDTH = 1.0 / 2.0
"""Of its width: how far it is looked for if that is more."""

AS_GOOD = 0.9
"""Share of what the best place explains from which on another place is no worse."""

CLOSE = 0.1
"""Share of its height that a fit leaves, root mean square, up to which its place is no worse than the best either."""


@dataclass(frozen=True)
class Criteria:
    """What decides where a peak or dip is found again, and what it is like. All of it is our own, for want of a source.

    Attributes
    ----------
    height_share : float
        Of the height, at least, that it has in another curve or direction to be there too.
    tolerance : float
        Octaves that a centre may always be off in another curve or direction and still be the same.
    tolerance_by_width : float
        Of its width: what a centre may be off if that is more. Where the top of a broad shape is, is no better defined.
    front, behind : float
        Degrees from the axis within which directions are counted, and beyond which they lie behind.
    resonance_min_share, interference_max_share : float
        Shares of the front directions of an orbit: a resonance is there in most, interference in fewer than few.
    broad : float
        Octaves of width from which on a shape must be there behind as well: the step of a baffle is in front alone.
    max_drop : float
        dB below the loudest direction beyond which next to nothing is radiated: such a direction is not asked.
    uneven_behind : float
        Share of the height that a fit behind may leave, root mean square: a direction more uneven is not asked.
    min_rear_directions : int
        Directions behind that must be able to tell.
    least_variation : float
        dB; standard deviation of the height over an orbit below which nothing is said to vary.
    uneven : float
        Times by which the height must vary more over one orbit than over the other to name the orbit.
    widest : float
        Octaves; what is wider is no peak or dip but the balance of the whole.
    """

    height_share: float = 0.5
    tolerance: float = 1.0 / 12.0
    tolerance_by_width: float = 1.0 / 4.0
    front: float = 60.0
    behind: float = 120.0
    resonance_min_share: float = 0.75
    interference_max_share: float = 0.5
    broad: float = 1.0
    max_drop: float = 40.0
    uneven_behind: float = 0.5
    min_rear_directions: int = 3
    least_variation: float = 0.25
    uneven: float = 1.5
    widest: float = WIDEST


USUAL = Criteria()
"""Those of version 1 too, as far as it has them."""

SEARCHED = ("listening_window", "on_axis", "early_reflections", "sound_power", "in_room")
"""Curves that are searched unless told otherwise; of those that have one deviation the first describes it."""

KINDS: Mapping[str, tuple[str, ...]] = {
    "direct sound": ("listening_window", "on_axis"),
    "early reflections": ("early_reflections",),
    "sound power": ("sound_power",),
}
"""Curves that stand for each kind of sound; the first that is there counts."""


@dataclass(frozen=True)
class DeviationEvidence:
    """Where else a peak or dip is found.

    Attributes
    ----------
    height_by_curve_db : dict of str to float
        Height of the same shape in each curve: at its place there if that is no further off than `still_octaves`,
        else at the centre; measured alike in all of them, re its height in its own. Of a resonance added with a phase
        it is the height that it would have there with the phase of its own curve.
    shift_by_curve_octaves : dict of str to float
        How far from the centre its place in each curve is, searched `search_octaves` to both sides.
    in_curves : tuple of str
        Curves that have it: its own, and those with at least half the height, at most `still_octaves` away.
    directions_by_plane : dict of str to (int, int)
        By orbit: of how many directions within 60 degrees of the axis it is in, and how many were looked at.
    angles_by_plane : dict of str to tuple of float
        Those it is in, degrees; over the whole orbit.
    variation_by_plane_db : dict of str to float
        Standard deviation of the height at the centre over the directions within 60 degrees.
    largest_shift_octaves : float or None
        Largest shift among the directions within 60 degrees that have the shape at all; None if none has.
    still_octaves, search_octaves : float
        How far off a centre may be and still be the same, and how far it was looked for.
    behind_by_plane : dict of str to (int, int)
        By orbit: of how many directions at 120 degrees from the axis or more it is in, and how many can tell. Empty
        for a shape under an octave wide, which is not looked for there.
    silent_behind, uneven_behind : int
        Directions behind that cannot tell: next to nothing is radiated there, or too unevenly.
    """

    height_by_curve_db: dict[str, float]
    shift_by_curve_octaves: dict[str, float]
    in_curves: tuple[str, ...]
    directions_by_plane: dict[str, tuple[int, int]]
    angles_by_plane: dict[str, tuple[float, ...]]
    variation_by_plane_db: dict[str, float]
    largest_shift_octaves: float | None
    still_octaves: float = USUAL.tolerance
    search_octaves: float = SEARCH
    behind_by_plane: dict[str, tuple[int, int]] = field(default_factory=dict)
    silent_behind: int = 0
    uneven_behind: int = 0


@dataclass(frozen=True)
class Deviation:
    """A peak or dip with what is known of it.

    Attributes
    ----------
    feature : PeakOrDip
        As it is in the curve that describes it.
    cause : str
        "resonance", "interference or diffraction" or "not determined".
    plane : str or None
        Orbit over which it varies: "horizontal", "vertical" or "both"; None if it is no matter of direction, or if
        that is not determined.
    threshold_db : float
        Height from which a resonance of this Q is heard with pink noise (recalled; see `audibility_threshold`): dips
        are heard less, and of what changes with the angle it says little.
    above_threshold : bool
        Whether its height, before smoothing, reaches that.
    evidence : DeviationEvidence
    statements : tuple of str
        The evidence in words, and the reasons for the verdict.
    """

    feature: PeakOrDip
    cause: Cause
    plane: str | None
    threshold_db: float
    above_threshold: bool
    evidence: DeviationEvidence
    statements: tuple[str, ...]


@dataclass(frozen=True)
class DeviationReport:
    """All peaks and dips of a size.

    Attributes
    ----------
    found : tuple of Deviation
        By rising frequency.
    least_height_db : float
        The size.
    low_hz, high_hz : float
        The band that was searched.
    not_searched : dict of str to str
        Curves that could not be searched, and why.
    """

    found: tuple[Deviation, ...]
    least_height_db: float
    low_hz: float
    high_hz: float
    not_searched: dict[str, str]


@dataclass(frozen=True)
class _Reach:
    """How a feature is looked for: octaves to both sides, of its centre or of each place that is tried.

    Attributes
    ----------
    still, search : float
        What a centre may be off, and how far it is looked for.
    half : float
        Half the window around each place: what lies further out belongs to something else.
    around : float
        What is looked at in all; the widest shift still has half of the shape on either side.
    as_good : float or None
        Share of what the best place explains from which on the nearest place is taken, or one where the fit is close;
        None for the best place.
    second : bool
        Whether directions that cannot tell are left out, and the curve that has the feature is held to have it: as from
        version 2 on.
    """

    still: float
    search: float
    half: float
    around: float
    as_good: float | None
    second: bool


def _fixed_reach(feature: PeakOrDip) -> _Reach:
    """The same tolerance for every width, as version 1 has it."""
    width = feature.width_octaves
    return _Reach(
        USUAL.tolerance, SEARCH, min(max(0.25, width), 1.0), min(max(0.5, 2.0 * width), 2.0) + SEARCH, None, False
    )


def _reach_by_width(feature: PeakOrDip, criteria: Criteria) -> _Reach:
    """What may be off grows with the width: a line takes most of a shape off that is wider than its window."""
    width = feature.width_octaves
    still = max(criteria.tolerance, criteria.tolerance_by_width * width)
    search = max(SEARCH, SEARCH_BY_WIDTH * width, still)
    half = min(max(0.25, width), 2.0)
    return _Reach(still, search, half, half + search, AS_GOOD, True)


@dataclass(frozen=True)
class _Places:
    """For each row its best shift, the height there, the height at the centre and what is left there (NaN: none)."""

    shift: Floats
    height: Floats
    middle: Floats
    left: Floats


def _shape_heights(octaves: Floats, levels: Floats, feature: PeakOrDip, reach: _Reach) -> _Places:
    """Where a feature's shape fits levels of shape (rows, n) best."""
    place = float(np.log2(feature.centre_hz))
    near = np.abs(octaves - place) <= reach.around
    x, y = octaves[near] - place, levels[:, near]
    shifts = reach.search / SEARCH * np.arange(-16, 17) / POINTS_PER_OCTAVE
    heights, lefts = np.full((shifts.size, len(y)), np.nan), np.full((shifts.size, len(y)), np.nan)
    parts = shape_parts(feature)
    for row, shift in enumerate(shifts):
        inside = np.abs(x - shift) <= reach.half
        if inside.sum() < 6:
            continue
        shapes = parts(x[inside] - shift)
        basis = np.stack([*shapes, np.ones_like(x[inside]), x[inside] - shift], axis=1)
        solution = np.linalg.lstsq(basis, y[:, inside].T, rcond=None)[0]
        # Of two parts, which a phase mixes, the strength counts.
        one = solution[0] if len(shapes) == 1 else np.hypot(solution[0], solution[1]) * feature.height_db
        heights[row] = one
        lefts[row] = np.sqrt(((y[:, inside].T - basis @ solution) ** 2).mean(axis=0))
    # The best place is where the shape explains most: height of the right sign, less what is left beside it.
    sign = np.sign(feature.height_db)
    merit = np.where(np.isnan(heights), -np.inf, sign * heights - 2 * lefts)
    best = np.argmax(merit, axis=0)
    columns = np.arange(len(y))
    if reach.as_good is not None:
        most = merit[best, columns]
        good = (merit >= np.where(most > 0, reach.as_good * most, most)) | (lefts <= CLOSE * sign * heights)
        best = np.argmin(np.where(good, np.abs(shifts)[:, np.newaxis], np.inf), axis=0)
    shift = np.where(np.isinf(merit[best, columns]), np.nan, shifts[best])
    return _Places(shift, heights[best, columns], heights[shifts.size // 2], lefts[best, columns])


def _subtract_neighbours(
    octaves: Floats, levels: Floats, feature: PeakOrDip, others: Sequence[PeakOrDip], half: float
) -> Floats:
    """Levels without the shapes of others, each as high as it is in that row beside the feature and a line."""
    x = octaves - np.log2(feature.centre_hz)
    inside = np.abs(x) <= half
    # A wider shape is near to a line here; of one further out too little is inside to tell how high it is.
    others = [
        one
        for one in others
        if one.width_octaves <= feature.width_octaves
        and one is not feature
        and abs(np.log2(one.centre_hz / feature.centre_hz)) <= half + one.width_octaves / 4
    ]
    shapes = [part for one in others for part in shape_parts(one)(octaves - np.log2(one.centre_hz))]
    if not shapes or inside.sum() < 6 + len(shapes):
        return levels
    basis = np.stack([*shapes, *shape_parts(feature)(x), np.ones_like(x), x], axis=1)
    solution = np.linalg.lstsq(basis[inside], levels[:, inside].T, rcond=None)[0]
    return np.asarray(levels - (basis[:, : len(shapes)] @ solution[: len(shapes)]).T)


def _rows_on_grid(frequency: Floats, levels: Floats, octaves: Floats) -> Floats:
    return resample(frequency, levels, np.clip(2**octaves, frequency[0], frequency[-1]))


def _evidence(
    feature: PeakOrDip,
    reach: _Reach,
    others: Sequence[PeakOrDip],
    frequency: ArrayLike,
    curves: Mapping[str, ArrayLike],
    level: ArrayLike | None,
    planes: Sequence[str],
    angles: ArrayLike,
    criteria: Criteria = USUAL,
) -> DeviationEvidence:
    grid = check_grid(frequency)
    factor = 2**reach.around
    octaves = octave_grid(max(grid[0], feature.centre_hz / factor), min(grid[-1], feature.centre_hz * factor))
    names = list(curves)
    stacked = np.stack([np.asarray(curves[name], dtype=np.float64) for name in names])
    curve = _heights(octaves, _rows_on_grid(grid, stacked, octaves), feature, reach, others)
    still = np.abs(curve.shift) <= reach.still + 1e-9
    settled = np.where(still, curve.height, curve.middle)
    # Held against the same measure in its own curve, where neighbours are taken for what they are taken for elsewhere.
    own, at_home = feature.height_db, names.index(feature.curve) if feature.curve in names else None
    measured = curve.middle if reach.second else curve.height
    least = criteria.height_share * abs(own) if reach.second else 0.0
    if at_home is not None and measured[at_home] * own > 0 and abs(measured[at_home]) >= least:
        own = float(measured[at_home])
    there = still & (curve.height / own >= criteria.height_share)
    if reach.second:
        settled = settled * (feature.height_db / own)
    if reach.second and at_home is not None:
        # It was found there, whatever stands beside it.
        settled[at_home], there[at_home], curve.shift[at_home] = feature.height_db, True, 0.0
    usable = [row for row in range(len(names)) if not np.isnan(curve.shift[row])]
    counts: dict[str, tuple[int, int]] = {}
    listed: dict[str, tuple[float, ...]] = {}
    varied: dict[str, float] = {}
    behind: dict[str, tuple[int, int]] = {}
    max_drop = uneven = 0
    shifts: list[float] = []
    if level is not None:
        array = np.asarray(level, dtype=np.float64)
        degrees = np.atleast_1d(wrap_angle(angles))
        if array.shape != (len(planes), degrees.size, grid.size):
            raise ValueError(f"{len(planes)} planes and {degrees.size} angles for levels of shape {array.shape}")
        front, back = np.abs(degrees) <= criteria.front + 0.01, np.abs(degrees) >= criteria.behind - 0.01
        rows = [_rows_on_grid(grid, one, octaves) for one in array]
        radiates = _radiating(rows, octaves, feature, reach, criteria.max_drop)
        for row, plane in enumerate(planes):
            found = _heights(octaves, rows[row], feature, reach, others)
            seen = ~np.isnan(found.shift) & radiates[row]
            high = found.height / own >= criteria.height_share
            has = seen & (np.abs(found.shift) <= reach.still + 1e-9) & high
            counts[plane] = int((has & front).sum()), int((seen & front).sum())
            listed[plane] = tuple(sorted(float(angle) for angle in degrees[has]))
            if (seen & front).sum() > 1:
                varied[plane] = float(np.std(found.middle[seen & front]))
            shifts += np.abs(found.shift[seen & front & high]).tolist()
            if reach.second and feature.width_octaves >= criteria.broad:
                tells = seen & back & (found.left <= criteria.uneven_behind * abs(own))
                behind[plane] = int((has & tells).sum()), int(tells.sum())
                max_drop += int((back & ~np.isnan(found.shift) & ~radiates[row]).sum())
                uneven += int((seen & back & ~tells).sum())
    return DeviationEvidence(
        height_by_curve_db={names[row]: float(settled[row]) for row in usable},
        shift_by_curve_octaves={names[row]: float(curve.shift[row]) for row in usable},
        in_curves=tuple(names[row] for row in usable if there[row]),
        directions_by_plane=counts,
        angles_by_plane=listed,
        variation_by_plane_db=varied,
        largest_shift_octaves=max(shifts) if shifts else None,
        still_octaves=reach.still,
        search_octaves=reach.search,
        behind_by_plane=behind,
        silent_behind=max_drop,
        uneven_behind=uneven,
    )


def _radiating(
    rows: Sequence[Floats], octaves: Floats, feature: PeakOrDip, reach: _Reach, max_drop: float
) -> Sequence[NDArray[np.bool_]]:
    """Which directions of each orbit are loud enough around the centre to be asked."""
    if not reach.second:
        return [np.ones(len(one), dtype=np.bool_) for one in rows]
    near = np.abs(octaves - np.log2(feature.centre_hz)) <= reach.half
    loud = [np.max(np.where(np.isnan(one[:, near]), -np.inf, one[:, near]), axis=1, initial=-np.inf) for one in rows]
    most = max((float(one.max(initial=-np.inf)) for one in loud), default=-np.inf)
    return [(one >= most - max_drop) & np.isfinite(one) for one in loud]


def _heights(
    octaves: Floats, levels: Floats, feature: PeakOrDip, reach: _Reach, others: Sequence[PeakOrDip]
) -> _Places:
    """As :func:`_shape_heights`, with NaN for rows that miss a value; a null, minus infinity, is put 60 dB down."""
    whole = ~np.isnan(levels).any(axis=1)
    result = np.full((4, len(levels)), np.nan)
    if whole.any():
        rows = levels[whole]
        finite = np.where(np.isfinite(rows), rows, np.inf).min(axis=1, keepdims=True)
        loudest = np.where(np.isfinite(rows), rows, -np.inf).max(axis=1, keepdims=True)
        floor = np.where(np.isfinite(finite), np.minimum(finite, loudest - 60.0), 0.0)
        rows = _subtract_neighbours(octaves, np.maximum(rows, floor), feature, others, reach.half)
        found = _shape_heights(octaves, rows, feature, reach)
        result[:, whole] = found.shift, found.height, found.middle, found.left
    return _Places(*result)


@method(
    "deviation-evidence",
    version=1,
    title="Where else a peak or dip is found: curves, directions, orbits",
    formula="In each curve and direction, the height of the same shape that fits best with a line beside it, at "
    "shifts of up to 1/3 octave; it is there with half the height or more, at most 1/12 octave away",
    source="least squares height of the same shape with a line through the surroundings, at the best of shifts up to "
    "1/3 octave",
    source_status="common practice, no source",
    limitations="What is half as high or 1/12 octave away is something else. Another peak nearby may be taken for "
    "it. Where "
    "a shape wider than some 2/3 octave is cannot be told to 1/12 octave: version 2 allows for its width.",
)
def evidence_by_fixed_tolerance(
    feature: PeakOrDip,
    frequency: ArrayLike,
    curves: Mapping[str, ArrayLike],
    level: ArrayLike | None = None,
    planes: Sequence[str] = (),
    angles: ArrayLike = (),
    others: Sequence[PeakOrDip] = (),  # noqa: ARG001 - as the versions after it are called
    criteria: Criteria = USUAL,  # noqa: ARG001
) -> DeviationEvidence:
    """Look for a peak or dip as version 1 did: within 1/12 octave whatever the width, and with others left on.

    Parameters, results and errors are those of :func:`evidence_of`.
    """
    return _evidence(feature, _fixed_reach(feature), (), frequency, curves, level, planes, angles)


@method(
    "deviation-evidence",
    version=2,
    title="Where else a peak or dip is found: curves, directions, orbits, and behind",
    formula="In each curve and direction, the height of the same shape with a line beside it, narrower neighbours "
    "taken off, at the nearest shift that explains 9/10 of what the best does or leaves no more than a tenth of the "
    "height; a resonance added with a phase may have another one there; it is there with half the height or more, at "
    "most 1/12 octave or a quarter of its width away, and in the curve it was found in; a shape an octave wide or more "
    "is looked for behind too",
    source="least squares height of the same shape with a line through the surroundings, within its width to both "
    "sides, at shifts up to 1/3 octave or half its width",
    source_status="common practice, no source",
    limitations="What is half as high or further away is something else. Another peak nearby may be taken for it. The "
    "criteria are our own, and can be chosen. A direction 40 dB below the loudest is not asked, and none behind "
    "whose levels are more uneven than half the height.",
)
def evidence_of(
    feature: PeakOrDip,
    frequency: ArrayLike,
    curves: Mapping[str, ArrayLike],
    level: ArrayLike | None = None,
    planes: Sequence[str] = (),
    angles: ArrayLike = (),
    others: Sequence[PeakOrDip] = (),
    criteria: Criteria = USUAL,
) -> DeviationEvidence:
    """Look for a peak or dip in other curves and in every direction.

    Parameters
    ----------
    feature : PeakOrDip
        What to look for.
    frequency : array_like, shape (n,)
        Hz, ascending; leave steep roll-offs outside.
    curves : mapping of str to array_like, shape (n,)
        dB.
    level : array_like, shape (plane, angle, n), optional
        dB of the directions; none are looked at without it.
    planes, angles
        "horizontal", "vertical" or both, and degrees.
    others : sequence of PeakOrDip, optional
        Other peaks and dips; those nearby that are no wider are taken off, as high as they are in each curve and
        direction.
    criteria : Criteria
        What counts as there.

    Returns
    -------
    DeviationEvidence
        A curve or direction that has no value around the centre is left out.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    reach = _reach_by_width(feature, criteria)
    return _evidence(feature, reach, others, frequency, curves, level, planes, angles, criteria)


def _plane(evidence: DeviationEvidence, criteria: Criteria = USUAL) -> str | None:
    varied = evidence.variation_by_plane_db
    if len(varied) < 2:
        return None
    more, less = sorted(PLANES, key=lambda plane: -varied[plane])
    if varied[more] < criteria.least_variation:
        return None
    return more if varied[more] >= criteria.uneven * varied[less] else "both"


def _kinds(evidence: DeviationEvidence, by_name: bool) -> tuple[list[str], list[str], list[str]]:
    """Kinds of sound that are lacking, those it is not in, and both in words.

    On the axis alone it is not yet in the direct sound, for which the listening window stands: that may be named.
    """
    present = {
        kind: next((name in evidence.in_curves for name in names if name in evidence.height_by_curve_db), None)
        for kind, names in KINDS.items()
    }
    lacking = [kind for kind, there in present.items() if there is None]
    absent = [kind for kind, there in present.items() if there is False]
    reasons = []
    if lacking:
        reasons.append(f"no {', no '.join(lacking)} to look into")
    named = absent
    if by_name and "direct sound" in absent and "on_axis" in evidence.in_curves:
        reasons.append(f"on the axis only, not in the {TITLES['listening_window'].lower()}")
        named = [kind for kind in absent if kind != "direct sound"]
    if named:
        reasons.append(f"not in the {', not in the '.join(named)}")
    if not absent and not lacking:
        reasons.append("in the direct sound, the early reflections and the sound power")
    return lacking, absent, reasons


def _where(plane: str | None) -> str:
    return {
        None: "which orbit does it cannot be told",
        "both": "over both orbits much alike",
    }.get(plane, f"mainly over the {plane} orbit")


_Verdict = tuple[Cause, str | None, list[str]]
"""Cause, orbit, and the reasons for both."""


def _verdict_by_all_directions(_: PeakOrDip, evidence: DeviationEvidence, __: Criteria) -> _Verdict:
    """Verdict of version 1, from the directions of both orbits together."""
    lacking, absent, reasons = _kinds(evidence, by_name=False)
    has, looked = (sum(count[k] for count in evidence.directions_by_plane.values()) for k in (0, 1))
    if len(evidence.directions_by_plane) < len(PLANES):
        return "not determined", None, [*reasons, "needs the directions of both orbits"]
    share = has / looked if looked else 0.0
    if not lacking and not absent and share >= USUAL.resonance_min_share:
        return "resonance", None, [*reasons, "the same in most directions: it does not depend on the angle"]
    if looked and (share < USUAL.interference_max_share or (absent and share < USUAL.resonance_min_share)):
        plane = _plane(evidence)
        changes = f"it changes with the angle, {_where(plane)}"
        return "interference or diffraction", plane, [*reasons, changes]
    return "not determined", _plane(evidence), [*reasons, "the directions do not decide between both causes"]


def _verdict_by_orbit(feature: PeakOrDip, evidence: DeviationEvidence, criteria: Criteria) -> _Verdict:
    """Verdict from each orbit by itself, and for a broad shape from the directions behind."""
    lacking, absent, reasons = _kinds(evidence, by_name=True)
    shares = {plane: has / looked for plane, (has, looked) in evidence.directions_by_plane.items() if looked}
    if len(shares) < len(PLANES):
        return "not determined", None, [*reasons, "needs the directions of both orbits"]
    has, looked = (sum(count[k] for count in evidence.behind_by_plane.values()) for k in (0, 1))
    behind = has / looked if looked >= criteria.min_rear_directions else None
    counted = f"in {has} of {looked} directions behind that can tell"
    if (
        behind is not None
        and behind <= 1 - criteria.resonance_min_share
        and max(shares.values()) >= criteria.resonance_min_share
        and "direct sound" not in absent
    ):
        lost = [
            plane
            for plane, (own, all_) in evidence.behind_by_plane.items()
            if all_ and own / all_ < criteria.interference_max_share
        ]
        gone = lost[0] if len(lost) == 1 else "both"
        step = f"there in front, but {counted}: it changes with the angle as the step of a baffle does"
        return "interference or diffraction", gone, [*reasons, f"{step}, {_where(gone)}"]
    least = min(shares.values())
    if least < criteria.interference_max_share or (absent and least < criteria.resonance_min_share):
        plane = _plane(evidence, criteria)
        return "interference or diffraction", plane, [*reasons, f"it changes with the angle, {_where(plane)}"]
    if least < criteria.resonance_min_share or lacking or absent:
        return (
            "not determined",
            _plane(evidence, criteria),
            [*reasons, "the directions do not decide between both causes"],
        )
    if feature.curve not in KINDS["direct sound"]:
        words = "no peak or dip of the direct sound by itself: it may be what others nearby leave"
        return "not determined", None, [*reasons, words]
    if feature.width_octaves >= criteria.broad:
        if behind is not None and behind < criteria.resonance_min_share:
            return "not determined", None, [*reasons, f"the same in front, {counted}: these do not decide"]
        if behind is None and (evidence.uneven_behind or not evidence.silent_behind):
            words = "the same in front; so broad, it may be the step of a baffle, and no directions behind can tell"
            return "not determined", None, [*reasons, words]
        reasons.append(
            f"the same in front, {counted if behind is not None else 'with next to nothing radiated behind'}"
        )
    return "resonance", None, [*reasons, "the same in most directions: it does not depend on the angle"]


def _titles(names: Iterable[str]) -> str:
    return ", ".join(TITLES.get(name, name).lower() for name in names)


def _shape_words(feature: PeakOrDip) -> str:
    """Where it is and what its shape is, with the name of each Q: the section's, and that of the resonance."""
    extreme = "highest" if feature.height_db > 0 else "lowest"
    words = f"{feature.height_db:+.1f} dB, as in: {_titles([feature.curve])}"
    if feature.extreme_hz is not None:
        words += f", which is {extreme} at {hertz(feature.extreme_hz)} Hz"
    words += f"; shape {feature.shape}: centre {hertz(feature.centre_hz)} Hz, {feature.width_octaves:.2f} octave wide, "
    if feature.shape == ADDED:
        first, second = ("peak", "dip") if feature.height_db > 0 else ("dip", "peak")
        words += (
            f"Q {feature.q:.2g} of the resonance, added with {feature.phase_deg:.0f}°: a {first} of "
            f"{feature.height_db:+.1f} dB beside a {second} of {feature.beside_db:+.1f} dB"
        )
    elif feature.shape == NEITHER:
        words += f"Q {feature.q:.2g} by that width"
    else:
        kind = "its poles" if feature.height_db > 0 else "its zeros"
        words += f"Q {feature.q:.2g} of an equaliser's section, Q {feature.pole_q:.2g} of {kind}"
    bare = feature.unsmoothed_height_db
    if bare is not None and abs(bare - feature.height_db) >= 0.05:
        words += f"; {bare:+.1f} dB before smoothing"
    return words


def _statements(
    feature: PeakOrDip,
    evidence: DeviationEvidence,
    threshold: float,
    tolerance: bool,
    cause: Cause,
    criteria: Criteria,
) -> list[str]:
    lines = [_shape_words(feature)]
    found = [name for name in evidence.height_by_curve_db if name in evidence.in_curves]
    missed = [name for name in evidence.height_by_curve_db if name not in evidence.in_curves]
    words = []
    if found:
        heights = (f"{_titles([name])} {evidence.height_by_curve_db[name]:+.1f} dB" for name in found)
        words.append(f"height by curve: {', '.join(heights)}")
    if missed:
        words.append(f"not in: {_titles(missed)} (lower than {criteria.height_share:.0%} there, or elsewhere)")
    lines.append("; ".join(words))
    for plane, (has, looked) in evidence.directions_by_plane.items():
        variation = evidence.variation_by_plane_db.get(plane)
        more = "" if variation is None else f"; its height there varies by {variation:.1f} dB (standard deviation)"
        lines.append(
            f"{plane} orbit: in {has} of {looked} directions within {criteria.front:g}° of the axis{more}",
        )
    if evidence.largest_shift_octaves is not None:
        or_more = " or more" if evidence.largest_shift_octaves > evidence.search_octaves - 1e-6 else ""
        moves = f"its centre moves by up to {evidence.largest_shift_octaves:.2f} octave{or_more}"
        lines.append(f"{moves} in those directions that have it, there or elsewhere")
    if tolerance:
        lines.append(f"of this width, it counts as the same up to {evidence.still_octaves:.2f} octave from its centre")
    for plane, (has, looked) in evidence.behind_by_plane.items():
        if looked:
            off = f"{criteria.behind:g}° or more off the axis"
            lines.append(f"{plane} orbit: in {has} of {looked} directions {off} that can tell")
    if evidence.silent_behind or evidence.uneven_behind:
        lines.append(
            f"directions there that cannot tell: {evidence.silent_behind} in which next to nothing is radiated, "
            f"{evidence.uneven_behind} too uneven"
        )
    reaches = "reaches" if _bare_height(feature) >= threshold else "stays below"
    less = "" if feature.height_db > 0 else "; dips are heard less"
    if cause != "resonance":
        less += "; of what is no resonance it says little"
    lines.append(
        f"it {reaches} the {threshold:.1f} dB from which an added resonance of Q {feature.pole_q:.2g} is heard with "
        f"pink noise (Toole and Olive 1988, recalled{less})"
    )
    return lines


def _bare_height(feature: PeakOrDip) -> float:
    """Height before smoothing, without its sign, dB."""
    bare = feature.unsmoothed_height_db
    return abs(feature.height_db if bare is None else bare)


def _same(a: PeakOrDip, b: PeakOrDip) -> bool:
    apart = abs(float(np.log2(a.centre_hz / b.centre_hz)))
    narrower, wider = sorted((a.width_octaves, b.width_octaves))
    if ADDED in (a.shape, b.shape) and wider <= 3 * narrower:
        # With another phase the same resonance is a dip, or has its peak on the other side.
        return apart <= max(1 / 12, narrower / 2)
    return a.height_db * b.height_db > 0 and apart <= max(1 / 6, narrower / 2)


def _at_its_extreme(
    feature: PeakOrDip, group: Sequence[PeakOrDip], grid: Floats, curves: Mapping[str, ArrayLike]
) -> PeakOrDip:
    """The feature, marked where its curve is highest or lowest of all that were joined to it."""
    places = [one.extreme_hz for one in group if one.curve == feature.curve and one.extreme_hz is not None]
    if len(places) < 2:
        return feature
    levels = resample(grid, curves[feature.curve], places)
    return replace(feature, extreme_hz=places[int(np.nanargmax(np.sign(feature.height_db) * levels))])


def _features(
    grid: Floats,
    curves: Mapping[str, ArrayLike],
    searched: Sequence[str] | None,
    search: Callable[[str], tuple[tuple[PeakOrDip, ...], str]],
    share: float,
) -> tuple[list[PeakOrDip], dict[str, str]]:
    """By rising frequency, each as in the curve that describes it; and curves that could not be searched, and why."""
    gathered: list[PeakOrDip] = []
    skipped: dict[str, str] = {}
    names = list(searched) if searched is not None else [name for name in SEARCHED if name in curves] or list(curves)
    for name in names:
        found, reason = search(name)
        gathered += found
        if reason:
            skipped[name] = reason
    groups: list[list[PeakOrDip]] = []
    for feature in sorted(gathered, key=lambda one: -abs(one.height_db)):
        group = next((group for group in groups if _same(feature, group[0])), None)
        if group is None:
            groups.append([feature])
        else:
            group.append(feature)
    chosen = [
        _at_its_extreme(
            min(
                (one for one in group if abs(one.height_db) >= share * abs(group[0].height_db)),
                key=lambda one: names.index(one.curve),
            ),
            group,
            grid,
            curves,
        )
        for group in groups
    ]
    return sorted(chosen, key=lambda one: one.centre_hz), skipped


def _deviation(
    feature: PeakOrDip,
    evidence: DeviationEvidence,
    verdict: Callable[[PeakOrDip, DeviationEvidence, Criteria], _Verdict],
    threshold: float,
    criteria: Criteria | None,
) -> Deviation:
    """Judge a feature; without criteria as version 1, which had none to choose and no tolerance by the width."""
    chosen = criteria or USUAL
    cause, plane, reasons = verdict(feature, evidence, chosen)
    words = _statements(feature, evidence, threshold, criteria is not None, cause, chosen)
    heard = _bare_height(feature) >= threshold
    return Deviation(feature, cause, plane, threshold, heard, evidence, (*words, *reasons))


@method(
    "deviations",
    version=2,
    title="Peaks and dips with cause, orbit, audibility and the evidence",
    formula="Peaks and dips of the searched curves, joined where they meet; a resonance is in direct sound, "
    "reflections and power and in three quarters of the directions within 60 degrees on each orbit, and if an octave "
    "wide or more of those behind as well; interference in fewer than half of them on an orbit, in front but in at "
    "most a quarter of those behind, or not in all curves",
    source="a resonance is alike in direct sound, reflections and power, interference changes with the angle (Toole, "
    "Sound Reproduction, 2008, ch. 18); the step of a baffle is in front alone; thresholds after Toole and Olive 1988",
    source_status="recalled",
    limitations="The limits that tell one from the other (half the height, 1/12 octave or a quarter of the width, "
    "three "
    "quarters of the directions within 60 degrees, one octave from which on it is looked for behind) are our own. What "
    "is wider than 2.5 octaves is no peak or dip. All of it can be chosen. A broad peak of the drive unit on the step "
    "of a baffle as high as itself cannot be told from it.",
)
def deviations(
    frequency: ArrayLike,
    curves: Mapping[str, ArrayLike],
    level: ArrayLike | None = None,
    planes: Sequence[str] = (),
    angles: ArrayLike = (),
    low_hz: float = 100.0,
    high_hz: float = 16000.0,
    least_height_db: float = 1.0,
    searched: Sequence[str] | None = None,
    threshold_at_q_1_db: float = THRESHOLD_AT_Q_1,
    threshold_per_doubling_db: float = THRESHOLD_PER_DOUBLING,
    smoothing: float | None = None,
    criteria: Criteria = USUAL,
) -> DeviationReport:
    """Find, in a curve set, every peak and dip of a size, and gather what tells its cause.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    curves : mapping of str to array_like, shape (n,)
        The curve set by identifier ("on_axis", "listening_window", "early_reflections", "sound_power" ...), dB.
    level : array_like, shape (plane, angle, n), optional
        dB of the directions; without them no cause is named.
    planes, angles
        "horizontal", "vertical" or both, and degrees.
    low_hz, high_hz : float
        The band; leave steep roll-offs outside.
    least_height_db : float
        The size, dB.
    searched : sequence of str, optional
        Curves in which peaks and dips are looked for; without it those of :data:`SEARCHED` that are there, or all if
        none is. All are used as evidence.
    threshold_at_q_1_db, threshold_per_doubling_db : float
        As :func:`audibility_threshold` takes them.
    smoothing : float, optional
        Windows per octave that curves and directions were smoothed with; none if absent.
    criteria : Criteria
        What decides where a peak or dip is found again, and what it is like.

    Returns
    -------
    DeviationReport
        What several curves have at one place is one deviation, described as in the first of :data:`SEARCHED` that has
        at least half the height.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree, the band is none or the size is not above
        zero.
    """
    grid = check_grid(frequency)
    found, skipped = _features(
        grid,
        curves,
        searched,
        lambda name: find_peaks_and_dips(
            grid, curves[name], name, low_hz, high_hz, least_height_db, smoothing, criteria.widest
        ),
        criteria.height_share,
    )
    # A broad shape reaches far out: what rolls off beyond the band must not be taken for a part of it.
    slack = 2 ** (1 / POINTS_PER_OCTAVE)
    inside = (grid >= low_hz / slack) & (grid <= high_hz * slack)
    within = {name: np.asarray(one, dtype=np.float64)[..., inside] for name, one in curves.items()}
    array = None if level is None else np.asarray(level, dtype=np.float64)[..., inside]
    result = tuple(
        _deviation(
            feature,
            evidence_of(feature, grid[inside], within, array, planes, angles, found, criteria),
            _verdict_by_orbit,
            float(audibility_threshold(feature.pole_q, threshold_at_q_1_db, threshold_per_doubling_db)),
            criteria,
        )
        for feature in found
    )
    return DeviationReport(result, least_height_db, low_hz, high_hz, skipped)
