"""Read the containers of one device."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.directivity.directions import unit_vectors
from anechain.arrays import Floats
from anechain.assemble import Curve, Grid, assemble_responses, datasets_of_grid
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain.importing.assemble import without_repeats
from anechain.importing.containers import Container, open_container
from anechain.importing.direction_lookup import directions_of_files, without_manifest
from anechain.importing.direction_names import Direction
from anechain.importing.file_labels import label_files
from anechain.importing.frames import declared_frame
from anechain.importing.report_lines import frequencies_text, merge_notes
from anechain.importing.scales import SCALE_NOTES
from anechain_arrays.mapping import read_angles, read_array
from anechain_arrays.options import ArraysOptions

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["read"]


def read(paths: Sequence[Path], options: ArraysOptions) -> Reading:
    """Read the files of one device.

    Parameters
    ----------
    paths : sequence of Path
        One file with all directions; or several, with the option `pattern` or with curves on orbits.
    options : ArraysOptions
        The mapping.

    Returns
    -------
    Reading
        `level_kind` is "spl" for pascals, "relative" for a linear scale, and not set for decibels, because a container
        does not state their reference.

    Raises
    ------
    InputError
        With every problem found in every file.
    """
    if not paths or (options.azimuth is not None and len(paths) > 1):
        raise InputError.single(
            paths[0].name if paths else "raw files",
            f"{len(paths)} files for one device",
            "one file that contains all directions" if options.azimuth is not None else "at least one file",
            "correct the device's files in the campaign",
        )
    folder, files = label_files(paths)
    files = without_manifest(files, folder, options)
    problems: list[Problem] = []
    directions: dict[str, Direction] = {}
    if options.pattern is not None or options.manifest is not None:
        directions, problems = directions_of_files(files, folder, options)
    curves: list[Curve] = []
    grid: Grid | None = None
    attrs: dict[str, str] = {}
    notes: dict[str, list[str]] = {}
    for label, path in files.items():
        file_notes = notes[label] = list(directions[label].notes) if label in directions else []
        try:
            with open_container(path, label) as container:
                attrs |= _credits(container, options)
                if options.azimuth is not None:
                    grid = _grid(container, options, file_notes)
                else:
                    curves.extend(_curves(container, directions.get(label), options, file_notes))
        except InputError as input_error:
            problems.extend(input_error.problems)
    if not files:
        problems.append(
            Problem(
                "raw files", "no file except the manifest", "at least one", "correct the device's files in the campaign"
            )
        )
    if problems:
        raise InputError(problems)
    report = merge_notes(notes)
    report.append(SCALE_NOTES[options.scale])
    sphere: xr.Dataset | None = None
    if grid is not None:
        responses, sphere = datasets_of_grid(grid, options.step, options.max_gap, report, paths[0].name)
    else:
        report.extend(_gap_notes(curves))
        responses = assemble_responses(without_repeats(curves, report), report)
    if level_kind := {"pascal": "spl", "linear": "relative"}.get(options.scale):
        attrs["level_kind"] = level_kind
    for dataset in (responses, sphere):
        if dataset is not None:
            dataset.attrs.update(attrs)
    return Reading(responses, sphere, tuple(report))


def _credits(container: Container, options: ArraysOptions) -> dict[str, str]:
    stated = {name: path for name in ("licence", "origin") if (path := getattr(options, name)) is not None}
    return {name: container.text(path, name) for name, path in stated.items()}


def _frequencies(container: Container, options: ArraysOptions, report: list[str]) -> tuple[Floats, int]:
    """Return the frequencies above 0 Hz, and the number of frequencies before them."""
    frequency = container.frequencies(options.frequency, options.frequency_unit)
    skipped = int(frequency[0] == 0)
    if skipped:
        report.append("0 Hz dropped: a logarithmic frequency axis cannot show it")
    if frequency.size == skipped:
        raise InputError.single(container.where, f"{options.frequency} has no frequency above 0 Hz", "a response")
    return frequency[skipped:], skipped


def _curves(
    container: Container, direction: Direction | None, options: ArraysOptions, report: list[str]
) -> list[Curve]:
    frequency, skipped = _frequencies(container, options, report)
    where = container.where
    if options.angle is None:
        array = read_array(container, options, None, {"frequency": frequency.size + skipped})
        # A file without a direction is a problem that the caller has noted.
        if direction is None:
            return []
        phase = None if array.phase is None else array.phase[skipped:]
        level = array.level[skipped:]
        return [Curve(direction.plane, direction.angle, frequency, level, phase, where, take=direction.take)]
    angle = read_angles(container, options.angle, "angle", options)
    places: dict[str, int] = {}
    planes = options.plane if isinstance(options.plane, tuple) else ()
    if "direction" in options.axes:
        places["direction"] = angle.size
        if len(planes) != angle.size:
            raise InputError.single(
                where, f"`plane` lists {len(planes)} planes for {angle.size} angles", "one plane for each direction"
            )
    else:
        if "plane" in options.axes:
            places["plane"] = len(planes)
        places["angle"] = angle.size
    curves = []
    for array_plane in options.separate_planes or (None,):
        array = read_array(container, options, array_plane, {**places, "frequency": frequency.size + skipped})
        for index in np.ndindex(*places.values()):
            plane = array_plane or (planes[index[0]] if planes else options.plane)
            assert isinstance(plane, str)
            side = options.positive_is.horizontal if plane == "horizontal" else options.positive_is.vertical
            signed = float(angle[index[-1]]) * (-1.0 if side in ("right", "down") else 1.0)
            phase = None if array.phase is None else array.phase[index][skipped:]
            source = f"{where}: {plane} {signed:g}°"
            curves.append(Curve(plane, signed, frequency, array.level[index][skipped:], phase, source))
    return curves


def _gap_notes(curves: Sequence[Curve]) -> list[str]:
    lines = []
    for curve in curves:
        for quantity, values in (("level", curve.level), ("phase", curve.phase)):
            if values is not None and (missing := np.isnan(values)).any():
                frequencies = frequencies_text(curve.frequency[missing])
                lines.append(f"{curve.source}: {quantity} missing at {frequencies}: kept as not measured")
    return lines


def _grid(container: Container, options: ArraysOptions, report: list[str]) -> Grid:
    """Return all directions, in the project's coordinates."""
    assert options.azimuth is not None and options.elevation is not None
    rotation = declared_frame(options, container.where)
    frequency, skipped = _frequencies(container, options, report)
    azimuth = read_angles(container, options.azimuth, "azimuth", options)
    limit = 90.0 if options.elevation_is == "elevation" else 180.0
    elevation = read_angles(container, options.elevation, "elevation", options, limit)
    if options.elevation_is == "colatitude":
        if (elevation < 0).any():
            raise InputError.single(
                container.where,
                f"the colatitude reaches {elevation.min():g}°",
                "0° at the top to 180° at the bottom",
                "correct the option `elevation_is`",
            )
        elevation = 90.0 - elevation
    if "direction" in options.axes:
        if azimuth.size != elevation.size:
            raise InputError.single(
                container.where,
                f"{azimuth.size} azimuths and {elevation.size} elevations",
                "one of each for every direction",
                "correct the options `azimuth`, `elevation` and `axes`",
            )
        places = {"direction": azimuth.size}
    else:
        places = {"azimuth": azimuth.size, "elevation": elevation.size}
        azimuth, elevation = (values.ravel() for values in np.meshgrid(azimuth, elevation, indexing="ij"))
    array = read_array(container, options, None, {**places, "frequency": frequency.size + skipped})
    level = array.level.reshape(azimuth.size, -1)[:, skipped:]
    phase = None if array.phase is None else array.phase.reshape(azimuth.size, -1)[:, skipped:]
    names = [f"azimuth {az:g}°, elevation {el:g}°" for az, el in zip(azimuth, elevation, strict=True)]
    return Grid(unit_vectors(azimuth, elevation) @ rotation.T, frequency, level, phase, names)
