"""Read coefficients and evaluate the field they describe."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.acoustics.directivity.directions import PLANES, orbit_vectors, unit_vectors
from anechain.acoustics.recording.transforms import level_and_phase
from anechain.arrays import Complexes, Floats
from anechain.assemble import Curve, assemble_responses, assemble_sphere
from anechain.errors import InputError, Problem
from anechain.hooks import Reading
from anechain.importing.containers import Container, open_container
from anechain.importing.frames import declared_frame
from anechain.importing.grids import orbit_angles
from anechain_spherical.harmonics import acn, evaluated, quadrature
from anechain_spherical.options import SphericalOptions

__all__ = ["read"]

Integers = NDArray[np.int64]
Values = Floats | Complexes

_REAL_FIELD = 1e-9  # of the magnitude: what is left of an imaginary part that rounding made


def read(paths: Sequence[Path], options: SphericalOptions) -> Reading:
    """Read one device's file of coefficients and evaluate it on the orbits and on a grid of the whole sphere.

    Parameters
    ----------
    paths : sequence of Path
        Exactly one.
    options : SphericalOptions
        Where things are in the file, and the convention of the harmonics.

    Returns
    -------
    Reading
        Orbits and sphere. The sphere's grid and weights average the squared field exactly.

    Raises
    ------
    InputError
        With every problem found.
    """
    if len(paths) != 1:
        raise InputError(
            Problem(
                path.name,
                f"is one of {len(paths)} files for one device",
                "one file that holds all coefficients",
                "list each file as a device of its own",
            )
            for path in paths or [Path("raw files")]
        )
    where = paths[0].name
    report: list[str] = []
    with open_container(paths[0], where) as container:
        frequency, coefficients, degree, order, attrs = _contents(container, options, report)
    rotation = declared_frame(options, where)
    phased = True if options.condon_shortley is None else options.condon_shortley
    if options.condon_shortley is None and options.basis == "real":
        phased = False
    top = int(degree.max())
    angles = orbit_angles(options.step)
    azimuth, elevation, weight = quadrature(top)
    ours = np.concatenate(
        [*(orbit_vectors(plane, angles) for plane in PLANES), unit_vectors(azimuth, elevation)], axis=0
    )
    # Rows times the rotation into our frame are vectors brought back into the file's.
    field = evaluated(coefficients, degree, order, ours @ rotation, options.basis, options.normalisation, phased)
    report.append(
        f"{degree.size} of {(top + 1) ** 2} coefficients up to degree {top}, read as {options.normalisation} "
        f"{options.basis} harmonics {'with' if phased else 'without'} the Condon-Shortley phase, as declared; "
        "the levels are those of the series, which is smoother than what was measured"
    )
    reference = REFERENCE_PRESSURE if options.quantity == "pascal" else 1.0
    level, phase = level_and_phase(np.where(field == 0, np.nan, field), reference)
    plain = np.nan_to_num(field)
    real = bool((np.abs(plain.imag) <= _REAL_FIELD * np.abs(plain).max(axis=0)).all())
    if real:
        report.append("phase dropped: the field is real in all directions, so the data are magnitudes only")
    gone = np.isnan(level).all(axis=0)
    if gone.any():
        report.append(
            f"coefficients missing at {', '.join(f'{value:.5g}' for value in frequency[gone])} Hz: kept as not measured"
        )
    report.append(
        f"levels are {'sound pressure levels' if options.quantity == 'pascal' else 'relative'}, as declared by quantity"
    )
    report.append(
        f"orbits of {angles.size} directions each and a sphere of {weight.size} (Gauss-Legendre rings) evaluated from "
        "the coefficients; its weights average the squared field exactly"
    )
    curves = [
        Curve(
            plane,
            float(angle),
            frequency,
            level[at + number * angles.size],
            None if real else phase[at + number * angles.size],
            f"{where}: {plane} {angle:g}°",
        )
        for number, plane in enumerate(PLANES)
        for at, angle in enumerate(angles)
    ]
    responses = assemble_responses(curves, report)
    sphere = assemble_sphere(azimuth, elevation, frequency, level[2 * angles.size :], weight)
    attrs["level_kind"] = "spl" if options.quantity == "pascal" else "relative"
    for dataset in (responses, sphere):
        dataset.attrs.update(attrs)
    return Reading(responses, sphere, tuple(report))


def _contents(
    container: Container, options: SphericalOptions, report: list[str]
) -> tuple[Floats, Complexes, Integers, Integers, dict[str, str]]:
    """Everything that has to be read from the open file, checked; all problems at once."""
    problems: list[Problem] = []

    def gathered(read_one: Callable[[], Any]) -> Any:
        try:
            return read_one()
        except InputError as input_error:
            problems.extend(input_error.problems)
            return None

    def numbers(option: str) -> Values | None:
        path = getattr(options, option)
        found: Values | None = None if path is None else gathered(lambda: container.numbers(path, option))
        return found

    frequency = gathered(lambda: container.frequencies(options.frequency, options.frequency_unit))
    values, imaginary, degree, order = map(numbers, ("coefficients", "imaginary", "degree", "order"))
    stated = {name: path for name in ("licence", "origin") if (path := getattr(options, name)) is not None}
    attrs = {name: gathered(partial(container.text, path, name)) for name, path in stated.items()}
    if values is not None and imaginary is not None:
        if imaginary.shape != values.shape or np.iscomplexobj(values) or np.iscomplexobj(imaginary):
            problems.append(
                Problem(
                    container.where,
                    f"{options.imaginary} and {options.coefficients} are no real arrays of one shape",
                    "real and imaginary parts of one shape",
                    "leave out the option `imaginary` where the coefficients are complex already",
                )
            )
        else:
            values = np.asarray(values + 1j * imaginary, dtype=np.complex128)
    if problems or frequency is None or values is None:
        raise InputError(problems)
    hertz: Floats = frequency
    lists = None if degree is None or order is None else (degree.real.ravel(), order.real.ravel())
    count = None if lists is None else lists[0].size
    placed = _coefficients_first(np.asarray(values, dtype=np.complex128), hertz.size, count, options, container.where)
    n, m = _degrees(lists, len(placed), options, container.where)
    if hertz[0] == 0:
        report.append("0 Hz dropped: it has no place on a logarithmic frequency axis")
        hertz, placed = hertz[1:], placed[:, 1:]
    # One coefficient that is not a number leaves the whole field unknown at that frequency.
    placed = np.where(np.isfinite(placed).all(axis=0), placed, np.nan)
    if not hertz.size or np.isnan(placed).all() or not np.nan_to_num(placed).any():
        raise InputError.single(
            container.where,
            f"{options.coefficients} holds only zeros or no numbers above 0 Hz",
            "coefficients of a measured field",
            "correct the option `coefficients`",
        )
    return hertz, placed, n, m, attrs


def _coefficients_first(
    values: Complexes, frequencies: int, count: int | None, options: SphericalOptions, where: str
) -> Complexes:
    """Coefficients as (coefficients, frequencies)."""
    shape = " × ".join(map(str, values.shape))
    extra = tuple(axis for axis, length in enumerate(values.shape) if length == 1)
    if values.ndim > 2 and values.ndim - len(extra) <= 2:
        values = values.squeeze(extra[: values.ndim - 2])
    if values.ndim == 1 and frequencies == 1:
        values = values[:, None]

    def fits(coefficients: int, over: int) -> bool:
        wanted = math.isqrt(coefficients) ** 2 == coefficients if count is None else coefficients == count
        return wanted and over == frequencies

    ways = []
    if values.ndim == 2:
        ways = [
            axes
            for axes in (("coefficient", "frequency"), ("frequency", "coefficient"))
            if fits(values.shape[axes.index("coefficient")], values.shape[axes.index("frequency")])
        ]
    if options.axes is not None:
        ways = [axes for axes in ways if axes == options.axes]
    if not ways:
        expected = f"{count}" if count is not None else "(N + 1)²"
        raise InputError.single(
            where,
            f"{options.coefficients} has the shape {shape}",
            f"{expected} coefficients × {frequencies} frequencies"
            + (f" with the axes {', '.join(options.axes)}" if options.axes else ", or the axes exchanged"),
            "correct the options `coefficients`, `frequency`, `axes`, `degree` and `order`",
        )
    if len(ways) == 2:
        raise InputError.single(
            where,
            f"{options.coefficients} has the shape {shape}: its lengths do not tell which axis is which",
            "the option `axes`",
            "declare `axes: [coefficient, frequency]` or the reverse",
        )
    return values if ways[0][0] == "coefficient" else values.T


def _degrees(
    lists: tuple[Floats, Floats] | None, count: int, options: SphericalOptions, where: str
) -> tuple[Integers, Integers]:
    if lists is None:
        return acn(count)
    n, m = lists
    wrong = ""
    if n.size != count or m.size != count:
        wrong = f"{options.degree} and {options.order} hold {n.size} and {m.size} values for {count} coefficients"
    elif not (np.isfinite(n).all() and np.isfinite(m).all()) or (n % 1).any() or (m % 1).any():
        wrong = f"{options.degree} and {options.order} are not all whole numbers"
    elif (n < 0).any() or (np.abs(m) > n).any():
        at = int(np.argmax((n < 0) | (np.abs(m) > n)))
        wrong = f"coefficient {at + 1} has the degree {n[at]:g} and the order {m[at]:g}"
    elif len(set(zip(n.tolist(), m.tolist(), strict=True))) < count:
        wrong = "a degree and order is given twice"
    if wrong:
        raise InputError.single(
            where,
            wrong,
            "whole numbers n and m with |m| ≤ n, each pair once",
            "correct the options `degree` and `order`",
        )
    return n.astype(np.int64), m.astype(np.int64)
