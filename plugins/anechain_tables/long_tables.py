"""Curves of a long table: a row for each direction and frequency."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from anechain.acoustics.directivity.directions import PLANES, unit_vectors
from anechain.arrays import Floats
from anechain.assemble import Curve, Grid
from anechain.errors import InputError, Problem
from anechain.importing.frames import declared_frame
from anechain_tables.options import ColumnKind, TablesOptions
from anechain_tables.sheet import Sheet
from anechain_tables.titles import direction_by_pattern, plane_of_sheet, with_standard_planes
from anechain_tables.values import (
    ZERO_HERTZ_DROPPED,
    check_rising,
    gap_notes,
    read_angles,
    read_frequencies,
    read_levels,
    read_phases,
)

__all__ = ["curves_of_long_table"]


def curves_of_long_table(
    sheet: Sheet, kinds: dict[ColumnKind, int], options: TablesOptions, notes: list[str]
) -> list[Curve] | Grid:
    """Read a long table.

    Parameters
    ----------
    sheet : Sheet
        The table.
    kinds : dict of str to int
        Column of each kind.
    options : TablesOptions
        Options of the campaign.
    notes : list of str
        A line is added for everything that is dropped, missing or assumed.

    Returns
    -------
    list of Curve or Grid
        Curves on the orbits; or a grid, if the rows have azimuth and elevation.

    Raises
    ------
    InputError
        With every direction that cannot be read.
    """
    frequency = read_frequencies(sheet, kinds["frequency"], options)
    used = frequency > 0
    if not used.all():
        notes.append(ZERO_HERTZ_DROPPED)
    level = read_levels(sheet, kinds["level"], "the level", used, options)
    phase = read_phases(sheet, kinds["phase"], "the phase", used, options) if "phase" in kinds else None
    on_sphere = "azimuth" in kinds
    row_directions = _sphere_directions(sheet, kinds) if on_sphere else _orbit_directions(sheet, kinds, options)
    directions, group = np.unique(row_directions, axis=0, return_inverse=True)
    order = np.argsort(group.reshape(-1), kind="stable")
    order = order[used[order]]
    bounds = np.searchsorted(group.reshape(-1)[order], np.arange(len(directions) + 1))
    curves: list[Curve] = []
    problems: list[Problem] = []
    for number, direction in enumerate(directions):
        rows = order[bounds[number] : bounds[number + 1]]
        name = _sphere_name(direction) if on_sphere else f"{PLANES[int(direction[0])]} {direction[1]:g}°"
        try:
            check_rising(sheet, frequency[rows], rows, f" of {name}")
            plane, angle = "horizontal", 0.0
            if not on_sphere:
                plane, angle = _normalized(int(direction[0]), float(direction[1]), sheet, options, notes)
        except InputError as input_error:
            problems.extend(input_error.problems)
            continue
        curve_phase = None if phase is None else phase[rows]
        notes.extend(gap_notes("level", name, frequency[rows], level[rows]))
        if curve_phase is not None:
            notes.extend(gap_notes("phase", name, frequency[rows], curve_phase))
        curves.append(Curve(plane, angle, frequency[rows], level[rows], curve_phase, f"{sheet.where}, {name}"))
    if problems:
        raise InputError(problems)
    return _grid(sheet, directions, curves, options) if on_sphere else curves


def _sphere_name(direction: Floats) -> str:
    return f"azimuth {direction[0]:g}°, elevation {direction[1]:g}°"


def _sphere_directions(sheet: Sheet, kinds: dict[ColumnKind, int]) -> Floats:
    """Return azimuth and elevation of each row in degrees, shape (rows, 2)."""
    return np.stack(
        [
            read_angles(sheet, kinds["azimuth"], "azimuth", 360.0),
            read_angles(sheet, kinds["elevation"], "elevation", 90.0),
        ],
        axis=1,
    )


def _orbit_directions(sheet: Sheet, kinds: dict[ColumnKind, int], options: TablesOptions) -> Floats:
    """Return the index of the plane and the angle in degrees of each row, shape (rows, 2)."""
    angle = read_angles(sheet, kinds["angle"], "angle", 360.0)
    if "plane" not in kinds:
        plane = plane_of_sheet(sheet, options)
        if plane is None:
            raise InputError.single(
                sheet.where,
                "no column is the plane",
                "horizontal or vertical",
                "set the option `plane`, or the title of the planes in `columns`",
            )
        return np.stack([np.full(angle.shape, PLANES.index(plane)), angle], axis=1)
    words = sheet.texts(kinds["plane"])
    unknown = {word: row for row, word in reversed(list(enumerate(words))) if word.casefold() not in options.planes}
    if unknown:
        raise InputError(
            Problem(
                sheet.where,
                f"{sheet.row_name(row)}: the plane {word!r} is unknown",
                ", ".join(options.planes),
                "add the word to the option `planes`",
            )
            for word, row in unknown.items()
        )
    index = {word: PLANES.index(options.planes[word.casefold()]) for word in set(words)}
    return np.stack([np.array([index[word] for word in words], dtype=np.float64), angle], axis=1)


def _normalized(plane: int, angle: float, sheet: Sheet, options: TablesOptions, notes: list[str]) -> tuple[str, float]:
    """Return plane and angle in the project's convention, using the option `positive_is`."""
    title = f"{PLANES[plane]} {angle:f}"
    direction = direction_by_pattern(title, sheet, with_standard_planes(options), "{plane} {angle}")
    notes.extend(note for note in direction.notes if note not in notes)
    return direction.plane, direction.angle


def _grid(sheet: Sheet, directions: Floats, curves: Sequence[Curve], options: TablesOptions) -> Grid:
    reference = curves[0].frequency
    differing = [
        curve
        for curve in curves
        if curve.frequency.shape != reference.shape or not np.allclose(curve.frequency, reference, rtol=1e-6, atol=0)
    ]
    if differing:
        raise InputError.single(
            sheet.where,
            f"{len(differing)} of {len(curves)} directions have other frequencies than the first: "
            f"{differing[0].source}",
            "the same frequencies for all directions",
            "export all directions with the same settings",
        )
    phases = [curve.phase for curve in curves if curve.phase is not None]
    return Grid(
        unit_vectors(directions[:, 0], directions[:, 1]) @ declared_frame(options, sheet.where).T,
        reference,
        np.stack([curve.level for curve in curves]),
        np.stack(phases) if len(phases) == len(curves) else None,
        [_sphere_name(direction) for direction in directions],
    )
