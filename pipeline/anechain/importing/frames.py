"""Options that say where a loudspeaker points in the coordinates of its file, and how orbits are read off a field."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator

from anechain.acoustics.directivity.directions import frame
from anechain.errors import InputError, Problem
from anechain.importing.hooks import Options

__all__ = ["Axis", "FieldOptions", "axis_vector", "declared_frame"]

Axis = Literal["+x", "-x", "+y", "-y", "+z", "-z"] | tuple[float, float, float]


def axis_vector(axis: Axis) -> tuple[float, float, float]:
    """Vector of an axis given as a word ("-y") or as three numbers."""
    if not isinstance(axis, str):
        return axis
    sign = -1.0 if axis[0] == "-" else 1.0
    x, y, z = (sign if axis[1] == name else 0.0 for name in "xyz")
    return x, y, z


class FieldOptions(Options):
    """What an importer of levels all around a loudspeaker has to be told."""

    reference_axis: Axis | None = Field(
        default=None,
        description="the loudspeaker's reference axis in the file's coordinates, where +x is azimuth 0 and elevation "
        '0, +y is azimuth 90 and +z elevation 90: "+x", "-x", "+y", "-y", "+z", "-z" or three numbers',
    )
    up: Axis | None = Field(
        default=None,
        description="the loudspeaker's upward direction in the file's coordinates, as for reference_axis",
    )
    step: float = Field(
        default=10.0, gt=0, le=90, description="step of the orbits in degrees; 180 must be a multiple of it"
    )

    @field_validator("reference_axis", "up")
    @classmethod
    def _has_a_direction(cls, value: Axis | None) -> Axis | None:
        if value is not None:
            vector = np.asarray(axis_vector(value))
            if not np.isfinite(vector).all() or not np.linalg.norm(vector) > 0:
                raise ValueError("an axis needs three finite numbers that are not all zero")
        return value

    @field_validator("step")
    @classmethod
    def _divides_half_a_circle(cls, value: float) -> float:
        if abs(180 / value - round(180 / value)) > 1e-9:
            raise ValueError("180 must be a multiple of the step, so that the orbits meet at the rear")
        return value


def declared_frame(options: FieldOptions, where: str) -> NDArray[np.float64]:
    """Rotation from the file's frame into ours, as the options declare it.

    Raises
    ------
    InputError
        If an axis is not declared, or both are parallel: neither can be guessed.
    """
    axis, up = options.reference_axis, options.up
    if axis is None or up is None:
        lacking = [name for name, value in (("reference_axis", axis), ("up", up)) if value is None]
        raise InputError(
            Problem(
                where,
                f"the option `{name}` is not given, and nothing in the file says it",
                '"+x", "-x", "+y", "-y", "+z", "-z" or three numbers, in the file\'s coordinates',
                "declare it; it cannot be guessed",
            )
            for name in lacking
        )
    try:
        return frame(axis_vector(axis), axis_vector(up))
    except ValueError as error:
        raise InputError.single(
            where, f"options `reference_axis` and `up`: {error}", "two directions across each other", "correct them"
        ) from None
