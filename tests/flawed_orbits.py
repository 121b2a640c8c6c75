"""Two orbits of a cap on a rigid sphere (closed form, see physics.py), whole or with one flaw each.

The cap moves radially where an axis tilted by 3 degrees to the left and 9 degrees upwards meets the sphere, so that no
two directions are alike; the sphere's centre lies 5 cm before the centre of rotation.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import xarray as xr

from physics import cap, level

RADIUS, DISTANCE, FORWARD, SPEED = 0.11, 2.0, 0.05, 343.2
ANGLES = np.arange(-170.0, 181.0, 10.0)
FREQUENCY = np.geomspace(150.0, 14000.0, 79)
PLANES = ("horizontal", "vertical")


def vectors(plane: str, angle) -> np.ndarray:
    """Unit vectors of an orbit, written here once more: x forwards, y left, z up."""
    turn = np.deg2rad(np.asarray(angle, float))
    zero = np.zeros_like(turn)
    return np.stack([np.cos(turn), *((np.sin(turn), zero) if plane == "horizontal" else (zero, np.sin(turn)))], axis=-1)


AXIS = np.array([np.cos(np.deg2rad(9)) * np.cos(np.deg2rad(3)), np.cos(np.deg2rad(9)) * np.sin(np.deg2rad(3)), 0.0])
AXIS[2] = np.sin(np.deg2rad(9))


@cache
def _pattern():
    """Level at every half degree off the axis, shape (361, frequencies)."""
    off = np.arange(0.0, 180.5, 0.5)
    sizes = 2 * np.pi * FREQUENCY / SPEED * RADIUS
    return off, np.stack([level(cap(kr, 20.0, int(kr) + 18)(off)) for kr in sizes], axis=-1)


def measured(plane: str, angle, distance: float = DISTANCE):
    """Level (angles, frequencies) and arrival (angles,) at angles on an orbit about the centre of rotation."""
    place = distance * vectors(plane, angle) - np.array([FORWARD, 0.0, 0.0])
    way = np.linalg.norm(place, axis=-1)
    off = np.rad2deg(np.arccos(np.clip(place @ AXIS / way, -1, 1)))
    grid, pattern = _pattern()
    found = np.stack([np.interp(off, grid, column) for column in pattern.T], axis=-1)
    return 86.0 + found - 20 * np.log10(way)[:, np.newaxis], way / SPEED


def orbits(*, noise: float = 0.03, seed: int = 1, distances=(DISTANCE, DISTANCE), latency: float = 0.0) -> xr.Dataset:
    """A whole measurement, with arrivals."""
    rng = np.random.default_rng(seed)
    made = [measured(plane, ANGLES, distance) for plane, distance in zip(PLANES, distances, strict=True)]
    levels, arrivals = np.stack([one[0] for one in made]), np.stack([one[1] for one in made])
    levels = levels + noise * rng.standard_normal((2, ANGLES.size, 1)) + noise * rng.standard_normal(levels.shape)
    return xr.Dataset(
        {
            "level": (("plane", "angle", "frequency"), levels),
            "arrival": (("plane", "angle"), arrivals + latency + 2e-6 * rng.standard_normal(arrivals.shape)),
            "measured": (("plane", "angle"), np.ones((2, ANGLES.size), np.int8)),
        },
        coords={"plane": list(PLANES), "angle": ANGLES, "frequency": FREQUENCY},
        attrs={"level_kind": "spl", "measured_distance": DISTANCE, "distance": 1.0, "temperature": 20.0},
    )


def at(angle: float) -> int:
    return int(np.flatnonzero(angle == ANGLES)[0])
