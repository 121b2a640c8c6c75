"""Arrays and directions of a container according to the declared mapping, checked against each other."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.acoustics.recording.transforms import level_and_phase
from anechain.arrays import Floats
from anechain.errors import InputError, Problem
from anechain.importing.containers import Container
from anechain.importing.scales import level_from_scale, refuse_missing

if TYPE_CHECKING:
    from anechain_arrays.options import ArraysOptions, Paths

__all__ = ["MappedArray", "read_angles", "read_array"]

Values = NDArray[np.float64] | NDArray[np.complex128]

_FULL_TURN = 360.0


@dataclass(frozen=True)
class MappedArray:
    """Levels and phases of one array of a container: of one plane, or of all directions.

    Attributes
    ----------
    plane : str or None
        Plane of the array, if each plane has its own; None if one array holds all directions.
    level, phase : numpy.ndarray, shape (axes of `places`, frequencies)
        dB and degrees; phase may be None.
    places : tuple of str
        Names of the axes before the frequency.
    """

    plane: str | None
    level: Floats
    phase: Floats | None
    places: tuple[str, ...]


def read_angles(
    container: Container,
    source: str | tuple[float, ...],
    option: str,
    options: ArraysOptions,
    limit: float = _FULL_TURN,
) -> Floats:
    """Return the angles that an option names or lists, in degrees.

    Parameters
    ----------
    container : Container
        The open file.
    source : str or tuple of float
        A path, or the angles.
    option : str
        Name of the option, for messages.
    options : ArraysOptions
        With the unit of the angles.
    limit : float
        Largest possible magnitude in degrees.

    Raises
    ------
    InputError
        If they are not a list of finite angles within that range, or seem to be radians that are declared as degrees.
    """
    values = container.numbers(source, option) if isinstance(source, str) else np.asarray(source, dtype=np.float64)
    flat = np.asarray(values.ravel().real, dtype=np.float64)
    problem = ""
    if max(values.shape, default=1) != flat.size or not flat.size or np.iscomplexobj(values):
        problem = f"has the shape {' × '.join(map(str, values.shape))}, not that of one list of real numbers"
    elif not np.isfinite(flat).all():
        problem = "contains values that are not finite"
    elif options.angle_unit == "degree" and _look_like_radians(flat):
        problem = f"reaches from {flat.min():.4g} to {flat.max():.4g}, as radians do, but the unit is degree"
    degrees = np.rad2deg(flat) if options.angle_unit == "radian" else flat
    if not problem and np.abs(degrees).max() > limit + 1e-6:
        problem = f"reaches {degrees[np.abs(degrees).argmax()]:g}°"
    if problem:
        raise InputError.single(
            container.where,
            f"{source if isinstance(source, str) else 'the list'} (option `{option}`) {problem}",
            f"finite angles within ±{limit:g}°",
            f"correct the options `{option}`, `angle_unit` and `elevation_is`",
        )
    return np.asarray(degrees)


def _look_like_radians(angles: Floats) -> bool:
    """Return whether angles span half a turn or more in radians, and most are not multiples of 0.05 degrees."""
    nonzero = angles[angles != 0]
    return (
        nonzero.size > 2
        and bool(np.abs(angles).max() <= 2 * np.pi + 0.01)
        and bool(np.ptp(angles) > 3.1)
        and float((np.abs(nonzero / 0.05 - np.round(nonzero / 0.05)) < 1e-3).mean()) < 0.5
    )


def _ordered_axes(values: Values, name: str, expected: dict[str, int], options: ArraysOptions, where: str) -> Values:
    """Return an array with its axes in the order of `expected`; on other axes the declared index is taken.

    Parameters
    ----------
    values : numpy.ndarray
        The array as the file has it.
    name : str
        Its path, for messages.
    expected : dict of str to int
        Length of each axis.
    options : ArraysOptions
        With the axes of the file.
    where : str
        The file, for messages.

    Raises
    ------
    InputError
        If the lengths do not fit.
    """
    axes = options.axes
    shape = " × ".join(map(str, values.shape))
    # MATLAB drops axes of length one at the end, and adds them to vectors: both are undone.
    padded: NDArray[Any] = values.reshape(values.shape + (1,) * max(len(axes) - values.ndim, 0))
    length_one = [axis for axis, length in enumerate(padded.shape) if length == 1]
    for dropped in combinations(length_one, padded.ndim - len(axes)):
        candidate: NDArray[Any] = padded.squeeze(dropped)
        lengths: dict[str, int] = dict(zip(axes, candidate.shape, strict=True))
        if all(lengths[axis] == length for axis, length in expected.items()) and all(
            index < lengths[axis] for axis, index in options.take.items()
        ):
            for axis in sorted(options.take, key=axes.index, reverse=True):
                candidate = np.take(candidate, options.take[axis], axis=axes.index(axis))
            kept = [axis for axis in axes if axis not in options.take]
            return candidate.transpose([kept.index(axis) for axis in expected])
    wanted = [f"{axis} {expected[axis]}" if axis in expected else f"{axis} above {options.take[axis]}" for axis in axes]
    raise InputError.single(
        where,
        f"{name} has the shape {shape}",
        f"axes with the lengths {', '.join(wanted)}",
        "correct the options `axes` and `take`, or the paths of frequency and directions",
    )


def _level(values: Values, name: str, options: ArraysOptions, where: str) -> Floats:
    if np.iscomplexobj(values):
        raise InputError.single(
            where, f"{name} is complex, but levels are real", "real numbers", "use the option `pressure` for it"
        )
    level = level_from_scale(values.real, options.scale, name, where)
    refuse_missing(level, "level", name, where, options.missing == "keep")
    return level


def _path_for(paths: Paths | None, plane: str | None) -> str | None:
    if isinstance(paths, dict):
        return next((path for name, path in paths.items() if name == plane), None)
    return paths


def read_array(
    container: Container, options: ArraysOptions, plane: str | None, expected: dict[str, int]
) -> MappedArray:
    """Read the levels and phases of one array.

    Parameters
    ----------
    container : Container
        The open file.
    options : ArraysOptions
        The mapping.
    plane : str or None
        The plane, if each has its own array.
    expected : dict of str to int
        Length of each axis; frequency last.

    Raises
    ------
    InputError
        With all problems of the arrays: missing, with other axes, or with wrong values.
    """
    where = container.where
    problems: list[Problem] = []

    def ordered(option: str) -> Values | None:
        path = _path_for(getattr(options, option), plane)
        if path is None:
            return None
        try:
            return _ordered_axes(container.numbers(path, option), path, expected, options, where)
        except InputError as input_error:
            problems.extend(input_error.problems)
            return None

    values = ordered("level" if options.level is not None else "pressure")
    second = ordered("phase" if options.level is not None else "imaginary")
    if problems or values is None:
        raise InputError(problems)
    places = tuple(expected)[:-1]
    main = _path_for(options.level if options.level is not None else options.pressure, plane) or ""
    if options.level is not None:
        level = _level(values, main, options, where)
        phase = None
        if second is not None:
            phase = np.asarray(second.real if options.phase_unit == "degree" else np.rad2deg(second.real))
            phase = np.where(np.isfinite(phase), phase, np.nan)
            refuse_missing(phase, "phase", _path_for(options.phase, plane) or "", where, options.missing == "keep")
        return MappedArray(plane, level, phase, places)
    if second is not None and (np.iscomplexobj(values) or np.iscomplexobj(second)):
        raise InputError.single(
            where, "`pressure` is complex", "separate real and imaginary parts", "leave out the option `imaginary`"
        )
    if second is None and not np.iscomplexobj(values):
        raise InputError.single(
            where,
            f"{main} is real: the imaginary part is missing",
            "complex pressures",
            "set the option `imaginary`, or use `level` with `level_scale: linear` for magnitudes",
        )
    pressure = values if second is None else values + 1j * second
    level, phase = level_and_phase(pressure, REFERENCE_PRESSURE if options.scale == "pascal" else 1.0)
    level = np.where(np.isfinite(level), level, np.nan)
    refuse_missing(level, "level", main, where, options.missing == "keep")
    return MappedArray(plane, level, np.where(np.isnan(level), np.nan, phase), places)
