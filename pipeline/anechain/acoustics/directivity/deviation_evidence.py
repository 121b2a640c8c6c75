"""Evidence for the cause of a peak or dip: in which other curves and in which directions it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.frequencies import check_grid
from anechain.acoustics.curve.peak_shapes import PeakOrDip
from anechain.acoustics.curve.peaks_and_dips import MAX_WIDTH_OCTAVES
from anechain.acoustics.directivity.directions import wrap_angle
from anechain.acoustics.directivity.shape_fits import (
    SEARCH,
    FitWindow,
    PlacedFits,
    best_fits,
    fit_shape,
    levels_around,
    nearest_good_fits,
)
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["DEFAULT_CRITERIA", "Criteria", "DeviationEvidence", "evidence_of"]

Booleans = NDArray[np.bool_]

SEARCH_BY_WIDTH = 0.5
"""Distance over which a wide shape is searched, as a share of its width."""

SAME_ANGLE = 0.01
"""Degrees by which an angle may differ from a limit and still be inside."""


@dataclass(frozen=True)
class Criteria:
    """Limits that decide where a peak or dip is found again, and what its cause is.

    The defaults are our own; there is no source for them.

    Attributes
    ----------
    height_share : float
        A curve or direction has the peak or dip if its height there is at least this share of its height.
    tolerance : float
        Octaves by which the centre may differ in another curve or direction.
    tolerance_by_width : float
        The same as a share of the width, used if it is more: the centre of a broad shape is less well defined.
    front, behind : float
        Degrees from the axis: up to `front` a direction is in front, from `behind` on it is behind.
    resonance_min_share, interference_max_share : float
        A resonance is in at least the first share of the front directions of each orbit; interference is in less than
        the second share of them on one orbit.
    broad : float
        Octaves. A resonance of this width or more must be behind as well: the step of a baffle is only in front.
    max_drop : float
        dB below the loudest direction. A direction with a lower level is not used.
    uneven_behind : float
        Share of the height. A direction behind is not used if the fit leaves a larger residual (root mean square).
    min_rear_directions : int
        Smallest number of usable directions behind.
    least_variation : float
        dB. The height varies over an orbit if its standard deviation is at least this.
    uneven : float
        The orbit with the larger variation is named alone if its variation is larger by at least this factor.
    widest : float
        Octaves. A wider shape is no peak or dip.
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
    widest: float = MAX_WIDTH_OCTAVES


DEFAULT_CRITERIA = Criteria()


@dataclass(frozen=True)
class DeviationEvidence:
    """Curves and directions that a peak or dip is in.

    Attributes
    ----------
    height_by_curve_db : dict of str to float
        Height of the same shape in each curve: at its place there if this is within `tolerance_octaves`, else at the
        centre. Heights are measured in the same way in all curves and scaled so that the height in its own curve is
        that of the feature. For a resonance added with a phase: height that it would have with the phase that it has in
        its own curve.
    shift_by_curve_octaves : dict of str to float
        Distance of its place in each curve from the centre, searched up to `search_octaves` to both sides.
    in_curves : tuple of str
        Curves that have it: its own, and those in which it has at least half the height within `tolerance_octaves`.
    directions_by_plane : dict of str to (int, int)
        By orbit: number of directions within 60 degrees of the axis that have it, and number of those examined.
    angles_by_plane : dict of str to tuple of float
        By orbit: all angles in degrees at which it is.
    variation_by_plane_db : dict of str to float
        By orbit: standard deviation of the height at the centre over the directions within 60 degrees.
    largest_shift_octaves : float or None
        Largest shift among the directions within 60 degrees that have the shape; None if none has.
    tolerance_octaves, search_octaves : float
        Largest shift that counts as the same place, and largest shift that was searched.
    rear_by_plane : dict of str to (int, int)
        By orbit: number of directions at 120 degrees from the axis or more that have it, and number of usable ones.
        Empty for a shape less than an octave wide, which is not searched there.
    weak_rear_directions, uneven_rear_directions : int
        Directions behind that are not usable because their level is too low or too uneven.
    """

    height_by_curve_db: dict[str, float]
    shift_by_curve_octaves: dict[str, float]
    in_curves: tuple[str, ...]
    directions_by_plane: dict[str, tuple[int, int]]
    angles_by_plane: dict[str, tuple[float, ...]]
    variation_by_plane_db: dict[str, float]
    largest_shift_octaves: float | None
    tolerance_octaves: float
    search_octaves: float
    rear_by_plane: dict[str, tuple[int, int]] = field(default_factory=dict)
    weak_rear_directions: int = 0
    uneven_rear_directions: int = 0


def _checked_levels(
    level: ArrayLike | None, planes: Sequence[str], angles: ArrayLike, grid: Floats
) -> tuple[Floats, Floats]:
    """Return levels, shape (plane, angle, n), and angles in degrees; both empty without levels."""
    if level is None:
        return np.empty((0, 0, grid.size)), np.empty(0)
    array = np.asarray(level, dtype=np.float64)
    degrees = np.atleast_1d(wrap_angle(angles))
    if array.shape != (len(planes), degrees.size, grid.size):
        raise ValueError(f"{len(planes)} planes and {degrees.size} angles for levels of shape {array.shape}")
    return array, degrees


# An older version stays callable: a campaign chooses it by `method_versions: {deviation-evidence: 1}`.
@method(
    "deviation-evidence",
    version=1,
    title="Curves and directions that a peak or dip is in, with one tolerance for all widths",
    formula="In each curve and direction, the height of the same shape that fits best together with a line, at shifts "
    "of up to 1/3 octave; it is there with half the height or more, at most 1/12 octave away",
    source="least squares height of the same shape with a line through the surroundings, at the best of shifts up to "
    "1/3 octave",
    source_status="common practice, no source",
    limitations="A shape of less than half the height or more than 1/12 octave away counts as another one. Another "
    "peak nearby may be taken for it. The place of a shape wider than about 2/3 octave is not known to 1/12 octave: "
    "version 2 has a tolerance that grows with the width.",
)
def evidence_by_fixed_tolerance(
    feature: PeakOrDip,
    frequency: ArrayLike,
    curves: Mapping[str, ArrayLike],
    level: ArrayLike | None = None,
    planes: Sequence[str] = (),
    angles: ArrayLike = (),
    others: Sequence[PeakOrDip] = (),  # noqa: ARG001 - all versions have the same parameters
    criteria: Criteria = DEFAULT_CRITERIA,  # noqa: ARG001
) -> DeviationEvidence:
    """Find the curves and directions that have a peak or dip by the rules of version 1.

    The tolerance is 1/12 octave for all widths, neighbours are not subtracted, and directions behind are not used.
    Parameters, result and errors are those of :func:`evidence_of`.
    """
    grid, names, tolerance, share, front = check_grid(frequency), list(curves), 1.0 / 12.0, 0.5, 60.0
    array, degrees = _checked_levels(level, planes, angles, grid)
    width = feature.width_octaves
    window = FitWindow(SEARCH, min(max(0.25, width), 1.0), min(max(0.5, 2.0 * width), 2.0) + SEARCH)

    def fitted(levels: Floats) -> tuple[PlacedFits, Booleans]:
        fits = best_fits(fit_shape(*levels_around(grid, levels, feature, window), feature, window))
        return fits, np.abs(fits.shift) <= tolerance + 1e-9

    in_curve, near = fitted(np.stack([np.asarray(curves[name], dtype=np.float64) for name in names]))
    height, own = np.where(near, in_curve.height, in_curve.centre_height), feature.height_db
    if feature.curve in names and in_curve.height[names.index(feature.curve)] * own > 0:
        own = float(in_curve.height[names.index(feature.curve)])
    there = near & (in_curve.height / own >= share)
    usable = np.flatnonzero(~np.isnan(in_curve.shift))
    counts, listed, variation, shifts = {}, {}, {}, []
    for plane, orbit in zip(planes, array, strict=False):
        fits, near = fitted(orbit)
        seen, high = ~np.isnan(fits.shift), fits.height / own >= share
        in_front = seen & (np.abs(degrees) <= front + SAME_ANGLE)
        counts[plane] = int((near & high & in_front).sum()), int(in_front.sum())
        listed[plane] = tuple(sorted(degrees[seen & near & high].tolist()))
        if in_front.sum() > 1:
            variation[plane] = float(np.std(fits.centre_height[in_front]))
        shifts += np.abs(fits.shift[in_front & high]).tolist()
    return DeviationEvidence(
        {names[row]: float(height[row]) for row in usable},
        {names[row]: float(in_curve.shift[row]) for row in usable},
        tuple(names[row] for row in usable if there[row]),
        counts,
        listed,
        variation,
        max(shifts, default=None),
        tolerance,
        SEARCH,
    )


@method(
    "deviation-evidence",
    version=2,
    title="Curves and directions that a peak or dip is in, in front and behind",
    formula="In each curve and direction, the height of the same shape that fits together with a line, after "
    "subtraction of narrower neighbours, at the smallest shift that has 9/10 of the merit of the best shift or leaves "
    "at most a tenth of the height; a resonance added with a phase may have another phase there; it is there with half "
    "the height or more, at most 1/12 octave or a quarter of its width away, and in the curve in which it was found; a "
    "shape of an octave or more is also searched behind",
    source="least squares height of the same shape with a line through the surroundings, within its width to both "
    "sides, at shifts up to 1/3 octave or half its width",
    source_status="common practice, no source",
    limitations="A shape of less height or further away counts as another one. Another peak nearby may be taken for "
    "it. The criteria are our own, and can be chosen. A direction 40 dB below the loudest is not used, nor one behind "
    "with levels more uneven than half the height.",
)
def evidence_of(
    feature: PeakOrDip,
    frequency: ArrayLike,
    curves: Mapping[str, ArrayLike],
    level: ArrayLike | None = None,
    planes: Sequence[str] = (),
    angles: ArrayLike = (),
    others: Sequence[PeakOrDip] = (),
    criteria: Criteria = DEFAULT_CRITERIA,
) -> DeviationEvidence:
    """Find the other curves and the directions that have a peak or dip.

    Parameters
    ----------
    feature : PeakOrDip
        The peak or dip.
    frequency : array_like, shape (n,)
        Hz, ascending; without steep roll-offs.
    curves : mapping of str to array_like, shape (n,)
        dB.
    level : array_like, shape (plane, angle, n), optional
        Levels of the directions in dB. Without them no directions are examined.
    planes : sequence of str
        "horizontal", "vertical" or both.
    angles : array_like
        Degrees.
    others : sequence of PeakOrDip, optional
        Other peaks and dips. Those nearby that are not wider are subtracted, as high as they are in each curve and
        direction.
    criteria : Criteria
        Limits of height and distance.

    Returns
    -------
    DeviationEvidence
        A curve or direction without a value around the centre is left out.

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    grid, names = check_grid(frequency), list(curves)
    array, degrees = _checked_levels(level, planes, angles, grid)
    window, tolerance = _search_of(feature, criteria)
    octaves, rows = levels_around(
        grid, np.stack([np.asarray(curves[name], dtype=np.float64) for name in names]), feature, window
    )
    fits = nearest_good_fits(fit_shape(octaves, rows, feature, window, others))
    near = np.abs(fits.shift) <= tolerance + 1e-9
    height = np.where(near, fits.height, fits.centre_height)
    # Heights are compared with the fit in its own curve, in which neighbours are subtracted in the same way.
    own, home = feature.height_db, names.index(feature.curve) if feature.curve in names else None
    if (
        home is not None
        and fits.centre_height[home] * own > 0
        and abs(fits.centre_height[home]) >= criteria.height_share * abs(own)
    ):
        own = float(fits.centre_height[home])
    there = near & (fits.height / own >= criteria.height_share)
    height, shift = height * (feature.height_db / own), fits.shift.copy()
    if home is not None:
        # It was found in this curve, whatever the fit beside neighbours is.
        height[home], there[home], shift[home] = feature.height_db, True, 0.0
    usable = [row for row in range(len(names)) if not np.isnan(shift[row])]
    directions = _Directions()
    if level is not None:
        directions.check_receipt(feature, grid, array, planes, degrees, others, criteria, own)
    return DeviationEvidence(
        height_by_curve_db={names[row]: float(height[row]) for row in usable},
        shift_by_curve_octaves={names[row]: float(shift[row]) for row in usable},
        in_curves=tuple(names[row] for row in usable if there[row]),
        directions_by_plane=directions.front,
        angles_by_plane=directions.angles,
        variation_by_plane_db=directions.variation_db,
        largest_shift_octaves=max(directions.shifts, default=None),
        tolerance_octaves=tolerance,
        search_octaves=window.search,
        rear_by_plane=directions.rear,
        weak_rear_directions=directions.weak,
        uneven_rear_directions=directions.uneven,
    )


def _search_of(feature: PeakOrDip, criteria: Criteria) -> tuple[FitWindow, float]:
    """Return the windows of the fits and the tolerance in octaves; both grow with the width.

    In a window narrower than the shape, the line of the fit would take up most of the shape.
    """
    width = feature.width_octaves
    tolerance = max(criteria.tolerance, criteria.tolerance_by_width * width)
    search = max(SEARCH, SEARCH_BY_WIDTH * width, tolerance)
    half = min(max(0.25, width), 2.0)
    return FitWindow(search, half, half + search), tolerance


@dataclass
class _Directions:
    """The part of :class:`DeviationEvidence` that comes from single directions."""

    front: dict[str, tuple[int, int]] = field(default_factory=dict)
    angles: dict[str, tuple[float, ...]] = field(default_factory=dict)
    variation_db: dict[str, float] = field(default_factory=dict)
    shifts: list[float] = field(default_factory=list)
    rear: dict[str, tuple[int, int]] = field(default_factory=dict)
    weak: int = 0
    uneven: int = 0

    def check_receipt(
        self,
        feature: PeakOrDip,
        grid: Floats,
        level: Floats,
        planes: Sequence[str],
        degrees: Floats,
        others: Sequence[PeakOrDip],
        criteria: Criteria,
        own: float,
    ) -> None:
        """Search all directions for a feature; `own` is the height in dB that heights are compared with."""
        window, tolerance = _search_of(feature, criteria)
        front = np.abs(degrees) <= criteria.front + SAME_ANGLE
        rear = np.abs(degrees) >= criteria.behind - SAME_ANGLE
        around = [levels_around(grid, orbit, feature, window) for orbit in level]
        loud = _loud_enough(around, feature, window, criteria.max_drop)
        for row, plane in enumerate(planes):
            fits = nearest_good_fits(fit_shape(*around[row], feature, window, others))
            seen = ~np.isnan(fits.shift) & loud[row]
            high = fits.height / own >= criteria.height_share
            there = seen & (np.abs(fits.shift) <= tolerance + 1e-9) & high
            self.front[plane] = int((there & front).sum()), int((seen & front).sum())
            self.angles[plane] = tuple(sorted(float(angle) for angle in degrees[there]))
            if (seen & front).sum() > 1:
                self.variation_db[plane] = float(np.std(fits.centre_height[seen & front]))
            self.shifts += np.abs(fits.shift[seen & front & high]).tolist()
            if feature.width_octaves >= criteria.broad:
                usable = seen & rear & (fits.residual <= criteria.uneven_behind * abs(own))
                self.rear[plane] = int((there & usable).sum()), int(usable.sum())
                self.weak += int((rear & ~np.isnan(fits.shift) & ~loud[row]).sum())
                self.uneven += int((seen & rear & ~usable).sum())


def _loud_enough(
    around: Sequence[tuple[Floats, Floats]], feature: PeakOrDip, window: FitWindow, max_drop: float
) -> list[Booleans]:
    """Return for each orbit which directions are at most `max_drop` dB below the loudest one around the centre."""
    largest = []
    for octaves, rows in around:
        near = rows[:, np.abs(octaves - np.log2(feature.centre_hz)) <= window.half]
        largest.append(np.max(np.where(np.isnan(near), -np.inf, near), axis=1, initial=-np.inf))
    loudest = max((float(levels.max(initial=-np.inf)) for levels in largest), default=-np.inf)
    return [(levels >= loudest - max_drop) & np.isfinite(levels) for levels in largest]
