"""Read one AES69 file into orbits and sphere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.acoustics.recording.transforms import level_and_phase
from anechain.assemble import Grid, datasets_of_grid
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain.importing.hdf5_storage import refuse_data_elsewhere
from anechain_sofa.geometry import Geometry, geometry
from anechain_sofa.metadata import convention_is_accepted, credits
from anechain_sofa.options import SofaOptions
from anechain_sofa.pressures import Pressures, pressures
from anechain_sofa.selection import Selection, select
from anechain_sofa.variables import SofaFile

__all__ = ["read"]

_DAMAGED = (OSError, RuntimeError, UnicodeError)
"""Exceptions that netCDF4 raises on a damaged file."""


@dataclass(frozen=True)
class _Contents:
    """Everything that is read from the open file."""

    selection: Selection
    geometry: Geometry
    pressures: Pressures
    attrs: dict[str, str | float]


def read(paths: Sequence[Path], options: SofaOptions) -> Reading:
    """Read the AES69 file of one device.

    Parameters
    ----------
    paths : sequence of Path
        Exactly one file.
    options : SofaOptions
        What the file does not state.

    Returns
    -------
    Reading
        Orbits, the sphere if the grid covers it, and what was assumed.

    Raises
    ------
    InputError
        With every problem of the file.
    """
    if len(paths) != 1:
        raise InputError(
            Problem(
                str(path),
                f"is one of {len(paths)} AES69 files for one device",
                "one file that contains all directions",
                "list each file as a separate device, or join the files first",
            )
            for path in paths or [Path("raw files")]
        )
    path = Path(paths[0])
    import sofar

    try:
        refuse_data_elsewhere(path, str(path))
        with sofar.SofaStream(path) as stream:  # type: ignore[no-untyped-call]
            file = SofaFile(path, stream)
            contents = _contents(file, options)
    except _DAMAGED as error:
        raise InputError.single(
            path,
            f"cannot be read as AES69: {getattr(error, 'strerror', None) or error}",
            "a complete netCDF-4 file",
            "download or export it again; it may be truncated",
        ) from error
    if contents is None:
        raise InputError(file.problems)
    grid = _grid(file, contents, options)
    responses, sphere = datasets_of_grid(grid, options.step, options.max_gap, file.report, str(path))
    for dataset in (responses, sphere):
        if dataset is not None:
            dataset.attrs.update(contents.attrs)
    return Reading(responses, sphere, tuple(file.report))


def _contents(file: SofaFile, options: SofaOptions) -> _Contents | None:
    """Read the open file; None if there are problems."""
    if not convention_is_accepted(file, options):
        return None
    selection = select(file, options)
    if selection is None:
        return None
    # Both are read even if one has problems, so that the problems of both are reported.
    file_geometry = geometry(file, selection, options)
    file_pressures = pressures(file, selection, options)
    if file_geometry is None or file_pressures is None:
        return None
    attrs: dict[str, str | float] = {"level_kind": "spl" if options.quantity == "pascal" else "relative"}
    if file_geometry.distance is not None:
        attrs["distance"] = file_geometry.distance
    attrs.update(credits(file))
    return _Contents(selection, file_geometry, file_pressures, attrs)


def _grid(file: SofaFile, contents: _Contents, options: SofaOptions) -> Grid:
    """Return the levels and phases of all directions."""
    reference, reference_text = (REFERENCE_PRESSURE, "20 µPa") if options.quantity == "pascal" else (1.0, "1")
    file.report.append(
        f"levels are {'sound pressure levels' if options.quantity == 'pascal' else 'relative'}: 20 lg of the data "
        f"re {reference_text}, as declared by quantity ({options.quantity}); AES69 states no unit of pressure"
    )
    level, phase = level_and_phase(contents.pressures.values, reference)
    selection = contents.selection
    names = [selection.name(index) for index in range(selection.count)]
    return Grid(
        np.asarray(contents.geometry.vectors),
        contents.pressures.frequency,
        level,
        phase if contents.pressures.has_phase else None,
        names,
    )
