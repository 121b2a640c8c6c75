"""Read coefficients, and evaluate the field that they describe."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.acoustics.directivity.directions import PLANES, orbit_vectors, unit_vectors
from anechain.acoustics.recording.transforms import level_and_phase
from anechain.assemble import Curve, assemble_responses, assemble_sphere
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain.importing.containers import open_container
from anechain.importing.frames import declared_frame
from anechain.importing.grids import orbit_angles
from anechain.importing.report_lines import frequencies_text
from anechain_spherical.coefficients import read_coefficients
from anechain_spherical.harmonics import evaluate_field, sphere_quadrature
from anechain_spherical.options import SphericalOptions

__all__ = ["read"]

_REAL_FIELD = 1e-9
"""Largest ratio of imaginary part and magnitude of a field that is real except for rounding errors."""


def read(paths: Sequence[Path], options: SphericalOptions) -> Reading:
    """Read a file of coefficients, and evaluate the field on the orbits and on a grid of the whole sphere.

    Parameters
    ----------
    paths : sequence of Path
        Exactly one file.
    options : SphericalOptions
        Paths in the file, and the convention of the harmonics.

    Returns
    -------
    Reading
        Orbits and sphere. The grid and the weights of the sphere average the squared field exactly.

    Raises
    ------
    InputError
        With every problem of the file.
    """
    if len(paths) != 1:
        raise InputError(
            Problem(
                path.name,
                f"is one of {len(paths)} files for one device",
                "one file that contains all coefficients",
                "list each file as a separate device",
            )
            for path in paths or [Path("raw files")]
        )
    where = paths[0].name
    report: list[str] = []
    with open_container(paths[0], where) as container:
        coefficients = read_coefficients(container, options, report)
    rotation = declared_frame(options, where)
    has_phase_factor = options.basis == "complex" if options.condon_shortley is None else options.condon_shortley
    max_degree = int(coefficients.degree.max())
    angles = orbit_angles(options.step)
    azimuth, elevation, weight = sphere_quadrature(max_degree)
    vectors = np.concatenate(
        [*(orbit_vectors(plane, angles) for plane in PLANES), unit_vectors(azimuth, elevation)], axis=0
    )
    # Row vectors times the rotation into the project's coordinates are rotated back into those of the file.
    field = evaluate_field(
        coefficients.values,
        coefficients.degree,
        coefficients.order,
        vectors @ rotation,
        options.basis,
        options.normalisation,
        has_phase_factor,
    )
    report.append(
        f"{coefficients.degree.size} of {(max_degree + 1) ** 2} coefficients up to degree {max_degree}, read as "
        f"{options.normalisation} {options.basis} harmonics {'with' if has_phase_factor else 'without'} the "
        "Condon-Shortley phase, as declared; the levels are those of the series, which is smoother than the measurement"
    )
    reference = REFERENCE_PRESSURE if options.quantity == "pascal" else 1.0
    level, phase = level_and_phase(np.where(field == 0, np.nan, field), reference)
    finite_field = np.nan_to_num(field)
    is_real = bool((np.abs(finite_field.imag) <= _REAL_FIELD * np.abs(finite_field).max(axis=0)).all())
    if is_real:
        report.append("phase dropped: the field is real in all directions, so the data are magnitudes only")
    frequency = coefficients.frequency
    missing = np.isnan(level).all(axis=0)
    if missing.any():
        report.append(
            f"coefficients missing at {frequencies_text(frequency[missing], missing.size)}: kept as not measured"
        )
    report.append(
        f"levels are {'sound pressure levels' if options.quantity == 'pascal' else 'relative'}, as declared by quantity"
    )
    report.append(
        f"orbits of {angles.size} directions each and a sphere of {weight.size} directions (Gauss-Legendre rings) "
        "evaluated from the coefficients; the weights of the sphere average the squared field exactly"
    )
    curves = [
        Curve(
            plane,
            float(angle),
            frequency,
            level[row + number * angles.size],
            None if is_real else phase[row + number * angles.size],
            f"{where}: {plane} {angle:g}°",
        )
        for number, plane in enumerate(PLANES)
        for row, angle in enumerate(angles)
    ]
    responses = assemble_responses(curves, report)
    sphere = assemble_sphere(azimuth, elevation, frequency, level[2 * angles.size :], weight)
    attrs = coefficients.attrs | {"level_kind": "spl" if options.quantity == "pascal" else "relative"}
    for dataset in (responses, sphere):
        dataset.attrs.update(attrs)
    return Reading(responses, sphere, tuple(report))
