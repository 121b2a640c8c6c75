"""Evidence for the cause of a peak or dip: in which other curves and in which directions it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from anechain.acoustics.curve.frequencies import check_grid
from anechain.acoustics.curve.peak_shapes import PeakOrDip
from anechain.acoustics.directivity.common_poles import CommonPole
from anechain.acoustics.directivity.deviation_criteria import DEFAULT_CRITERIA, Criteria
from anechain.acoustics.directivity.directions import wrap_angle
from anechain.acoustics.directivity.pole_evidence import residual_shares
from anechain.acoustics.directivity.shape_fits import (
    SEARCH,
    FitWindow,
    fit_shape,
    levels_around,
    nearest_good_fits,
)
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["SAME_ANGLE", "Booleans", "DeviationEvidence", "checked_levels", "evidence_of"]

Booleans = NDArray[np.bool_]

SEARCH_BY_WIDTH = 0.5
"""Distance over which a wide shape is searched, as a share of its width."""

SAME_ANGLE = 0.01
"""Degrees by which an angle may differ from a limit and still be inside."""


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
    pole_residual_by_plane : dict of str to (float, float)
        By orbit: what fits with one centre and one Q leave in the directions within 60 degrees, as a share of the
        feature and in dB; see :func:`anechain.acoustics.directivity.pole_evidence.residual_shares`.
    excess_turn_deg : float or None
        Degrees by which the excess phase on the axis changes over the width of the feature; None if the phase is not
        known.
    common_pole : CommonPole or None
        Resonance of the front directions at this place, see
        :func:`anechain.acoustics.directivity.common_poles.common_poles`; None if there is none.
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
    pole_residual_by_plane: dict[str, tuple[float, float]] = field(default_factory=dict)
    excess_turn_deg: float | None = None
    common_pole: CommonPole | None = None


def checked_levels(
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


@method(
    "deviation-evidence",
    version=3,
    title="Curves and directions that a peak or dip is in, in front and behind",
    formula="In each curve and direction, the height of the same shape that fits together with a line, after "
    "subtraction of narrower neighbours, at the smallest shift that has 9/10 of the merit of the best shift or leaves "
    "at most a tenth of the height; a resonance added with a phase may have another phase there; it is there with half "
    "the height or more, at most 1/12 octave or a quarter of its width away, and in its own curve; a "
    "shape of an octave or more is also searched behind; the residual of fits with one centre and one Q to the front "
    "directions; the change of excess phase on the axis over the width",
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
    excess: tuple[Floats, Floats] | None = None,
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
    excess : (numpy.ndarray, numpy.ndarray), optional
        log2 of Hz and excess phase on the axis in radians, see :func:`anechain.acoustics.phase.excess_phase`.

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
    array, degrees = checked_levels(level, planes, angles, grid)
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
        # It was detected in this curve, whatever its fit next to neighbours is.
        height[home], there[home], shift[home] = feature.height_db, True, 0.0
    usable = [row for row in range(len(names)) if not np.isnan(shift[row])]
    directions = _Directions()
    residuals: dict[str, tuple[float, float]] = {}
    if level is not None:
        directions.search(feature, grid, array, planes, degrees, others, criteria, own)
        residuals = residual_shares(feature, grid, array, planes, degrees, others, criteria)
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
        pole_residual_by_plane=residuals,
        excess_turn_deg=None if excess is None else _turn_over_width(feature, *excess),
    )


def _turn_over_width(feature: PeakOrDip, octaves: Floats, excess: Floats) -> float:
    """Return by how many degrees the excess phase changes over the width of a feature, at least 1/5 octave."""
    centre, half = np.log2(feature.centre_hz), max(feature.width_octaves, 0.2) / 2
    low, high = np.interp([centre - half, centre + half], octaves, excess)
    return float(np.rad2deg(abs(high - low)))


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

    def search(
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
