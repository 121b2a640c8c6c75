"""Orbits and sphere from levels on a grid of directions: the last step of importers of full directivities."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.acoustics.directivity.directions import PLANES, orbit_vectors, spherical_coordinates, wrap_angle
from anechain.acoustics.directivity.sphere import SAME_DIRECTION, largest_gap, solid_angle_weights, unique_directions
from anechain.acoustics.directivity.sphere_interpolation import interpolate_sphere
from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.importing.assemble import Curve, assemble_responses, assemble_sphere
from anechain.importing.report_lines import frequencies_text, shortened_list

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Grid", "datasets_of_grid", "orbit_angles"]

_MAX_LEFT_OUT, _MAX_ANGLES = 8, 72
"""Largest numbers of directions that lines of the report list."""


@dataclass(frozen=True)
class Grid:
    """Curves in directions all around a loudspeaker.

    Attributes
    ----------
    vectors : numpy.ndarray, shape (directions, 3)
        In the project's coordinates: +x is the reference axis, +y points to the left, +z up. Any length but zero.
    frequency : numpy.ndarray, shape (frequencies,)
        Hz, rising.
    level : numpy.ndarray, shape (directions, frequencies)
        dB; NaN where missing.
    phase : numpy.ndarray, shape (directions, frequencies), or None
        Degrees.
    names : sequence of str
        Name of each direction, for messages.
    """

    vectors: Floats
    frequency: Floats
    level: Floats
    phase: Floats | None
    names: Sequence[str]


def orbit_angles(step: float) -> Floats:
    """Return the angles of an orbit in degrees in (-180, 180], rising; `step` divides 180 degrees."""
    angles = wrap_angle(np.arange(0, 360, step))
    return np.asarray(np.round(angles[np.argsort(angles)], 9) + 0.0)


def datasets_of_grid(
    grid: Grid, step: float, max_gap: float, report: list[str], where: str
) -> tuple[xr.Dataset, xr.Dataset | None]:
    """Return the two orbits of a grid, and its directions with weights if it covers the sphere.

    Parameters
    ----------
    grid : Grid
        Directions in any order. A direction that is given several times counts once, with its mean squared pressure.
    step : float
        Step of the orbits in degrees; 180 is a multiple of it.
    max_gap : float
        Widest gap in degrees in which levels are interpolated, and that a full sphere may have.
    report : list of str
        Lines are added for everything that is interpolated, left out or missing.
    where : str
        The file, for messages.

    Returns
    -------
    responses : xarray.Dataset
        Directions that the grid has (within 0.01 degrees) are taken unchanged; others are interpolated in squared
        pressure, without phase.
    sphere : xarray.Dataset or None
        None if the grid has a gap wider than `max_gap`.

    Raises
    ------
    InputError
        If no direction has a value, or none on or near the orbits.
    """
    grid = _unique_grid(grid, report, where)
    return _orbits(grid, step, max_gap, report, where), _sphere(grid, max_gap, report)


def _unique_grid(grid: Grid, report: list[str], where: str) -> Grid:
    """Return the grid with only those directions that have values, each once."""
    empty = np.isnan(grid.level).all(axis=1)
    if empty.all():
        raise InputError.single(where, "no direction has a value", "measured levels", "correct the options")
    if empty.any():
        left_out = [grid.names[int(row)] for row in np.flatnonzero(empty)]
        report.append(
            f"{len(left_out)} of {empty.size} directions have no value and are left out: "
            f"{shortened_list(left_out, _MAX_LEFT_OUT)}"
        )
    kept = np.flatnonzero(~empty)
    vectors, level = grid.vectors[kept], grid.level[kept]
    first, group = unique_directions(vectors)
    unique = level[first].copy()
    report.append(f"{first.size} unique directions of {empty.size} in the file")
    if first.size < kept.size:
        difference = np.nan_to_num(np.abs(level - unique[group]))
        differs = (difference > 0).any(axis=1)
        for member in np.unique(group[differs]):
            unique[member] = level_of_power(power_of_level(level[group == member]).mean(axis=0))
        repeated = kept.size - first.size
        if differs.any():
            worst = grid.names[int(kept[difference.max(axis=1).argmax()])]
            report.append(
                f"{int(differs.sum())} of {repeated} repeated directions differ from the first, by up to "
                f"{difference.max():.2f} dB ({worst}): the mean squared pressure is used, with the phase of the first"
            )
        else:
            report.append(f"{repeated} directions are repeated with the same values, used once")
    missing = np.isnan(unique)
    for rows, directions in (
        (missing.all(axis=0), "all directions"),
        (missing.any(axis=0) & ~missing.all(axis=0), "some directions"),
    ):
        if rows.any():
            report.append(
                f"values missing in {directions} at {frequencies_text(grid.frequency[rows])}: kept as not measured"
            )
    return Grid(
        vectors[first],
        grid.frequency,
        unique,
        None if grid.phase is None else grid.phase[kept][first],
        [grid.names[int(kept[row])] for row in first],
    )


def _orbits(grid: Grid, step: float, max_gap: float, report: list[str], where: str) -> xr.Dataset:
    angles = orbit_angles(step)
    targets = np.concatenate([orbit_vectors(plane, angles) for plane in PLANES])
    power, distance = interpolate_sphere(grid.vectors, power_of_level(grid.level), targets, max_gap)
    nearest = _nearest_directions(grid.vectors, targets)
    curves: list[Curve] = []
    largest_distance = 0.0
    for number, plane in enumerate(PLANES):
        interpolated, missing = [], []
        for row, angle in enumerate(angles, start=number * angles.size):
            phase = None
            if distance[row] <= SAME_DIRECTION:
                level, source = grid.level[nearest[row]], grid.names[int(nearest[row])]
                phase = None if grid.phase is None else grid.phase[nearest[row]]
            elif np.isfinite(power[row]).any():
                level, source = level_of_power(power[row]), "interpolated"
                phase = None if grid.phase is None else np.full(grid.frequency.shape, np.nan)
                interpolated.append(f"{angle:g}°")
                largest_distance = max(largest_distance, float(distance[row]))
            else:
                missing.append(f"{angle:g}°")
                continue
            curves.append(Curve(plane, float(angle), grid.frequency, level, phase, f"{where}: {source}"))
        on_grid = angles.size - len(interpolated) - len(missing)
        report.append(f"{plane} orbit: {on_grid} of {angles.size} directions are on the grid")
        if interpolated:
            report.append(
                f"{plane} orbit, interpolated in squared pressure between grid points: "
                f"{shortened_list(interpolated, _MAX_ANGLES)}"
            )
            if grid.phase is not None:
                report.append(
                    f"{plane} orbit, phase missing at interpolated directions: it may change by more than half a turn "
                    "between grid points"
                )
        if missing:
            report.append(
                f"{plane} orbit, missing (in a gap wider than {max_gap:g}°): {shortened_list(missing, _MAX_ANGLES)}"
            )
    if largest_distance > 0:
        report.append(f"interpolated directions are up to {largest_distance:.2f}° from the nearest grid point")
    if not curves:
        raise InputError.single(
            where,
            "no direction on or near an orbit was measured",
            "directions on or near the horizontal and vertical orbits",
            "correct the options for the axes and the directions",
        )
    return assemble_responses(curves, report)


def _nearest_directions(vectors: Floats, targets: Floats) -> NDArray[np.intp]:
    """Return the row of the direction nearest to each target, shape (targets,)."""
    from scipy.spatial import cKDTree

    _, nearest = cKDTree(vectors / np.linalg.norm(vectors, axis=1, keepdims=True)).query(targets)
    return np.asarray(nearest)


def _sphere(grid: Grid, max_gap: float, report: list[str]) -> xr.Dataset | None:
    """Return all directions with their weights; None if the grid has a gap wider than `max_gap`."""
    gap, centre = largest_gap(grid.vectors)
    if gap > max_gap:
        azimuth, elevation, _ = spherical_coordinates(centre)
        report.append(
            f"no power over the full sphere: the grid has a gap of {gap:.1f}° at azimuth {round(float(azimuth)):g}°, "
            f"elevation {round(float(elevation)):g}° (allowed: {max_gap:g}°)"
        )
        return None
    report.append(f"full sphere: the widest gap of the grid is {gap:.1f}°")
    azimuth, elevation, _ = spherical_coordinates(grid.vectors)
    return assemble_sphere(azimuth, elevation, grid.frequency, grid.level, solid_angle_weights(grid.vectors))
