"""Version 1 of the evidence for the cause of a peak or dip: one tolerance for all widths."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_grid
from anechain.acoustics.curve.peak_shapes import PeakOrDip
from anechain.acoustics.directivity.deviation_criteria import DEFAULT_CRITERIA, Criteria
from anechain.acoustics.directivity.deviation_evidence import SAME_ANGLE, Booleans, DeviationEvidence, checked_levels
from anechain.acoustics.directivity.shape_fits import (
    SEARCH,
    FitWindow,
    PlacedFits,
    best_fits,
    fit_shape,
    levels_around,
)
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["evidence_by_fixed_tolerance"]


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
    excess: tuple[Floats, Floats] | None = None,  # noqa: ARG001
) -> DeviationEvidence:
    """Find the curves and directions that have a peak or dip by the rules of version 1.

    The tolerance is 1/12 octave for all widths, neighbours are not subtracted, and directions behind are not used.
    Parameters, result and errors are those of
    :func:`anechain.acoustics.directivity.deviation_evidence.evidence_of`.
    """
    grid, names, tolerance, share, front = check_grid(frequency), list(curves), 1.0 / 12.0, 0.5, 60.0
    array, degrees = checked_levels(level, planes, angles, grid)
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
