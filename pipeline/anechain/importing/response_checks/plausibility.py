"""Checks of whether responses can be those of a loudspeaker: units, scale, band, copied directions, stronger side."""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.curve.segments import mean_power_level, segment_in_band
from anechain.arrays import Floats
from anechain.data.checks import Check, check_not_possible, check_result

if TYPE_CHECKING:
    import xarray as xr

    from anechain.campaign.file import StrongerSide

__all__ = ["check_plausibility"]

AUDIBLE = (20.0, 20000.0)
"""Hz."""
MEAN_BAND = (300.0, 3000.0)
"""Band in Hz of the sensitivity, as far as the data cover it; common practice, no source."""
USUAL_SENSITIVITY = 87.5
"""dB at 1 m and 2.83 V: the middle of 70 to 105 dB, where nearly all loudspeakers are; common practice, no source."""
MIN_OCTAVES = 5.0
"""Width of the data in octaves from which the range of their levels is judged; common practice, no source."""
MIN_SIDE_PAIRS = 3
"""Smallest number of mirrored pairs of directions for the stronger side."""


def check_plausibility(responses: xr.Dataset, stronger_side: StrongerSide | None = None) -> tuple[Check, ...]:
    """Check whether the responses can be those of a loudspeaker with the stated setup.

    Parameters
    ----------
    responses : xarray.Dataset
        According to the contract `responses`, before a declared symmetry is applied.
    stronger_side : StrongerSide, optional
        The side to which the device radiates more, as the campaign declares it.

    Returns
    -------
    tuple of Check
        "frequency-range", "declared-band", "level-range", "sensitivity-range", "copied-takes",
        "copied-directions", "stronger-side".
    """
    ordered = responses.transpose("plane", "angle", "frequency", ...)
    frequency = np.asarray(ordered["frequency"].values, np.float64)
    level = np.asarray(ordered["level"].values, np.float64)
    measured = np.asarray(ordered["measured"].values).astype(np.bool_)
    known = np.where(measured[..., np.newaxis], level, np.nan)
    return (
        _frequency_range(frequency),
        _declared_band(frequency, known, responses.attrs),
        _level_range(frequency, known, np.asarray(ordered["angle"].values, np.float64)),
        _sensitivity_range(ordered, frequency, known),
        _copied_takes(responses),
        _copied_directions(ordered, known),
        _stronger_side(ordered, frequency, known, stronger_side),
    )


def _frequency_range(frequency: Floats) -> Check:
    low, high = max(float(frequency[0]), AUDIBLE[0]), min(float(frequency[-1]), AUDIBLE[1])
    octaves = math.log2(high / low) if high > low else 0.0
    found = f"data from {frequency[0]:g} to {frequency[-1]:g} Hz: {octaves:.1f} octaves of the audible range"
    if octaves == 0:
        found += "; frequencies may be in another unit"
    return check_result("frequency-range", found, [("all directions", octaves)])


def _declared_band(frequency: Floats, known: Floats, attributes: dict[str, float]) -> Check:
    """Compare the band that is declared as valid with the band in which there are levels."""
    low, high = attributes.get("valid_low"), attributes.get("valid_high")
    if low is None or high is None:
        return check_not_possible("declared-band", "no valid band is declared")
    has_level = np.isfinite(known).any(axis=(0, 1))
    if not has_level.any():
        return check_not_possible("declared-band", "there is no level")
    first, last = float(frequency[has_level][0]), float(frequency[has_level][-1])
    lacking = max(0.0, math.log2(first / float(low))), max(0.0, math.log2(float(high) / last))
    found = f"declared {low:g} to {high:g} Hz, levels from {first:g} to {last:g} Hz"
    places = [(f"below {first:g} Hz", lacking[0]), (f"above {last:g} Hz", lacking[1])]
    return check_result("declared-band", found, places)


def _level_range(frequency: Floats, known: Floats, angle: Floats) -> Check:
    octaves = math.log2(frequency[-1] / max(float(frequency[0]), 1e-9))
    if octaves < MIN_OCTAVES:
        return check_not_possible("level-range", f"the data cover {octaves:.1f} octaves, fewer than {MIN_OCTAVES:g}")
    if not np.isfinite(known[:, np.abs(angle) >= 90]).any():
        return check_not_possible("level-range", "no direction at 90° or more was measured")
    lowest, highest = float(np.nanmin(known)), float(np.nanmax(known))
    found = f"levels from {lowest:.1f} to {highest:.1f} dB over all frequencies and directions"
    return check_result("level-range", found, [("all directions", highest - lowest)])


def _sensitivity_range(responses: xr.Dataset, frequency: Floats, known: Floats) -> Check:
    attributes = responses.attrs
    if attributes.get("level_kind") != "spl":
        return check_not_possible("sensitivity-range", "the levels are relative")
    if "measured_distance" not in attributes or "measured_drive" not in attributes:
        return check_not_possible("sensitivity-range", "distance or drive of the levels is not stated")
    at_zero = np.flatnonzero(responses["angle"].values == 0)
    rows = known[:, at_zero[0]] if at_zero.size else known[:0, 0]
    rows = rows[np.isfinite(rows).any(axis=-1)]
    if not rows.shape[0]:
        return check_not_possible("sensitivity-range", "the reference axis was not measured")
    segment = segment_in_band(frequency, rows[0], *MEAN_BAND)
    if segment.reason:
        finite = np.isfinite(rows[0])
        level = float(10 * np.log10(np.mean(10 ** (rows[0][finite] / 10))))
    else:
        level = mean_power_level(segment)
    found = f"{level:.1f} dB on the axis at 1 m and 2.83 V"
    return check_result("sensitivity-range", found, [("on axis", abs(level - USUAL_SENSITIVITY))])


def _copied_takes(responses: xr.Dataset) -> Check:
    if "takes" not in responses:
        return check_not_possible("copied-takes", "one take of each direction")
    copies = str(responses.attrs.get("copied_takes", "")).splitlines()
    found = f"{int(responses['takes'].sum())} takes, {len(copies)} with the levels of another"
    return check_result("copied-takes", found, [(copy, 1.0) for copy in copies])


def _copied_directions(responses: xr.Dataset, known: Floats) -> Check:
    """Find directions of a plane with the same levels, except where all of them are alike left and right."""
    values: list[tuple[str, float]] = []
    compared = 0
    for row, plane in enumerate(responses["plane"].values):
        angles = np.asarray(responses["angle"].values, np.float64)
        rows = np.flatnonzero(np.isfinite(known[row]).any(axis=-1))
        compared += rows.size
        groups: dict[bytes, list[float]] = {}
        for index in rows:
            groups.setdefault(known[row, index].tobytes(), []).append(float(angles[index]))
        pairs = {abs(a) for a in angles[rows] if 0 < abs(a) < 180 and -a in angles[rows]}
        mirrored = {abs(each[0]) for each in groups.values() if len(each) == 2 and each[0] == -each[1]}
        # A simulation of a symmetric device has the same numbers to the left and to the right, but then everywhere.
        all_mirrored = bool(pairs) and mirrored == pairs
        for each in groups.values():
            is_mirror = len(each) == 2 and each[0] == -each[1]
            if len(each) > 1 and not (is_mirror and all_mirrored):
                text = ", ".join(f"{angle:g}°" for angle in each)
                values.append((f"{plane} {text}", float(len(each) - 1)))
    if compared < 2:
        return check_not_possible("copied-directions", "one direction")
    found = f"{compared} directions, {sum(int(number) for _, number in values)} with the levels of another"
    return check_result("copied-directions", found, values)


def _stronger_side(responses: xr.Dataset, frequency: Floats, known: Floats, declared: StrongerSide | None) -> Check:
    """Compare the mean level of both sides with the side that is declared as the stronger one."""
    if declared is None:
        return check_not_possible("stronger-side", "no stronger side is declared")
    plane = "horizontal" if declared.side in ("left", "right") else "vertical"
    planes: Collection[str] = [str(name) for name in responses["plane"].values]
    if plane not in planes:
        return check_not_possible("stronger-side", f"no {plane} orbit")
    angles = np.asarray(responses["angle"].values, np.float64)
    inside = (frequency >= declared.band[0]) & (frequency <= declared.band[1])
    rows = known[list(planes).index(plane)][:, inside]
    differences = []
    for index in np.flatnonzero((angles > 0) & (angles <= 90)):
        other = np.flatnonzero(angles == -angles[index])
        if other.size and inside.any():
            differences.append(np.nanmean(rows[index] - rows[other[0]]) if np.isfinite(rows[index]).any() else np.nan)
    differences = [each for each in differences if np.isfinite(each)]
    if len(differences) < MIN_SIDE_PAIRS:
        return check_not_possible("stronger-side", f"fewer than {MIN_SIDE_PAIRS} pairs of directions up to 90°")
    # Positive angles are to the left and upwards.
    stronger = float(np.mean(differences)) * (1.0 if declared.side in ("left", "up") else -1.0)
    found = (
        f"{declared.side} is {stronger:+.2f} dB re the other side, {declared.band[0]:g} to {declared.band[1]:g} Hz, "
        f"mean of {len(differences)} pairs; declared: {declared.side} is stronger"
    )
    return check_result("stronger-side", found, [(plane, -stronger)])
