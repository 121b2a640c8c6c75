"""Options that declare the orientation of a loudspeaker in the coordinates of its file, and the step of the orbits."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import Field, field_validator

from anechain.acoustics.directivity.directions import frame
from anechain.arrays import Floats
from anechain.errors import InputError, Problem
from anechain.importing.hooks import Options

__all__ = ["Axis", "FieldOptions", "axis_vector", "declared_frame"]

Axis = Literal["+x", "-x", "+y", "-y", "+z", "-z"] | tuple[float, float, float]


def axis_vector(axis: Axis) -> tuple[float, float, float]:
    """Return the vector of an axis, which is a word such as "-y" or three numbers."""
    if not isinstance(axis, str):
        return axis
    sign = -1.0 if axis[0] == "-" else 1.0
    x, y, z = (sign if axis[1] == name else 0.0 for name in "xyz")
    return x, y, z


class FieldOptions(Options):
    """Options of importers that read levels in all directions around a loudspeaker."""

    reference_axis: Axis | None = Field(
        default=None,
        description="reference axis of the loudspeaker in the file's coordinates, where +x is azimuth 0 and elevation "
        '0, +y is azimuth 90 and +z elevation 90: "+x", "-x", "+y", "-y", "+z", "-z" or three numbers',
    )
    up: Axis | None = Field(
        default=None,
        description="upward direction of the loudspeaker in the file's coordinates, in the form of reference_axis",
    )
    step: float = Field(
        default=10.0, gt=0, le=90, description="step of the orbits in degrees; 180 must be a multiple of it"
    )

    @field_validator("reference_axis", "up")
    @classmethod
    def _not_zero(cls, value: Axis | None) -> Axis | None:
        if value is not None:
            vector = np.asarray(axis_vector(value))
            if not np.isfinite(vector).all() or not np.linalg.norm(vector) > 0:
                raise ValueError("an axis needs three finite numbers that are not all zero")
        return value

    @field_validator("step")
    @classmethod
    def _divides_180(cls, value: float) -> float:
        if abs(180 / value - round(180 / value)) > 1e-9:
            raise ValueError("180 must be a multiple of the step, so that the orbits meet at the rear")
        return value


def declared_frame(options: FieldOptions, where: str) -> Floats:
    """Return the rotation from the file's coordinates to the project's, according to the options.

    Parameters
    ----------
    options : FieldOptions
        With both axes.
    where : str
        The file, for messages.

    Returns
    -------
    numpy.ndarray, shape (3, 3)
        Multiplies a column vector in the file's coordinates.

    Raises
    ------
    InputError
        If an axis is not declared, or if they are parallel.
    """
    axis, up = options.reference_axis, options.up
    if axis is None or up is None:
        missing = [name for name, value in (("reference_axis", axis), ("up", up)) if value is None]
        raise InputError(
            Problem(
                where,
                f"the option `{name}` is not given, and the file does not state it",
                '"+x", "-x", "+y", "-y", "+z", "-z" or three numbers, in the file\'s coordinates',
                "declare it",
            )
            for name in missing
        )
    try:
        return frame(axis_vector(axis), axis_vector(up))
    except ValueError as error:
        raise InputError.single(
            where, f"options `reference_axis` and `up`: {error}", "two directions that are not parallel", "correct them"
        ) from None
