"""Checks of 0° and 180°, the directions that both planes have: level, arrival, and the distance law."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.directivity import arrivals as arrival_methods
from anechain.acoustics.directivity import orbit_checks
from anechain.arrays import Floats
from anechain.data.checks import Check, check_not_possible, check_result
from anechain.importing.response_checks.orbit import NO_ARRIVAL, arrivals_of, band_levels

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["check_shared_directions"]

MIN_DISTANCE_DIFFERENCE = 0.05
"""Relative difference above which two distances count as different."""
ONE_DISTANCE = "one distance only"


@dataclass(frozen=True)
class _TwoTakes:
    """Takes of one direction on the horizontal and on the vertical orbit.

    Attributes
    ----------
    horizontal, vertical : numpy.ndarray, shape (bands,)
        Levels in dB.
    arrivals : (float, float) or None
        Seconds on both orbits; None if one of them is unknown.
    """

    horizontal: Floats
    vertical: Floats
    arrivals: tuple[float, float] | None


def check_shared_directions(responses: xr.Dataset) -> tuple[Check, Check, Check]:
    """Return the checks `pole-level`, `pole-arrival` and `distance-law`."""
    takes = {} if responses.sizes["plane"] < 2 else _takes_of_both_planes(responses)
    if not takes:
        reason = "one orbit only"
        if responses.sizes["plane"] >= 2:
            reason = "0° and 180° are on one orbit only, or have the same values on both"
        return (
            check_not_possible("pole-level", reason),
            check_not_possible("pole-arrival", reason),
            check_not_possible("distance-law", ONE_DISTANCE),
        )
    rms_values: list[tuple[str, float]] = []
    means, times = {}, {}
    for direction, take in takes.items():
        rms, means[direction] = orbit_checks.pole_difference(take.horizontal, take.vertical)
        rms_values.append((direction, rms))
        if take.arrivals is not None:
            times[direction] = take.arrivals
    levels = ", ".join(
        f"{direction}: {rms:.2f} dB r.m.s., {means[direction]:+.2f} dB in the mean" for direction, rms in rms_values
    )
    level_check = check_result("pole-level", f"horizontal against vertical, {levels}", rms_values)
    if not times:
        return (
            level_check,
            check_not_possible("pole-arrival", NO_ARRIVAL),
            check_not_possible("distance-law", ONE_DISTANCE),
        )
    differences = {direction: 1e3 * (first - second) for direction, (first, second) in times.items()}
    delays = ", ".join(f"{direction}: {difference:+.3f} ms" for direction, difference in differences.items())
    arrival_check = check_result(
        "pole-arrival",
        f"horizontal later than vertical by {delays}",
        [(direction, 1e3 * abs(first - second)) for direction, (first, second) in times.items()],
    )
    return level_check, arrival_check, _check_distance_law(means, times)


def _check_distance_law(means: dict[str, float], times: dict[str, tuple[float, float]]) -> Check:
    """Compare level differences with those that follow from the arrivals by the distance law."""
    pairs = {
        direction: pair
        for direction, pair in times.items()
        if min(pair) > 0 and max(pair) / min(pair) > 1 + MIN_DISTANCE_DIFFERENCE
    }
    if not pairs:
        return check_not_possible("distance-law", ONE_DISTANCE)
    errors = [
        (direction, abs(arrival_methods.distance_law_error(means[direction], *pair)))
        for direction, pair in pairs.items()
    ]
    levels = ", ".join(
        f"{direction}: {means[direction]:+.2f} dB, by the law {20 * math.log10(pair[1] / pair[0]):+.2f} dB"
        for direction, pair in pairs.items()
    )
    return check_result("distance-law", f"horizontal minus vertical, {levels}", errors)


def _takes_of_both_planes(responses: xr.Dataset) -> dict[str, _TwoTakes]:
    """Return the takes of 0° and of 180°, where both orbits have their own."""
    ordered = responses.transpose("plane", "angle", "frequency", ...)
    angle = np.asarray(ordered["angle"].values, np.float64)
    frequency = np.asarray(ordered["frequency"].values, np.float64)
    low = max(20.0, float(responses.attrs.get("valid_low", 0.0)))
    high = min(20000.0, float(responses.attrs.get("valid_high", math.inf)), float(frequency[-1]))
    takes = {}
    for pole in (0.0, 180.0):
        rows = np.flatnonzero(angle == pole)
        if not rows.size or not np.asarray(ordered["measured"].values)[:, rows[0]].all():
            continue
        level = np.asarray(ordered["level"].values, np.float64)[:, rows[0]]
        # With equal values the importer used one take for both orbits.
        if np.array_equal(level[0], level[1], equal_nan=True):
            continue
        _, levels = band_levels(frequency, level, low, high)
        arrivals, all_arrivals = None, arrivals_of(ordered, frequency)
        if all_arrivals is not None:
            first, second = all_arrivals[:2, rows[0]]
            arrivals = (float(first), float(second)) if np.isfinite([first, second]).all() else None
        takes[f"{pole:g}°"] = _TwoTakes(levels[0], levels[1], arrivals)
    return takes
