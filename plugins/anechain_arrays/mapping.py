"""Take arrays and directions out of a container as a mapping says, checked against each other."""

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

__all__ = ["Mapped", "angles_of", "mapped"]

Values = NDArray[np.float64] | NDArray[np.complex128]

_FULL_TURN = 360.0


@dataclass(frozen=True)
class Mapped:
    """Curves of one container and one plane, or of a whole field.

    Attributes
    ----------
    plane : str or None
        Plane that has this array to itself; None where one array holds everything.
    level, phase : numpy.ndarray, shape (place axes in the order of `places`, frequencies)
        dB and degrees; phase may be None.
    places : tuple of str
        Names of the axes before frequency.
    """

    plane: str | None
    level: Floats
    phase: Floats | None
    places: tuple[str, ...]


def angles_of(
    container: Container, given: str | tuple[float, ...], option: str, options: ArraysOptions, most: float = _FULL_TURN
) -> Floats:
    """Angles in degrees that an option names or lists.

    Parameters
    ----------
    container : Container
        Where a path is looked up.
    given : str or tuple of float
        A path, or the angles.
    option : str
        Name of the option, for messages.
    options : ArraysOptions
        For their unit.
    most : float
        Largest magnitude that makes sense, in degrees.

    Raises
    ------
    InputError
        If they are no list of finite angles within that range, or radians taken for degrees.
    """
    values = container.numbers(given, option) if isinstance(given, str) else np.asarray(given, dtype=np.float64)
    flat = np.asarray(values.ravel().real, dtype=np.float64)
    wrong = ""
    if max(values.shape, default=1) != flat.size or not flat.size or np.iscomplexobj(values):
        wrong = f"has the shape {' × '.join(map(str, values.shape))}, not that of one list of real numbers"
    elif not np.isfinite(flat).all():
        wrong = "holds values that are not finite"
    elif options.angle_unit == "degree" and _look_like_radians(flat):
        wrong = (
            f"reaches from {flat.min():.4g} to {flat.max():.4g} in fractions that radians are, but is taken in degrees"
        )
    degrees = np.rad2deg(flat) if options.angle_unit == "radian" else flat
    if not wrong and np.abs(degrees).max() > most + 1e-6:
        wrong = f"reaches {degrees[np.abs(degrees).argmax()]:g}°"
    if wrong:
        raise InputError.single(
            container.where,
            f"{given if isinstance(given, str) else 'the list'} (option `{option}`) {wrong}",
            f"finite angles within ±{most:g}°",
            f"correct the options `{option}`, `angle_unit` and `elevation_is`",
        )
    return np.asarray(degrees)


def _look_like_radians(angles: Floats) -> bool:
    """Whether angles span half a turn or more in radians and are no round degrees."""
    turned = angles[angles != 0]
    return (
        turned.size > 2
        and bool(np.abs(angles).max() <= 2 * np.pi + 0.01)
        and bool(np.ptp(angles) > 3.1)
        and float((np.abs(turned / 0.05 - np.round(turned / 0.05)) < 1e-3).mean()) < 0.5
    )


def _axes_last(values: Values, name: str, expected: dict[str, int], options: ArraysOptions, where: str) -> Values:
    """An array with the place axes in the order of `expected` and frequency last; other axes taken at their index."""
    axes = options.axes
    shape = " × ".join(map(str, values.shape))
    # MATLAB drops axes of length one at the end, and adds them elsewhere.
    padded: NDArray[Any] = values.reshape(values.shape + (1,) * max(len(axes) - values.ndim, 0))
    ones = [axis for axis, length in enumerate(padded.shape) if length == 1]
    for dropped in combinations(ones, padded.ndim - len(axes)):
        candidate: NDArray[Any] = padded.squeeze(dropped)
        lengths: dict[str, int] = dict(zip(axes, candidate.shape, strict=True))
        if all(lengths[axis] == length for axis, length in expected.items()) and all(
            index < lengths[axis] for axis, index in options.take.items()
        ):
            for axis in sorted(options.take, key=axes.index, reverse=True):
                candidate = np.take(candidate, options.take[axis], axis=axes.index(axis))
            kept = [axis for axis in axes if axis not in options.take]
            return candidate.transpose([kept.index(axis) for axis in expected])
    taken = [f"{axis} above {index}" for axis, index in options.take.items()]
    wanted = [
        f"{axis} {expected[axis]}" if axis in expected else next(t for t in taken if t.startswith(axis))
        for axis in axes
    ]
    raise InputError.single(
        where,
        f"{name} has the shape {shape}",
        f"axes of the lengths {', '.join(wanted)}",
        "correct the options `axes` and `take`, or the paths of frequency and directions",
    )


def _level(values: Values, name: str, options: ArraysOptions, where: str) -> Floats:
    if np.iscomplexobj(values):
        raise InputError.single(
            where, f"{name} is complex, which no level is", "real numbers", "name it by the option `pressure`"
        )
    level = level_from_scale(values.real, options.scale, name, where)
    refuse_missing(level, "level", name, where, options.missing == "keep")
    return level


def _path(paths: Paths | None, plane: str | None) -> str | None:
    if isinstance(paths, dict):
        return next((path for name, path in paths.items() if name == plane), None)
    return paths


def mapped(container: Container, options: ArraysOptions, plane: str | None, expected: dict[str, int]) -> Mapped:
    """Levels and phases of one array.

    Parameters
    ----------
    container : Container
        The open file.
    options : ArraysOptions
        The mapping.
    plane : str or None
        Which plane's array, where each has one.
    expected : dict of str to int
        Length of every axis that is kept; frequency last.

    Raises
    ------
    InputError
        If an array is not there, has other axes, or holds what cannot be; all problems of the arrays at once.
    """
    where = container.where
    problems: list[Problem] = []

    def array(option: str) -> Values | None:
        path = _path(getattr(options, option), plane)
        if path is None:
            return None
        try:
            return _axes_last(container.numbers(path, option), path, expected, options, where)
        except InputError as input_error:
            problems.extend(input_error.problems)
            return None

    values = array("level" if options.level is not None else "pressure")
    beside = array("phase" if options.level is not None else "imaginary")
    if problems or values is None:
        raise InputError(problems)
    places = tuple(expected)[:-1]
    main = _path(options.level if options.level is not None else options.pressure, plane) or ""
    if options.level is not None:
        level = _level(values, main, options, where)
        phase = None
        if beside is not None:
            phase = np.asarray(beside.real if options.phase_unit == "degree" else np.rad2deg(beside.real))
            phase = np.where(np.isfinite(phase), phase, np.nan)
            refuse_missing(phase, "phase", _path(options.phase, plane) or "", where, options.missing == "keep")
        return Mapped(plane, level, phase, places)
    if beside is not None and (np.iscomplexobj(values) or np.iscomplexobj(beside)):
        raise InputError.single(
            where, "`pressure` is complex already", "real and imaginary parts apart", "leave out the option `imaginary`"
        )
    if beside is None and not np.iscomplexobj(values):
        raise InputError.single(
            where,
            f"{main} is real, so the imaginary part is lacking",
            "complex pressures",
            "name the imaginary parts by the option `imaginary`, or magnitudes by `level` with `level_scale: linear`",
        )
    pressure = values if beside is None else values + 1j * beside
    level, phase = level_and_phase(pressure, REFERENCE_PRESSURE if options.scale == "pascal" else 1.0)
    level = np.where(np.isfinite(level), level, np.nan)
    refuse_missing(level, "level", main, where, options.missing == "keep")
    return Mapped(plane, level, np.where(np.isnan(level), np.nan, phase), places)
