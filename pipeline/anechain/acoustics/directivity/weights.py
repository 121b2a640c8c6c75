"""Weights of two orbits: the share of the sphere that each of their curves represents."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["PRINTED_WEIGHTS", "OrbitWeights", "two_orbit_weights"]


_HALF_PRINTED = {
    0: 0.000604486,
    10: 0.004730189,
    20: 0.008955027,
    30: 0.012387354,
    40: 0.014989611,
    50: 0.016868154,
    60: 0.018165962,
    70: 0.019006744,
    80: 0.019477787,
    90: 0.019629373,
}
PRINTED_WEIGHTS: dict[int, float] = _HALF_PRINTED | {180 - angle: weight for angle, weight in _HALF_PRINTED.items()}
"""Weights per curve by angle from the axis as ANSI/CTA-2034-A prints them, nine decimals.

Recalled, not checked against the document. They are only a check: the weights in use are computed from geometry, and
agree with all of these to the last printed decimal.
"""


class OrbitWeights(NamedTuple):
    """Weights of the curves of one orbit.

    Attributes
    ----------
    angle : numpy.ndarray
        Degrees in (-180, 180], ascending.
    weight : numpy.ndarray
        Share of the sphere of each curve; the sum is not 1.
    pole : numpy.ndarray of bool
        True at 0 and 180 degrees, the directions that both orbits share.
    """

    angle: Floats
    weight: Floats
    pole: NDArray[np.bool_]


def _square_pyramid(half_width: Floats) -> Floats:
    """Return the solid angle of a square pyramid; `half_width` in radians is half the angle of opposite faces."""
    return np.asarray(4.0 * np.arcsin(np.sin(half_width) ** 2))


@method(
    "two-orbit-weights",
    version=1,
    title="Share of the sphere of each curve of two orbits",
    formula="A quarter of the area of a square ring between great circles at half steps, with S(t) = 4 arcsin(sin² t) "
    "inside each, over the area of the sphere",
    source="ANSI/CTA-2034-A, appendix (weights); closed form from the solid angle of a rectangular pyramid",
    source_status="recalled",
    limitations="Two orbits have no information on the directions between them. For a source that is symmetric about "
    "its axis, directions near the axis have too much weight: the power of a cardioid is 0.09 dB too high, that of a "
    "dipole 0.36 dB, that of a piston on a rigid sphere up to 0.65 dB.",
)
def two_orbit_weights(step: float = 10.0) -> OrbitWeights:
    """Return the weights of the curves of one of two perpendicular orbits, from spherical geometry.

    Great circles at half steps in both planes divide the sphere into nested square rings around the axis. The four
    curves in a ring, two on each orbit, share it equally, and so does a pole its square.

    Parameters
    ----------
    step : float
        Degrees between neighbouring curves; divides 90.

    Returns
    -------
    OrbitWeights
        For one orbit. The two orbits together have ``2 * 360 / step - 2`` directions, because they share both poles.

    Raises
    ------
    ValueError
        If the step does not divide 90 degrees.

    Notes
    -----
    At 10 degrees these are the weights of ANSI/CTA-2034-A, recalled, to the nine decimals printed there.

    A pole has a quarter of its square, so the sum is not 1: at 10 degrees it is 0.996373 with each pole once (70
    curves), and 0.997582 with each pole once per orbit (72). Without division by the sum, the sound power of an
    omnidirectional source would be 0.016 dB too low. So a mean with these weights is divided by their sum, with each
    pole once. For a source symmetric about its axis the weights differ, because its rings are round.
    """
    count = round(90.0 / step) if 0 < step <= 90 else 0
    if count < 1 or abs(count * step - 90.0) > 1e-9:
        raise ValueError(f"the step must divide 90 degrees, such as 10, 5 or 15, not {step:g}")
    step = 90.0 / count
    from_axis = step * np.arange(count + 1)
    outer = np.array([*_square_pyramid(np.deg2rad(from_axis[:-1] + step / 2)), 2 * np.pi])
    ring = np.diff(outer, prepend=0.0)
    ring[-1] *= 2  # the ring at 90 degrees extends to the rear as far as to the front
    quarter = np.concatenate([ring, ring[-2::-1]]) / (4 * np.pi) / 4  # 0 to 180 degrees
    index = np.arange(1 - 2 * count, 2 * count + 1)
    distance = np.abs(index)
    return OrbitWeights(
        np.asarray(step * index, np.float64),
        np.asarray(quarter[distance], np.float64),
        (distance == 0) | (distance == 2 * count),
    )
