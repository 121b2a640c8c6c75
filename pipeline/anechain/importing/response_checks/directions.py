"""Checks that compare the levels of directions: symmetry, steps between neighbours, swapped files, wrong labels."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from anechain.acoustics.directivity import misplaced_directions, orbit_checks
from anechain.acoustics.directivity.symmetry import SYMMETRIES
from anechain.arrays import Floats
from anechain.data.checks import Check, Series, check_not_possible, check_result
from anechain.importing.response_checks.orbit import HIGHEST, LOWEST, MIN_BANDS, Orbit

__all__ = ["check_levels_of_directions", "check_mirror"]

MIN_DIRECTIONS = 7
"""Smallest number of directions of an orbit whose levels are compared."""
TOO_FEW_BANDS = f"fewer than {MIN_BANDS} bands between {LOWEST:g} and {HIGHEST:g} Hz"

SWAP_RATIO = 0.65
"""Ratio of the roughness after and before an exchange below which two directions count as swapped."""
MAX_MISFIT_RATIO = 0.5
"""Largest ratio of the misfits at a better angle and at the label."""
MIN_MISFIT = 0.25
"""Smallest misfit in dB of a direction that is compared with other angles."""
MIN_MISFIT_TO_MEDIAN = 2.5
"""The same, as a ratio to the median misfit of the orbit. These three limits are common practice, no source."""
MAX_WRONG_LABELS = 4
"""Largest number of wrong labels that are reported for an orbit."""


def check_mirror(orbits: list[Orbit], symmetry: Collection[str] = ()) -> Check:
    """Compare directions to the left with those to the right; up and down only if that symmetry is declared."""
    declared = [SYMMETRIES[name] for name in symmetry]
    compared = [orbit for orbit in orbits if orbit.plane in {"horizontal", *declared}]
    if not compared:
        return check_not_possible("mirror", "no horizontal orbit")
    values: list[tuple[str, float]] = []
    texts, reasons, lines = [], [], []
    bands: Floats = np.zeros(0)
    for orbit in compared:
        found, reason = _mirror_pairs(orbit)
        if found is None:
            reasons.append(reason if len(compared) == 1 else f"{orbit.plane}: {reason}")
            continue
        angle, difference = found
        rms_of_pair = np.sqrt((difference**2).mean(axis=1))
        worst = int(np.argmax(rms_of_pair))
        sides = "left minus right" if orbit.plane == "horizontal" else "up minus down"
        texts.append(
            f"{f'{orbit.plane}, declared symmetric: ' if orbit.plane in declared else ''}"
            f"{np.median(rms_of_pair):.2f} dB r.m.s. in the median of {angle.size} pairs, largest at "
            f"±{angle[worst]:g}° ({rms_of_pair[worst]:.2f} dB); {sides} {np.median(difference):+.2f} dB in the median"
        )
        values += [
            (f"{orbit.plane} ±{degrees:g}°", float(rms)) for degrees, rms in zip(angle, rms_of_pair, strict=True)
        ]
        if not bands.size or np.array_equal(bands, orbit.bands):
            bands = orbit.bands
            name = "all angles" if len(compared) == 1 else orbit.plane
            lines.append((name, tuple(np.sqrt((difference**2).mean(axis=0)).tolist())))
    if not values:
        return check_not_possible("mirror", "; ".join(reasons))
    series = Series("Frequency in Hz", "Difference in dB", tuple(bands.tolist()), tuple(lines), log=True)
    return check_result("mirror", "; ".join([*texts, *reasons]), values, series)


def _mirror_pairs(orbit: Orbit) -> tuple[tuple[Floats, Floats] | None, str]:
    """Return angles and differences of the mirrored directions of an orbit, or why there are none."""
    if orbit.bands.size < MIN_BANDS:
        return None, TOO_FEW_BANDS
    angle, difference = orbit_checks.mirror_differences(orbit.angle, orbit.level)
    return ((angle, difference), "") if angle.size else (None, "no direction has a mirrored one")


def check_levels_of_directions(orbits: list[Orbit]) -> tuple[Check, Check, Check]:
    """Return the checks `neighbours`, `swapped` and `label` of all orbits that have enough directions."""
    enough = [orbit for orbit in orbits if orbit.angle.size >= MIN_DIRECTIONS]
    usable = [orbit for orbit in enough if orbit.bands.size >= MIN_BANDS]
    if not usable:
        reason = TOO_FEW_BANDS if enough else "fewer than seven directions on an orbit"
        return (
            check_not_possible("neighbours", reason),
            check_not_possible("swapped", reason),
            check_not_possible("label", reason),
        )
    return _check_neighbours(usable), _check_swapped(usable), _check_labels(usable)


def _check_neighbours(orbits: list[Orbit]) -> Check:
    values: list[tuple[str, float]] = []
    lines: list[tuple[str, tuple[float | None, ...]]] = []
    texts = []
    angles = sorted({float(angle) for orbit in orbits for angle in orbit.angle})
    for orbit in orbits:
        median, excess = orbit_checks.neighbour_differences(orbit.angle, orbit.level)
        size = np.abs(excess)
        if not np.isfinite(size).any():
            continue
        # A wrong level also affects the differences of its neighbours: only the largest of five is reported.
        for row in range(size.size):
            around = size[np.arange(row - 2, row + 3) % size.size]
            if np.isfinite(size[row]) and size[row] >= np.nanmax(around):
                values.append((orbit.direction_text(row), float(size[row])))
        worst = int(np.nanargmax(size))
        texts.append(f"{orbit.plane}: largest at {orbit.angle[worst]:g}° ({median[worst]:+.2f} dB)")
        size_at = {float(angle): float(step) for angle, step in zip(orbit.angle, size, strict=True)}
        lines.append((orbit.plane, tuple(size_at.get(angle) for angle in angles)))
    if not values:
        return check_not_possible("neighbours", "no direction has neighbours within 30°")
    series = Series("Angle in degrees", "Step in dB", tuple(angles), tuple(lines))
    return check_result("neighbours", f"median over bands, {'; '.join(texts)}", values, series)


def _check_swapped(orbits: list[Orbit]) -> Check:
    values, texts = [], []
    for orbit in orbits:
        try:
            swap = misplaced_directions.best_swap(orbit.angle, orbit.level)
        except ValueError:
            continue
        reduction = max(100 * (1 - swap.after / swap.before) if swap.before > 0 else 0.0, 0.0)
        pair = f"{orbit.plane} {orbit.angle[swap.first]:g}° and {orbit.angle[swap.second]:g}°"
        values.append((pair, reduction))
        texts.append(f"exchanging {pair} would reduce the roughness by {reduction:.0f} %")
    if not values:
        return check_not_possible("swapped", "too few directions with neighbours within 30°")
    return check_result("swapped", f"at best, {'; '.join(texts)}", values)


def _levels_without_swap(orbit: Orbit) -> Floats:
    """Return the levels with two swapped directions exchanged, so that the check of labels does not report them too."""
    try:
        swap = misplaced_directions.best_swap(orbit.angle, orbit.level)
    except ValueError:
        return orbit.level
    level = orbit.level.copy()
    if swap.after < SWAP_RATIO * swap.before:
        level[[swap.first, swap.second]] = level[[swap.second, swap.first]]
    return level


def _check_labels(orbits: list[Orbit]) -> Check:
    values, texts = [], []
    checked = 0
    for orbit in orbits:
        angle, level = orbit.angle, _levels_without_swap(orbit)
        for _ in range(MAX_WRONG_LABELS):
            estimates = {}
            for row in range(angle.size):
                try:
                    estimates[row] = misplaced_directions.best_angle(angle, level, row)
                except ValueError:
                    continue
            if angle.size == orbit.angle.size:
                checked += len(estimates)
            min_misfit = 0.0
            if estimates:
                median = float(np.median([estimate.here for estimate in estimates.values()]))
                min_misfit = max(MIN_MISFIT, MIN_MISFIT_TO_MEDIAN * median)
            wrong = [
                (estimate.here, row)
                for row, estimate in estimates.items()
                if estimate.here > min_misfit and estimate.there < MAX_MISFIT_RATIO * estimate.here
            ]
            if not wrong:
                break
            # The worst direction is removed and the others are checked again: it affects the misfits of its neighbours.
            row = max(wrong)[1]
            estimate, direction = estimates[row], f"{orbit.plane} {angle[row]:g}°"
            values.append((direction, abs(float((estimate.angle - angle[row] + 180) % 360 - 180))))
            texts.append(
                f"{direction} fits at {estimate.angle:g}° ({estimate.there:.2f} dB off, {estimate.here:.2f} dB here)"
            )
            angle, level = np.delete(angle, row), np.delete(level, row, axis=0)
    if not checked:
        return check_not_possible("label", "no direction has neighbours within 30°")
    if not texts:
        return check_result("label", f"none of {checked} directions fits clearly better at another angle")
    return check_result("label", "; ".join(texts), values)
