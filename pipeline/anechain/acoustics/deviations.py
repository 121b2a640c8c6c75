"""Every peak and dip of a curve set: in which curves and directions it is, and what may cause it.

A resonance radiates alike in all directions, so that it is in the direct sound, the reflections and the power. What
comes of two paths (diffraction at an edge, two drivers) changes with the angle. Which of the two a peak is like is
said together with the evidence, and left open where the evidence is short.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve_parts import hertz
from anechain.acoustics.curves import TITLES
from anechain.acoustics.directions import PLANES, wrap_angle
from anechain.acoustics.frequencies import check_grid, resample
from anechain.acoustics.peaks_and_dips import POINTS_PER_OCTAVE, PeakOrDip, find_peaks_and_dips, octave_grid
from anechain.acoustics.resonance_shape import (
    THRESHOLD_AT_Q_1,
    THRESHOLD_PER_DOUBLING,
    audibility_threshold,
    resonance_level,
)
from anechain.methods import method

__all__ = [
    "Deviation",
    "DeviationEvidence",
    "DeviationReport",
    "deviations",
    "evidence_of",
]

Floats = NDArray[np.float64]
Cause = Literal["resonance", "interference or diffraction", "not determined"]

STILL = 1.0 / 12.0
"""Octaves that a centre may be off in another curve or direction and still be the same."""

SEARCH = 1.0 / 3.0
"""Octaves to both sides within which a peak or dip is looked for in another curve or direction."""

AS_HIGH = 0.5
"""Share of the height, at least, that it has in another curve or direction to be there too."""

MOST = 0.75
FEW = 0.5
"""Shares of the front directions: a resonance is there in most, interference in fewer than most."""

FRONT = 60.0
"""Degrees from the axis within which directions are counted."""

UNEVEN = 1.5
"""Times by which the height must vary more over one orbit than over the other to name the orbit."""

LEAST_VARIATION = 0.25
"""dB; standard deviation of the height over an orbit below which nothing is said to vary."""

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
        Height of the same shape, at most 1/12 octave away, in each curve; close neighbours are in it.
    shift_by_curve_octaves : dict of str to float
        How far from the centre the shape fits best in each curve, searched 1/3 octave to both sides.
    in_curves : tuple of str
        Curves that have it: at least half the height, at most 1/12 octave away.
    directions_by_plane : dict of str to (int, int)
        By orbit: of how many directions within 60 degrees of the axis it is in, and how many were looked at.
    angles_by_plane : dict of str to tuple of float
        Those it is in, degrees; over the whole orbit.
    variation_by_plane_db : dict of str to float
        Standard deviation of the height at the centre over the directions within 60 degrees.
    largest_shift_octaves : float or None
        Largest shift among the directions within 60 degrees that have the shape at all; None if none has.
    """

    height_by_curve_db: dict[str, float]
    shift_by_curve_octaves: dict[str, float]
    in_curves: tuple[str, ...]
    directions_by_plane: dict[str, tuple[int, int]]
    angles_by_plane: dict[str, tuple[float, ...]]
    variation_by_plane_db: dict[str, float]
    largest_shift_octaves: float | None


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
        Height from which a resonance of this Q is heard with pink noise (recalled; see `audibility_threshold`).
    above_threshold : bool
        Whether its height reaches that.
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


def _shape_heights(octaves: Floats, levels: Floats, feature: PeakOrDip) -> tuple[Floats, Floats, Floats]:
    """Best shift, height there and height at the centre of a feature's shape, for levels of shape (rows, n)."""
    place = float(np.log2(feature.centre_hz))
    # The widest shift still has half of the shape on either side.
    near = np.abs(octaves - place) <= min(max(0.5, 2.0 * feature.width_octaves), 2.0) + SEARCH
    x, y = octaves[near] - place, levels[:, near]
    shifts = np.arange(-16, 17) / POINTS_PER_OCTAVE
    heights, lefts = np.full((shifts.size, len(y)), np.nan), np.full((shifts.size, len(y)), np.nan)
    # Half the window around each place: what lies further out belongs to something else.
    half = min(max(0.25, feature.width_octaves), 1.0)
    for row, shift in enumerate(shifts):
        inside = np.abs(x - shift) <= half
        if inside.sum() < 6:
            continue
        template = resonance_level(x[inside] - shift, feature.height_db, feature.q) / feature.height_db
        basis = np.stack([template, np.ones_like(template), x[inside] - shift], axis=1)
        solution = np.linalg.lstsq(basis, y[:, inside].T, rcond=None)[0]
        heights[row] = solution[0]
        lefts[row] = np.sqrt(((y[:, inside].T - basis @ solution) ** 2).mean(axis=0))
    middle = heights[shifts.size // 2]
    # The best place is where the shape explains most: height of the right sign, less what is left beside it.
    sign = np.sign(feature.height_db)
    merit = np.where(np.isnan(heights), -np.inf, sign * heights - 2 * lefts)
    best = np.argmax(merit, axis=0)
    columns = np.arange(len(y))
    shift = np.where(np.isinf(merit[best, columns]), np.nan, shifts[best])
    return shift, heights[best, columns], middle


def _rows_on_grid(frequency: Floats, levels: Floats, octaves: Floats) -> Floats:
    return resample(frequency, levels, np.clip(2**octaves, frequency[0], frequency[-1]))


@method(
    "deviation-evidence",
    version=1,
    title="Where else a peak or dip is found: curves, directions, orbits",
    formula="In each curve and direction, the height of the same shape that fits best with a line beside it, at "
    "shifts of up to 1/3 octave; it is there with half the height or more, at most 1/12 octave away",
    source="least squares height of the same shape with a line through the surroundings, at the best of shifts up to "
    "1/3 octave",
    standing="common practice, no source",
    limits="What is half as high or 1/12 octave away is something else. Another peak nearby may be taken for it.",
)
def evidence_of(
    feature: PeakOrDip,
    frequency: ArrayLike,
    curves: Mapping[str, ArrayLike],
    level: ArrayLike | None = None,
    planes: Sequence[str] = (),
    angles: ArrayLike = (),
) -> DeviationEvidence:
    """Look for a peak or dip in other curves and in every direction.

    Parameters
    ----------
    feature : PeakOrDip
        What to look for.
    frequency : array_like, shape (n,)
        Hz, ascending.
    curves : mapping of str to array_like, shape (n,)
        dB.
    level : array_like, shape (plane, angle, n), optional
        dB of the directions; none are looked at without it.
    planes, angles
        "horizontal", "vertical" or both, and degrees.

    Returns
    -------
    DeviationEvidence
        A curve or direction that has no value around the centre is left out.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    grid = check_grid(frequency)
    reach = 2 ** (min(max(0.5, 2.0 * feature.width_octaves), 2.0) + SEARCH)
    octaves = octave_grid(max(grid[0], feature.centre_hz / reach), min(grid[-1], feature.centre_hz * reach))
    names = list(curves)
    stacked = np.stack([np.asarray(curves[name], dtype=np.float64) for name in names])
    shift, height, middle = _heights(octaves, _rows_on_grid(grid, stacked, octaves), feature)
    usable = [row for row in range(len(names)) if not np.isnan(shift[row])]
    still = np.abs(shift) <= STILL + 1e-9
    settled = np.where(still, height, middle)
    # Held against the same measure in its own curve, where neighbours are not taken off either.
    own = feature.height_db
    if feature.curve in names and height[names.index(feature.curve)] * own > 0:
        own = float(height[names.index(feature.curve)])
    there = still & (height / own >= AS_HIGH)
    counts: dict[str, tuple[int, int]] = {}
    listed: dict[str, tuple[float, ...]] = {}
    varied: dict[str, float] = {}
    shifts: list[float] = []
    if level is not None:
        array = np.asarray(level, dtype=np.float64)
        degrees = np.atleast_1d(wrap_angle(angles))
        if array.shape != (len(planes), degrees.size, grid.size):
            raise ValueError(f"{len(planes)} planes and {degrees.size} angles for levels of shape {array.shape}")
        front = np.abs(degrees) <= FRONT + 0.01
        for row, plane in enumerate(planes):
            moved, high, at_centre = _heights(octaves, _rows_on_grid(grid, array[row], octaves), feature)
            seen = ~np.isnan(moved)
            has = seen & (np.abs(moved) <= STILL + 1e-9) & (high / own >= AS_HIGH)
            counts[plane] = int((has & front).sum()), int((seen & front).sum())
            listed[plane] = tuple(sorted(float(angle) for angle in degrees[has]))
            if (seen & front).sum() > 1:
                varied[plane] = float(np.std(at_centre[seen & front]))
            shifts += np.abs(moved[seen & front & (high / own >= AS_HIGH)]).tolist()
    return DeviationEvidence(
        height_by_curve_db={names[row]: float(settled[row]) for row in usable},
        shift_by_curve_octaves={names[row]: float(shift[row]) for row in usable},
        in_curves=tuple(names[row] for row in usable if there[row]),
        directions_by_plane=counts,
        angles_by_plane=listed,
        variation_by_plane_db=varied,
        largest_shift_octaves=max(shifts) if shifts else None,
    )


def _heights(octaves: Floats, levels: Floats, feature: PeakOrDip) -> tuple[Floats, Floats, Floats]:
    """As :func:`_shape_heights`, with NaN for rows that miss a value; a null, minus infinity, is put 60 dB down."""
    whole = ~np.isnan(levels).any(axis=1)
    result = np.full((3, len(levels)), np.nan)
    if whole.any():
        rows = levels[whole]
        finite = np.where(np.isfinite(rows), rows, np.inf).min(axis=1, keepdims=True)
        loudest = np.where(np.isfinite(rows), rows, -np.inf).max(axis=1, keepdims=True)
        floor = np.where(np.isfinite(finite), np.minimum(finite, loudest - 60.0), 0.0)
        result[:, whole] = _shape_heights(octaves, np.maximum(rows, floor), feature)
    return result[0], result[1], result[2]


def _plane(evidence: DeviationEvidence) -> str | None:
    varied = evidence.variation_by_plane_db
    if len(varied) < 2:
        return None
    more, less = sorted(PLANES, key=lambda plane: -varied[plane])
    if varied[more] < LEAST_VARIATION:
        return None
    return more if varied[more] >= UNEVEN * varied[less] else "both"


def _verdict(evidence: DeviationEvidence) -> tuple[Cause, str | None, list[str]]:
    """Cause, orbit, and the reasons for both."""
    present = {
        kind: next((name in evidence.in_curves for name in names if name in evidence.height_by_curve_db), None)
        for kind, names in KINDS.items()
    }
    lacking = [kind for kind, there in present.items() if there is None]
    absent = [kind for kind, there in present.items() if there is False]
    has, looked = (sum(count[k] for count in evidence.directions_by_plane.values()) for k in (0, 1))
    reasons = []
    if lacking:
        reasons.append(f"no {', no '.join(lacking)} to look into")
    if absent:
        reasons.append(f"not in the {', not in the '.join(absent)}")
    elif not lacking:
        reasons.append("in the direct sound, the early reflections and the sound power")
    if len(evidence.directions_by_plane) < len(PLANES):
        return "not determined", None, [*reasons, "needs the directions of both orbits"]
    share = has / looked if looked else 0.0
    if not lacking and not absent and share >= MOST:
        return "resonance", None, [*reasons, "the same in most directions: it does not depend on the angle"]
    if looked and (share < FEW or (absent and share < MOST)):
        plane = _plane(evidence)
        where = {
            None: "which orbit does it cannot be told",
            "both": "over both orbits much alike",
        }.get(plane, f"mainly over the {plane} orbit")
        return "interference or diffraction", plane, [*reasons, f"it changes with the angle, {where}"]
    return "not determined", _plane(evidence), [*reasons, "the directions do not decide between both causes"]


def _statements(feature: PeakOrDip, evidence: DeviationEvidence, threshold: float) -> list[str]:
    name = TITLES.get(feature.curve, feature.curve).lower()
    lines = [
        f"{feature.height_db:+.1f} dB at {hertz(feature.centre_hz)} Hz, {feature.width_octaves:.2f} octave wide "
        f"(Q {feature.q:.2g}), as in: {name}; shape {feature.shape}",
        "height by curve: "
        + ", ".join(f"{TITLES.get(k, k).lower()} {v:+.1f} dB" for k, v in evidence.height_by_curve_db.items()),
    ]
    for plane, (has, looked) in evidence.directions_by_plane.items():
        variation = evidence.variation_by_plane_db.get(plane)
        words = "" if variation is None else f"; its height there varies by {variation:.1f} dB (standard deviation)"
        lines.append(f"{plane} orbit: in {has} of {looked} directions within {FRONT:g}° of the axis{words}")
    if evidence.largest_shift_octaves is not None:
        more = " or more" if evidence.largest_shift_octaves > SEARCH - 1e-6 else ""
        lines.append(f"its centre moves by up to {evidence.largest_shift_octaves:.2f} octave{more} in those directions")
    reaches = "reaches" if abs(feature.height_db) >= threshold else "stays below"
    lines.append(
        f"it {reaches} the {threshold:.1f} dB from which a resonance of Q {feature.pole_q:.2g} is heard with pink "
        "noise (Toole and Olive 1988, recalled; dips are heard less)"
    )
    return lines


def _same(a: PeakOrDip, b: PeakOrDip) -> bool:
    apart = abs(float(np.log2(a.centre_hz / b.centre_hz)))
    return a.height_db * b.height_db > 0 and apart <= max(1 / 6, min(a.width_octaves, b.width_octaves) / 2)


@method(
    "deviations",
    version=1,
    title="Peaks and dips with cause, orbit, audibility and the evidence",
    formula="Peaks and dips of the searched curves, joined where they meet; a resonance is in direct sound, "
    "reflections and power and in three quarters of the directions within 60 degrees, interference in fewer "
    "than half of them, or not in all curves",
    source="a resonance is alike in direct sound, reflections and power, interference changes with the angle (Toole, "
    "Sound Reproduction, 2008, ch. 18); thresholds after Toole and Olive 1988",
    standing="recalled",
    limits="The limits that tell one from the other (half the height, 1/12 octave, three quarters of the directions "
    "within 60 degrees) are our own. A broad deviation of the whole balance is like a resonance by this rule.",
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
    gathered: list[PeakOrDip] = []
    skipped: dict[str, str] = {}
    names = list(searched) if searched is not None else [name for name in SEARCHED if name in curves] or list(curves)
    for name in names:
        found, reason = find_peaks_and_dips(grid, curves[name], name, low_hz, high_hz, least_height_db)
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
        min(
            (one for one in group if abs(one.height_db) >= AS_HIGH * abs(group[0].height_db)),
            key=lambda one: names.index(one.curve),
        )
        for group in groups
    ]
    result = []
    for feature in sorted(chosen, key=lambda one: one.centre_hz):
        evidence = evidence_of(feature, grid, curves, level, planes, angles)
        cause, plane, reasons = _verdict(evidence)
        threshold = float(audibility_threshold(feature.pole_q, threshold_at_q_1_db, threshold_per_doubling_db))
        statements = (*_statements(feature, evidence, threshold), *reasons)
        above = abs(feature.height_db) >= threshold
        result.append(Deviation(feature, cause, plane, threshold, above, evidence, statements))
    return DeviationReport(tuple(result), least_height_db, low_hz, high_hz, skipped)
