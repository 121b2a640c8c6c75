"""From levels on a grid of directions to the two orbits and the sphere: what importers of whole fields end with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.acoustics.directivity.directions import PLANES, orbit_vectors, spherical, wrap_angle
from anechain.acoustics.directivity.sphere import (
    SAME_DIRECTION,
    interpolate_sphere,
    largest_gap,
    solid_angle_weights,
    unique_directions,
)
from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.importing.assemble import Curve, assemble_responses, assemble_sphere

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "Grid",
    "datasets_of_grid",
    "nearest_directions",
    "orbit_angles",
    "some_of",
    "sphere_of_grid",
    "without_repeats",
]


@dataclass(frozen=True)
class Grid:
    """Curves all around a loudspeaker.

    Attributes
    ----------
    vectors : numpy.ndarray, shape (directions, 3)
        In our frame: +x the reference axis, +y to the left, +z up; of any length but zero.
    frequency : numpy.ndarray
        Hz, rising.
    level : numpy.ndarray, shape (directions, frequencies)
        dB; NaN where there is no value.
    phase : numpy.ndarray or None
        Degrees, of the same shape.
    names : sequence of str
        Words for each direction, for messages.
    """

    vectors: Floats
    frequency: Floats
    level: Floats
    phase: Floats | None
    names: Sequence[str]


def orbit_angles(step: float) -> Floats:
    """Angles in (-180, 180] of an orbit in steps that divide 180 degrees, rising."""
    angles = wrap_angle(np.arange(0, 360, step))
    return np.asarray(np.round(angles[np.argsort(angles)], 9) + 0.0)


def without_repeats(curves: Sequence[Curve], report: list[str]) -> list[Curve]:
    """Curves without those that give a direction again with the very same values, as a closed orbit at 0° and 360°.

    Takes are told apart by their words, and each counts. One that differs stays, for
    :func:`anechain.importing.assemble.assemble_responses` to refuse.
    """
    kept: list[Curve] = []
    known: dict[tuple[str, float, str], Curve] = {}
    for curve in curves:
        key = (curve.plane, float(wrap_angle(round(curve.angle, 6))) + 0.0, curve.take)
        first = known.setdefault(key, curve)
        if first is curve or not np.array_equal(first.level, curve.level, equal_nan=True):
            kept.append(curve)
        else:
            report.append(f"{curve.source}: {key[0]} {key[1]:g}° given again with the same values, taken once")
    return kept


def some_of(words: Sequence[str], most: int = 72) -> str:
    """Words joined for the report, the first of them where there are many."""
    return ", ".join(words[:most]) + (f" and {len(words) - most} more" if len(words) > most else "")


def _once(grid: Grid, report: list[str], where: str) -> Grid:
    """Directions that carry data, each once."""
    empty = np.isnan(grid.level).all(axis=1)
    if empty.all():
        raise InputError.single(where, "no direction holds a value", "measured levels", "check what the options name")
    if empty.any():
        left_out = [grid.names[int(at)] for at in np.flatnonzero(empty)]
        report.append(
            f"{len(left_out)} of {empty.size} directions hold no value and are left out: {some_of(left_out, 8)}"
        )
    kept = np.flatnonzero(~empty)
    vectors, level = grid.vectors[kept], grid.level[kept]
    first, group = unique_directions(vectors)
    once = level[first].copy()
    if first.size < kept.size:
        apart = np.nan_to_num(np.abs(level - once[group]))
        for member in np.unique(group[(apart > 0).any(axis=1)]):
            once[member] = level_of_power(power_of_level(level[group == member]).mean(axis=0))
        report.append(
            f"{kept.size - first.size} directions are given again, at most {apart.max():.2f} dB from their first "
            "mention: the mean squared pressure is taken, with the phase of the first"
        )
    missing = np.isnan(once)
    for rows, words in ((missing.all(axis=0), "any"), (missing.any(axis=0) & ~missing.all(axis=0), "some")):
        if rows.any():
            listed = some_of([f"{value:.5g}" for value in grid.frequency[rows]], 6)
            report.append(f"value missing in {words} direction at {listed} Hz: kept as not measured")
    return Grid(
        vectors[first],
        grid.frequency,
        once,
        None if grid.phase is None else grid.phase[kept][first],
        [grid.names[int(kept[at])] for at in first],
    )


def datasets_of_grid(
    grid: Grid, step: float, max_gap: float, report: list[str], where: str
) -> tuple[xr.Dataset, xr.Dataset | None]:
    """Read the two orbits off a grid, and weight its directions if it covers the sphere.

    Parameters
    ----------
    grid : Grid
        Directions in any order; one given several times counts once, with its mean squared pressure.
    step : float
        Step of the orbits in degrees; 180 is a multiple of it.
    max_gap : float
        Widest hole in degrees that may be bridged, for an orbit direction or for the sphere.
    report : list of str
        Lines are added for everything interpolated, left out or missing.
    where : str
        Name for refusals.

    Returns
    -------
    responses : xarray.Dataset
        Orbit directions that the grid has (within 0.01 degrees) untouched, others interpolated in squared pressure
        and without phase.
    sphere : xarray.Dataset or None
        None if the grid has a hole wider than `max_gap`.

    Raises
    ------
    InputError
        If nothing was measured, or nothing on or around the orbits.
    """
    grid = _once(grid, report, where)
    angles = orbit_angles(step)
    targets = np.concatenate([orbit_vectors(plane, angles) for plane in PLANES])
    power, distance = interpolate_sphere(grid.vectors, power_of_level(grid.level), targets, max_gap)
    nearest = nearest_directions(grid.vectors, targets)
    curves: list[Curve] = []
    for number, plane in enumerate(PLANES):
        between, lacking = [], []
        for at, angle in enumerate(angles, start=number * angles.size):
            phase = None
            if distance[at] <= SAME_DIRECTION:
                level, source = grid.level[nearest[at]], grid.names[int(nearest[at])]
                phase = None if grid.phase is None else grid.phase[nearest[at]]
            elif np.isfinite(power[at]).any():
                level, source = level_of_power(power[at]), "interpolated"
                phase = None if grid.phase is None else np.full(grid.frequency.shape, np.nan)
                between.append(f"{angle:g}°")
            else:
                lacking.append(f"{angle:g}°")
                continue
            curves.append(Curve(plane, float(angle), grid.frequency, level, phase, f"{where}: {source}"))
        on_grid = angles.size - len(between) - len(lacking)
        report.append(f"{plane} orbit: {on_grid} of {angles.size} directions are on the grid")
        if between:
            report.append(f"{plane} orbit, interpolated in squared pressure between grid points: {some_of(between)}")
            if grid.phase is not None:
                report.append(f"{plane} orbit, phase missing at interpolated directions: it may turn between points")
        if lacking:
            report.append(f"{plane} orbit, missing (in a hole wider than {max_gap:g}°): {some_of(lacking)}")
    if not curves:
        raise InputError.single(
            where,
            "no direction of either orbit was measured",
            "directions on or around the horizontal and vertical orbits",
            "check the options for the frame and the directions",
        )
    return assemble_responses(curves, report), sphere_of_grid(grid, max_gap, report)


def nearest_directions(vectors: Floats, targets: Floats) -> NDArray[np.intp]:
    """Row of the direction that is closest to each target, shape (targets,)."""
    from scipy.spatial import cKDTree

    _, nearest = cKDTree(vectors / np.linalg.norm(vectors, axis=1, keepdims=True)).query(targets)
    return np.asarray(nearest)


def sphere_of_grid(grid: Grid, max_gap: float, report: list[str]) -> xr.Dataset | None:
    """All directions with their weights; None, said in the report, if the grid has a hole wider than `max_gap`."""
    gap, centre = largest_gap(grid.vectors)
    if gap > max_gap:
        azimuth, elevation, _ = spherical(centre)
        report.append(
            f"no true sphere power: the grid has a hole of {gap:.1f}° at azimuth {round(float(azimuth)):g}°, "
            f"elevation {round(float(elevation)):g}° (allowed: {max_gap:g}°)"
        )
        return None
    report.append(f"full sphere: the widest hole of the grid is {gap:.1f}°")
    azimuth, elevation, _ = spherical(grid.vectors)
    return assemble_sphere(azimuth, elevation, grid.frequency, grid.level, solid_angle_weights(grid.vectors))
