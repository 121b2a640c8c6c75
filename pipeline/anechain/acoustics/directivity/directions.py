"""Directions around a loudspeaker: angles on the two orbits, vectors on the sphere, and rotation of coordinates.

Angles follow AES69: +x is the reference axis, +y is to the left seen from above, +z is up; azimuth is positive to
the left, elevation positive upwards. On the horizontal orbit a positive angle is to the left, on the vertical orbit
upwards. Angles are in (-180, 180]; 0 and 180 degrees are the same directions on both orbits.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats

__all__ = [
    "PLANES",
    "angle_between",
    "frame",
    "orbit_vectors",
    "spherical_coordinates",
    "unit_vectors",
    "wrap_angle",
]

Plane = Literal["horizontal", "vertical"]
PLANES: tuple[Plane, Plane] = ("horizontal", "vertical")


def wrap_angle(degrees: ArrayLike) -> Floats:
    """Return angles in degrees, wrapped into (-180, 180]."""
    angle = np.asarray(degrees, dtype=np.float64)
    return np.asarray(180.0 - np.mod(180.0 - angle, 360.0))


def unit_vectors(azimuth: ArrayLike, elevation: ArrayLike) -> Floats:
    """Return unit vectors, shape (..., 3), of azimuth and elevation in degrees."""
    az, el = np.deg2rad(np.asarray(azimuth, np.float64)), np.deg2rad(np.asarray(elevation, np.float64))
    return np.stack(np.broadcast_arrays(np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)), axis=-1)


def spherical_coordinates(vectors: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Return azimuth in (-180, 180] and elevation in degrees, and radius, of vectors of shape (..., 3)."""
    v = np.asarray(vectors, dtype=np.float64)
    radius = np.linalg.norm(v, axis=-1)
    elevation = np.rad2deg(np.arctan2(v[..., 2], np.hypot(v[..., 0], v[..., 1])))
    return wrap_angle(np.rad2deg(np.arctan2(v[..., 1], v[..., 0]))), elevation, radius


def orbit_vectors(plane: str, angle: ArrayLike) -> Floats:
    """Return unit vectors, shape (..., 3), of angles in degrees on one orbit.

    Raises
    ------
    ValueError
        If the plane is neither "horizontal" nor "vertical".
    """
    a = np.deg2rad(np.asarray(angle, dtype=np.float64))
    if plane == "horizontal":
        return np.stack([np.cos(a), np.sin(a), np.zeros_like(a)], axis=-1)
    if plane == "vertical":
        return np.stack([np.cos(a), np.zeros_like(a), np.sin(a)], axis=-1)
    raise ValueError(f'plane must be "horizontal" or "vertical", not {plane!r}')


def angle_between(a: ArrayLike, b: ArrayLike) -> Floats:
    """Return the angle in degrees between vectors of shape (..., 3); accurate for small angles too."""
    u, v = np.asarray(a, np.float64), np.asarray(b, np.float64)
    cross = np.linalg.norm(np.cross(u, v), axis=-1)
    return np.asarray(np.rad2deg(np.arctan2(cross, (u * v).sum(axis=-1))))


def frame(axis: ArrayLike, up: ArrayLike) -> Floats:
    """Return the rotation from the coordinates of a file to those of this project.

    Parameters
    ----------
    axis, up : array_like, shape (3,)
        Reference axis and upward direction in the coordinates of the file. `up` need not be perpendicular to the axis;
        only its perpendicular part is used.

    Returns
    -------
    numpy.ndarray, shape (3, 3)
        R such that ``R @ v`` has the axis along +x and the upward direction along +z.

    Raises
    ------
    ValueError
        If one of them has no length, or both are parallel.
    """
    x, z = np.asarray(axis, np.float64), np.asarray(up, np.float64)
    if not np.linalg.norm(x) > 0 or not np.linalg.norm(z) > 0:
        raise ValueError("the reference axis and the upward direction must have a length")
    x = x / np.linalg.norm(x)
    z = z / np.linalg.norm(z)
    z = z - (z @ x) * x
    if np.linalg.norm(z) < 1e-6:
        raise ValueError("the reference axis and the upward direction are parallel")
    z = z / np.linalg.norm(z)
    return np.stack([x, np.cross(z, x), z])
