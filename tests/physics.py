"""Sources whose sound field has a closed form, for tests: what a derivation must find is known beforehand.

A pattern is a function that takes the angle from the axis in degrees and returns the (complex) far-field pressure
relative to that on the axis. Means over the true sphere are taken by Gauss-Legendre quadrature over the cosine of the
angle; they owe nothing to the weights of the two orbits.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import eval_legendre, j1, spherical_jn, spherical_yn

Pattern = Callable[[ArrayLike], NDArray]


def level(pressure: ArrayLike) -> NDArray:
    """20 lg |p|; nothing at all is minus infinity."""
    with np.errstate(divide="ignore"):
        return 20 * np.log10(np.abs(pressure))


def first_order(a: float) -> Pattern:
    """A + (1 - A) cos: omnidirectional at A = 1, cardioid at 0.5, dipole at 0."""

    def pressure(theta):
        # cos(90 degrees) is 6e-17 in floating point: a null is made a null.
        cosine = np.cos(np.deg2rad(np.asarray(theta, float)))
        return np.where(np.abs(cosine) < 1e-15, a, a + (1 - a) * cosine)

    return pressure


omni, cardioid, dipole = first_order(1.0), first_order(0.5), first_order(0.0)
subcardioid, supercardioid, hypercardioid = first_order(0.7), first_order((np.sqrt(3) - 1) / 2), first_order(0.25)


def half_space(theta: ArrayLike) -> NDArray:
    """1 in front, 0 behind; at the edge the squared pressure is the mean of both."""
    off = np.abs(np.asarray(theta, float))
    return np.where(off < 90 - 1e-9, 1.0, np.where(off > 90 + 1e-9, 0.0, np.sqrt(0.5)))


def piston_directivity(ka: float) -> Pattern:
    """2 J1(x)/x with x = ka sin, the directivity of a circular piston, alike in front and behind."""

    def pressure(theta):
        x = ka * np.abs(np.sin(np.deg2rad(np.asarray(theta, float))))
        small = x < 1e-8
        return np.where(small, 1.0, 2 * j1(x) / np.where(small, 1.0, x))

    return pressure


def piston(ka: float) -> Pattern:
    """Circular piston in an infinite baffle: nothing behind (Beranek and Mellow, eq. 4.30)."""
    directivity = piston_directivity(ka)
    return lambda theta: directivity(theta) * half_space(theta)


def piston_factor(ka: float) -> float:
    """Directivity factor Q of the baffled piston re the full sphere (Beranek and Mellow, eq. 4.42)."""
    return float(ka**2 / (1 - j1(2 * ka) / ka))


def in_phase_pair(spacing: float, frequency: float, speed: float = 343.2) -> Pattern:
    """Two equal point sources in phase, in the plane that holds both: cos(pi f d sin / c)."""
    return lambda theta: np.cos(np.pi * frequency * spacing * np.sin(np.deg2rad(np.asarray(theta, float))) / speed)


def _hankel_slope(order: NDArray, x: float) -> NDArray:
    """Derivative of the spherical Hankel function of the second kind."""
    return spherical_jn(order, x, derivative=True) - 1j * spherical_yn(order, x, derivative=True)


def _cap_terms(kr: float, half_angle: float, orders: int) -> NDArray:
    n, edge = np.arange(orders + 1), np.cos(np.deg2rad(half_angle))
    velocity = (eval_legendre(np.abs(n - 1), edge) - eval_legendre(n + 1, edge)) / 2
    velocity[0] = (1 - edge) / 2
    return 1j ** (n + 1) * velocity / _hankel_slope(n, kr)


def cap(kr: float, half_angle: float = 30.0, orders: int = 28) -> Pattern:
    """Cap that moves radially on a rigid sphere of k times radius `kr` (Morse and Ingard; recalled)."""
    terms = _cap_terms(kr, half_angle, orders)

    def pressure(theta):
        cosine = np.cos(np.deg2rad(np.asarray(theta, float)))
        sums = sum(term * eval_legendre(n, cosine) for n, term in enumerate(terms))
        return sums / terms.sum()

    return pressure


def cap_index(kr: float, half_angle: float = 30.0, orders: int = 28) -> float:
    """True directivity index in dB of the cap, from its series: the mean square is the sum of |c_n|^2 / (2n + 1)."""
    terms = _cap_terms(kr, half_angle, orders)
    mean = (np.abs(terms) ** 2 / (2 * np.arange(orders + 1) + 1)).sum()
    return float(10 * np.log10(abs(terms.sum()) ** 2 / mean))


def baffle_step(kr: float) -> float:
    """Gain in dB, re free field, on the axis of a point source on a rigid sphere."""
    n = np.arange(int(kr) + 20)
    return float(level(np.sum((2 * n + 1) * 1j**n / _hankel_slope(n, kr)) / kr**2))


def sphere_mean(pattern: Pattern, points: int = 400) -> float:
    """Mean squared pressure over the true sphere of a pattern that is symmetric about its axis, re on axis.

    Front and rear are integrated apart, since a baffled source jumps at 90 degrees.
    """
    x, weight = np.polynomial.legendre.leggauss(points)
    front = (x + 1) / 2
    cosine = np.concatenate([front, -front])
    power = np.abs(pattern(np.rad2deg(np.arccos(cosine)))) ** 2
    return float((np.concatenate([weight, weight]) / 4 * power).sum())


def sphere_mean_of_vectors(power: Callable[[NDArray], NDArray], points: int = 60) -> NDArray:
    """Mean over the true sphere of a squared pressure given for unit vectors of shape (..., 3)."""
    z, weight = np.polynomial.legendre.leggauss(points)
    azimuth = 2 * np.pi * np.arange(2 * points) / (2 * points)
    height, around = np.meshgrid(z, azimuth, indexing="ij")
    ring = np.sqrt(1 - height**2)
    values = power(np.stack([ring * np.cos(around), ring * np.sin(around), height], axis=-1))
    return np.tensordot(weight / 2, values.mean(axis=1), axes=1)


def orbit_angles(step: float = 10.0) -> NDArray:
    """Whole orbit in (-180, 180]."""
    count = round(360 / step)
    return step * np.arange(1 - count // 2, count - count // 2 + 1)


def on_orbits(horizontal: Pattern, vertical: Pattern | None = None, step: float = 10.0):
    """Levels of shape (2, angles, 1), planes and angles of a source; on both orbits alike unless told otherwise."""
    angles = orbit_angles(step)
    patterns = horizontal, horizontal if vertical is None else vertical
    return np.stack([level(p(angles)) for p in patterns])[..., np.newaxis], ("horizontal", "vertical"), angles
