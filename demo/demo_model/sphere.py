"""Vibrating caps on a rigid sphere: the exact field of a source on a rounded body, or of a rounded open baffle."""

from __future__ import annotations

import numpy as np
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from anechain.arrays import Complexes, Floats

__all__ = ["cap_on_sphere"]


def cap_on_sphere(
    radius: float,
    half_angle: float,
    wavenumber: Floats,
    cosine: Floats,
    distance: Floats,
    rear: Complexes | float = 0.0,
    rounding: float = 0.0,
) -> Complexes:
    """Return the transfer function of a cap that vibrates radially on a rigid sphere.

    Parameters
    ----------
    radius : float
        Radius of the sphere, m.
    half_angle : float
        Half angle of the cap, degrees.
    wavenumber : numpy.ndarray, shape (frequencies,)
        1/m, above zero.
    cosine, distance : numpy.ndarray, shape (directions,)
        Cosine of the angle off the cap's axis; distance from the sphere's centre, m.
    rear : complex numpy.ndarray, shape (frequencies,), or float
        Velocity of a second cap at the back, which moves inwards when the front one moves outwards, as a share of
        the front one's: 0 for none, 1 for a dipole.
    rounding : float
        Degrees. At 0 the velocity ends abruptly at the cap's edge. Otherwise the edge is smoothed as by diffusion over
        the sphere: by a Gaussian of this standard deviation, for angles well below a radian.

    Returns
    -------
    numpy.ndarray, shape (directions, frequencies)
        1/m; relative to the same volume acceleration in an infinite baffle, whose value is exp(-jkr)/r.

    Notes
    -----
    p = -jρc Σ U_n h_n(kr)/h_n'(kR) P_n(cos θ) with U_n = ½ [P_{n-1}(cos α) - P_{n+1}(cos α)]: Morse and Ingard,
    "Theoretical Acoustics", recalled. Diffusion multiplies U_n by exp(-n (n + 1) σ²/2) and leaves the flow U_0
    unchanged. Orders well above kR do not contribute to the far field and are left out, since h_n' overflows there.
    """
    edge, spread = np.cos(np.deg2rad(half_angle)), np.deg2rad(rounding)
    x = wavenumber * radius
    behind = np.broadcast_to(np.asarray(rear, dtype=np.complex128), x.shape)
    # Most receivers have the same distance: the radial functions are computed once for each distance.
    radii, radius_of = np.unique(np.round(distance, 12), return_inverse=True)
    total = np.zeros((cosine.size, wavenumber.size), dtype=np.complex128)
    for n in range(int(x.max()) + 21):
        below = eval_legendre(n - 1, edge) if n else 1.0
        velocity = 0.5 * (below - eval_legendre(n + 1, edge)) * np.exp(-n * (n + 1) * spread**2 / 2)
        used = n <= x + 20
        slope = spherical_jn(n, x[used], True) - 1j * spherical_yn(n, x[used], True)
        r = np.outer(radii, wavenumber[used])
        outgoing = spherical_jn(n, r) - 1j * spherical_yn(n, r)
        both = velocity * (1 - behind[used] * (-1) ** n)
        total[:, used] -= both * (outgoing / slope)[radius_of] * eval_legendre(n, cosine)[:, None]
    return np.asarray(total / (wavenumber * radius**2 * (1 - edge)))
