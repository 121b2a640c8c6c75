"""Spherical harmonics in the conventions of files, and fields evaluated from their coefficients."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from anechain.arrays import Complexes, Floats

__all__ = ["acn_degree_and_order", "evaluate_field", "sphere_quadrature", "spherical_harmonics"]

Integers = NDArray[np.int64]

_MAX_VALUES = 2_000_000
"""Largest number of harmonics in memory at a time: 32 MB."""


def acn_degree_and_order(count: int) -> tuple[Integers, Integers]:
    """Return degree n and order m of the first coefficients by ambisonic channel number, n² + n + m = 0, 1, 2, ..."""
    channel = np.arange(count)
    degree = np.floor(np.sqrt(channel)).astype(np.int64)
    return degree, channel - degree * (degree + 1)


def spherical_harmonics(
    degree: Integers, order: Integers, vectors: Floats, basis: str, normalisation: str, condon_shortley: bool
) -> Complexes:
    """Return spherical harmonics in given directions.

    Parameters
    ----------
    degree, order : numpy.ndarray of int, shape (coefficients,)
        n and m, with abs(m) at most n.
    vectors : numpy.ndarray, shape (directions, 3)
        Unit vectors; the pole is +z, azimuth is counted from +x towards +y.
    basis : {"complex", "real"}
        Real harmonics contain cos(m azimuth) for m > 0 and sin(abs(m) azimuth) for m < 0.
    normalisation : {"orthonormal", "n3d", "sn3d"}
        The square integrates to 1, to 4 pi, or to 4 pi / (2n + 1) over the sphere.
    condon_shortley : bool
        Complex: whether the factor (-1)^m is included for m > 0; without it, the harmonic of -m is the conjugate of
        that of m. Real: whether it is included for all m.

    Returns
    -------
    numpy.ndarray of complex, shape (directions, coefficients)

    Notes
    -----
    The complex orthonormal harmonics with this factor are those of scipy.special.sph_harm_y; E. G. Williams, Fourier
    Acoustics, 1999, section 6.3, defines the same. Real harmonics, N3D and SN3D: J. Daniel, Représentation de champs
    acoustiques, 2000 (recalled).
    """
    from scipy.special import sph_harm_y

    colatitude = np.arctan2(np.hypot(vectors[:, 0], vectors[:, 1]), vectors[:, 2])[:, None]
    azimuth = np.arctan2(vectors[:, 1], vectors[:, 0])[:, None]
    sign = np.where(order % 2 == 0, 1.0, -1.0)
    if basis == "real":
        positive = sph_harm_y(degree, np.abs(order), colatitude, azimuth)
        part = np.where(order < 0, positive.imag, positive.real).astype(np.complex128)
        values: Complexes = part * np.where(order == 0, 1.0, np.sqrt(2.0)) * (1.0 if condon_shortley else sign)
    else:
        values = sph_harm_y(degree, order, colatitude, azimuth)
        if not condon_shortley:
            values = values * np.where(order > 0, sign, 1.0)
    scale = {
        "orthonormal": np.ones(degree.size),
        "n3d": np.full(degree.size, np.sqrt(4 * np.pi)),
        "sn3d": np.sqrt(4 * np.pi / (2 * degree + 1)),
    }[normalisation]
    return np.asarray(values * scale, dtype=np.complex128)


def evaluate_field(
    coefficients: Complexes,
    degree: Integers,
    order: Integers,
    vectors: Floats,
    basis: str,
    normalisation: str,
    condon_shortley: bool,
) -> Complexes:
    """Return the field of coefficients.

    Parameters
    ----------
    coefficients : numpy.ndarray of complex, shape (coefficients, frequencies)
        Coefficients.
    degree, order, vectors, basis, normalisation, condon_shortley
        As for :func:`spherical_harmonics`.

    Returns
    -------
    numpy.ndarray of complex, shape (directions, frequencies)
    """
    block = max(_MAX_VALUES // max(degree.size, 1), 1)
    return np.concatenate(
        [
            spherical_harmonics(degree, order, vectors[start : start + block], basis, normalisation, condon_shortley)
            @ coefficients
            for start in range(0, len(vectors), block)
        ]
    )


def sphere_quadrature(degree: int, min_rings: int = 36) -> tuple[Floats, Floats, Floats]:
    """Return directions and weights that average squared fields over the sphere exactly.

    Parameters
    ----------
    degree : int
        Highest degree of the field; that of its square is twice as high.
    min_rings : int
        Smallest number of rings of elevation: 36 make a grid of about 5 degrees.

    Returns
    -------
    azimuth, elevation : numpy.ndarray, shape (directions,)
        Degrees; the rings are at the Gauss-Legendre nodes of the sine of elevation, with 2 n points on each of n rings.
    weight : numpy.ndarray
        The sum is 1. Exact for spherical polynomials up to degree 2 n - 1 of n rings (Gauss-Legendre in the sine of
        elevation, equal steps of azimuth; Atkinson and Han, Spherical Harmonics and Approximations, 2012, 5.1).
    """
    rings = max(degree + 1, min_rings)
    nodes, weights = np.polynomial.legendre.leggauss(rings)
    azimuth, sine = np.meshgrid(180.0 - np.arange(2 * rings) * 180.0 / rings, nodes)
    weight = np.repeat(weights / weights.sum() / (2 * rings), 2 * rings)
    return azimuth.ravel(), np.rad2deg(np.arcsin(sine.ravel())), weight
