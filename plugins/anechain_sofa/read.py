"""Read one AES69 file into orbits and sphere."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE, level_of_power, power_of_level
from anechain.acoustics.directivity.directions import PLANES, orbit_vectors
from anechain.acoustics.directivity.sphere import SAME_DIRECTION, interpolate_sphere, unique_directions
from anechain.acoustics.recording.transforms import level_and_phase
from anechain.arrays import Floats
from anechain.assemble import Curve, assemble_responses
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain.importing.grids import Grid, nearest_directions, orbit_angles, some_of, sphere_of_grid
from anechain_sofa.conventions import LISTENER, unreadable_because
from anechain_sofa.geometry import Geometry, geometry
from anechain_sofa.options import SofaOptions
from anechain_sofa.pressures import Pressures, frequencies_text, pressures
from anechain_sofa.selection import Selection, select
from anechain_sofa.variables import SofaFile, attribute

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["read"]

Integers = NDArray[np.integer[Any]]

_DAMAGED = (OSError, RuntimeError, UnicodeError)  # what netCDF4 raises on a broken file
_LOUD_DUPLICATE = 0.01  # dB between two mentions of one direction that are worth a line


def read(paths: Sequence[Path], options: SofaOptions) -> Reading:
    """Read the AES69 file of one device.

    Parameters
    ----------
    paths : sequence of Path
        Exactly one.
    options : SofaOptions
        What the file does not say of itself.

    Returns
    -------
    Reading
        Orbits, the sphere if the grid covers it, and what was assumed.

    Raises
    ------
    InputError
        With every problem found.
    """
    if len(paths) != 1:
        raise InputError(
            Problem(
                str(path),
                f"is one of {len(paths)} AES69 files for one device",
                "one file that holds all directions",
                "list each file as a device of its own, or join the files before",
            )
            for path in paths or [Path("raw files")]
        )
    path = Path(paths[0])
    import sofar

    try:
        with sofar.SofaStream(path) as stream:  # type: ignore[no-untyped-call]
            file = SofaFile(path, stream)
            found = _contents(file, options)
    except _DAMAGED as error:
        raise InputError.single(
            path,
            f"cannot be read as AES69: {getattr(error, 'strerror', None) or error}",
            "a complete netCDF-4 file",
            "fetch or export it again; it may have been cut short",
        ) from error
    if found is None:
        raise InputError(file.problems)
    selection, placed, heard, attrs = found
    grid = _grid(file, selection, placed.vectors, heard, options)
    responses = _responses(file, grid, options)
    if responses is None:
        raise InputError(file.problems)
    sphere = sphere_of_grid(grid, options.max_gap, file.report)
    for dataset in (responses, sphere):
        if dataset is not None:
            dataset.attrs.update(attrs)
    return Reading(responses, sphere, tuple(file.report))


def _contents(
    file: SofaFile, options: SofaOptions
) -> tuple[Selection, Geometry, Pressures, dict[str, str | float]] | None:
    """Everything that has to be read from the open file; None if there are problems."""
    if not _accepted(file, options):
        return None
    selection = select(file, options)
    if selection is None:
        return None
    placed = geometry(file, selection, options)
    heard = pressures(file, selection, options)
    if placed is None or heard is None:
        return None
    attrs: dict[str, str | float] = {"level_kind": "spl" if options.quantity == "pascal" else "relative"}
    if placed.distance is not None:
        attrs["distance"] = placed.distance
    return selection, placed, heard, attrs | _credits(file)


def _accepted(file: SofaFile, options: SofaOptions) -> bool:
    """Whether the convention is one that is read; says which it is."""
    convention, version = attribute(file, "GLOBAL_SOFAConventions"), attribute(file, "GLOBAL_SOFAConventionsVersion")
    if attribute(file, "GLOBAL_Conventions") != "SOFA":
        file.refuse("its attribute Conventions is not SOFA", "an AES69 file", "choose another importer")
        return False
    if reason := unreadable_because(convention, version):
        file.refuse(reason, "free-field directivity or general transfer functions and impulse responses")
        return False
    if convention in LISTENER and options.directions != "sources":
        file.refuse(
            f"{convention} describes a listener, not a loudspeaker",
            "a loudspeaker's data",
            "if a loudspeaker was measured in this layout, declare directions: sources",
        )
        return False
    room = attribute(file, "GLOBAL_RoomType")
    if room.lower() != "free field":
        file.refuse(
            f"RoomType is {room or 'missing'!r}: what was measured there is the loudspeaker in a room",
            "free field",
            "correct RoomType in the file if it was a free field",
        )
        return False
    file.report.append(f"convention: {convention} {version} (AES69, SOFA {attribute(file, 'GLOBAL_Version')})")
    file.report.extend(f"not as AES69 has it, says sofar: {make_receipt}" for make_receipt in _departures(file))
    return True


def _departures(file: SofaFile) -> list[str]:
    """Where the file departs from its convention; none of it is a reason to refuse what can be understood."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            # The mode for writing is the stricter one, and the only one that returns deprecations.
            issues = file.stream.verify(issue_handling="return", mode="write") or ""
    except (AttributeError, KeyError, IndexError, TypeError, ValueError) as error:
        return [f"the check itself failed: {error}"]
    return [line.strip(" -") for line in issues.splitlines() if line.startswith("- ")]


def _credits(file: SofaFile) -> dict[str, str]:
    """Where the data come from, as the file states it."""
    convention = f"{attribute(file, 'GLOBAL_SOFAConventions')} {attribute(file, 'GLOBAL_SOFAConventionsVersion')}"
    names = dict.fromkeys(
        text for name in ("Organization", "DatabaseName") if (text := attribute(file, f"GLOBAL_{name}"))
    )
    found = {
        "title": attribute(file, "GLOBAL_Title"),
        "origin": "; ".join(names),
        "licence": attribute(file, "GLOBAL_License"),
        "source_convention": f"AES69 {convention}",
    }
    if not found["licence"]:
        file.report.append("the file states no licence")
    return {name: text for name, text in found.items() if text}


def _grid(file: SofaFile, selection: Selection, vectors: Floats, heard: Pressures, options: SofaOptions) -> Grid:
    """Directions with data, each once; says what is missing and what was given twice."""
    report = file.report
    reference, unit = (REFERENCE_PRESSURE, "20 µPa") if options.quantity == "pascal" else (1.0, "1")
    report.append(
        f"levels are {'sound pressure levels' if options.quantity == 'pascal' else 'relative'}: 20 lg of the data "
        f"re {unit}, as declared by quantity ({options.quantity}); AES69 states no unit of pressure"
    )
    level, phase = level_and_phase(heard.values, reference)
    absent = np.isnan(level).all(axis=1)
    if absent.any():
        report.append(
            f"{int(absent.sum())} of {absent.size} directions hold no data (zero or not a number throughout) and are "
            f"left out: {some_of([selection.name(int(i)) for i in np.flatnonzero(absent)], 8)}"
        )
    vectors, level, phase = vectors[~absent], level[~absent], phase[~absent]
    names = [selection.name(int(i)) for i in np.flatnonzero(~absent)]
    gone = np.isnan(level).all(axis=0)
    if gone.any():
        report.append(f"no value in any direction at {frequencies_text(heard.frequency[gone])}: kept as missing")
    partly = np.isnan(level).any(axis=0) & ~gone
    if partly.any():
        report.append(
            f"no value in some directions at {frequencies_text(heard.frequency[partly])}: kept as missing there"
        )
    first, group = unique_directions(vectors)
    report.append(
        f"{first.size} unique directions of {absent.size} {'receivers' if selection.over == 'R' else 'measurements'}"
    )
    if first.size < len(vectors):
        level = _merged(file, level, first, group, names)
        phase = phase[first]
    return Grid(vectors[first], heard.frequency, level, phase if heard.has_phase else None, [names[i] for i in first])


def _merged(file: SofaFile, level: Floats, first: Integers, group: Integers, names: list[str]) -> Floats:
    """Levels of unique directions: the mean squared pressure of those given more than once."""
    once = level[first].copy()
    again = np.setdiff1d(np.arange(len(level)), first)
    apart = np.abs(level[again] - once[group[again]])
    differing = np.flatnonzero((np.nan_to_num(apart) > _LOUD_DUPLICATE).any(axis=1))
    if differing.size:
        worst = int(np.argmax(np.nan_to_num(apart).max(axis=1)))
        file.report.append(
            f"{differing.size} of {again.size} repeated directions differ from their first mention, at most by "
            f"{np.nanmax(apart):.2f} dB ({names[again[worst]]} and {names[first[group[again[worst]]]]}): the mean "
            "squared pressure is taken, with the phase of the first"
        )
    else:
        file.report.append(f"{again.size} directions are given again with the same values: taken once")
    for member in np.unique(group[again[(apart > 0).any(axis=1)]]):
        once[member] = level_of_power(power_of_level(level[group == member]).mean(axis=0))
    return once


def _responses(file: SofaFile, grid: Grid, options: SofaOptions) -> xr.Dataset | None:
    """Read the two orbits off the grid."""
    angles = orbit_angles(options.step)
    targets = np.concatenate([orbit_vectors(plane, angles) for plane in PLANES])
    where = [(plane, float(angle)) for plane in PLANES for angle in angles]
    power, distance = interpolate_sphere(grid.vectors, power_of_level(grid.level), targets, options.max_gap)
    nearest = nearest_directions(grid.vectors, targets)
    curves: list[Curve] = []
    exact: dict[str, list[str]] = {plane: [] for plane in PLANES}
    between: dict[str, list[str]] = {plane: [] for plane in PLANES}
    lacking: dict[str, list[str]] = {plane: [] for plane in PLANES}
    farthest = 0.0
    for index, (plane, angle) in enumerate(where):
        words = f"{angle:g}°"
        if distance[index] <= SAME_DIRECTION:
            at = nearest[index]
            exact[plane].append(words)
            level, phase, source = grid.level[at], None if grid.phase is None else grid.phase[at], grid.names[at]
        elif np.isfinite(power[index]).any():
            between[plane].append(words)
            farthest = max(farthest, float(distance[index]))
            level, source = level_of_power(power[index]), "interpolated"
            phase = None if grid.phase is None else np.full(grid.frequency.shape, np.nan)
        else:
            lacking[plane].append(words)
            continue
        curves.append(Curve(plane, angle, grid.frequency, level, phase, f"{file.path.name}: {source}"))
    for plane in PLANES:
        file.report.append(f"{plane} orbit: {len(exact[plane])} of {angles.size} directions are on the grid")
        if between[plane]:
            file.report.append(
                f"{plane} orbit, interpolated in squared pressure between grid points: {some_of(between[plane])}"
            )
        if lacking[plane]:
            file.report.append(
                f"{plane} orbit, no data (in a hole wider than {options.max_gap:g}°): {some_of(lacking[plane])}"
            )
    if any(between.values()):
        file.report.append(f"interpolated directions lie up to {farthest:.2f}° from the nearest grid point")
        if grid.phase is not None:
            file.report.append(
                "interpolated directions have no phase: it may turn by more than half a turn between points"
            )
    if not curves:
        file.refuse(
            "no direction of either orbit was measured",
            "directions on or around the horizontal and vertical orbits",
            "check reference_axis, up and directions",
        )
        return None
    return assemble_responses(curves, file.report)
