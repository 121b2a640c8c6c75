"""Components of an uncertainty: contributions of error sources to a level, as standard uncertainties.

A component is correlated if its error is the same in all directions of a measurement (calibration, gain, distance),
and uncorrelated if the error differs from direction to direction (repeatability, setting of the angle).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "Component",
    "Distribution",
    "angle_slope",
    "decibels_of_relative",
    "distance_component",
    "repeatability",
    "setting_angle_uncertainty",
    "standard_of_limits",
]

Distribution = Literal["rectangular", "triangular", "normal"]

DECIBELS_PER_NEPER = float(20 / np.log(10))
"""Change of level in dB for a relative change of pressure of 1, to first order: 8.685890 dB."""


@dataclass(frozen=True)
class Component:
    """Contribution of an error source to an uncertainty.

    Attributes
    ----------
    name : str
        Error source.
    standard_db : float
        Standard uncertainty in dB (one standard deviation).
    correlated : bool
        True for an error that is the same in all directions of a measurement (calibration, gain, distance), False for
        one that differs from direction to direction (repeatability, setting of the angle).
    degrees_of_freedom : float
        Infinite for a value from a certificate or a judgement.
    """

    name: str
    standard_db: float
    correlated: bool
    degrees_of_freedom: float = float("inf")

    def __post_init__(self) -> None:
        if not 0 <= self.standard_db < np.inf:
            raise ValueError(
                f"{self.name}: a standard uncertainty must be finite and not negative, not {self.standard_db}"
            )
        if not self.degrees_of_freedom > 0:
            raise ValueError(f"{self.name}: degrees of freedom must be above zero, not {self.degrees_of_freedom}")


@method(
    "standard-uncertainty-of-limits",
    version=1,
    title="Standard uncertainty of limits or of a certificate",
    formula="Half width over sqrt 3 (rectangular), over sqrt 6 (triangular), or over the coverage factor (normal)",
    source="GUM, JCGM 100:2008, 4.3 (type B)",
    limitations="The choice of the distribution is a judgement.",
)
def standard_of_limits(half_width: float, distribution: Distribution, coverage_factor: float = 2.0) -> float:
    """Convert limits of ± a half width, or an expanded uncertainty, to a standard uncertainty.

    Parameters
    ----------
    half_width : float
        Half width of the limits; for "normal" the expanded uncertainty of a certificate.
    distribution : {"rectangular", "triangular", "normal"}
        The half width is divided by the square root of 3, of 6, or by the coverage factor (GUM, JCGM 100:2008, 4.3).
    coverage_factor : float
        Coverage factor of the expanded uncertainty.

    Returns
    -------
    float
        In the unit of the half width.

    Raises
    ------
    ValueError
        If the half width is negative or the distribution is unknown.
    """
    divisors = {"rectangular": np.sqrt(3.0), "triangular": np.sqrt(6.0), "normal": coverage_factor}
    if distribution not in divisors or not half_width >= 0:
        raise ValueError(
            f"needs a half width that is not negative and one of {', '.join(divisors)}; "
            f"not {half_width} and {distribution!r}"
        )
    return float(half_width / divisors[distribution])


def decibels_of_relative(relative: float) -> float:
    """Convert a relative uncertainty of pressure, voltage or distance to dB, to first order."""
    return DECIBELS_PER_NEPER * relative


@method(
    "distance-uncertainty",
    version=1,
    title="Level uncertainty from the uncertainty of the measuring distance",
    formula="8.686 dB times the uncertainty of the distance over the distance",
    source="inverse distance law, first order: 8.686 dB times the relative uncertainty",
    limitations="Far field.",
)
def distance_component(distance_m: float, standard_m: float) -> Component:
    """Return the component of an uncertain measuring distance, which is correlated over all directions.

    Parameters
    ----------
    distance_m, standard_m : float
        Measuring distance and its standard uncertainty in m.

    Returns
    -------
    Component

    Raises
    ------
    ValueError
        If the distance is not above zero or the uncertainty is negative.
    """
    if not distance_m > 0 or not standard_m >= 0:
        raise ValueError(
            f"needs a distance above zero and an uncertainty that is not negative, not {distance_m} and {standard_m}"
        )
    return Component("distance", decibels_of_relative(standard_m / distance_m), correlated=True)


@method(
    "setting-angle-uncertainty",
    version=1,
    title="Level uncertainty from the uncertainty of the angle",
    formula="Absolute slope of the level over angle times the uncertainty of the angle",
    source="slope of the level over angle times the uncertainty of the angle, first order",
    source_status="common practice, no source",
    limitations="Zero where the level has an extreme over angle, for instance on the axis; wrong next to a null.",
)
def setting_angle_uncertainty(angles: ArrayLike, level: ArrayLike, standard_deg: float) -> Floats:
    """Return the uncertainty of each level of a whole or partial orbit from the uncertainty of its angle.

    Parameters
    ----------
    angles : array_like, shape (m,), m at least 3
        Degrees, ascending.
    level : array_like, shape (m, n)
        dB.
    standard_deg : float
        Standard uncertainty of the angle in degrees.

    Returns
    -------
    numpy.ndarray, shape (m, n)
        dB.

    Raises
    ------
    ValueError
        If the shapes disagree or the angles do not ascend.
    """
    return np.asarray(np.abs(angle_slope(angles, level)) * standard_deg)


def angle_slope(angles: ArrayLike, level: ArrayLike) -> Floats:
    """Return the slope of the level over angle at each direction of a whole or partial orbit.

    Parameters
    ----------
    angles : array_like, shape (m,), m at least 3
        Degrees, ascending.
    level : array_like, shape (m, n)
        dB.

    Returns
    -------
    numpy.ndarray, shape (m, n)
        dB per degree, from the neighbours on both sides.

    Raises
    ------
    ValueError
        If the shapes disagree or the angles do not ascend.
    """
    degrees, values = np.asarray(angles, dtype=np.float64), np.asarray(level, dtype=np.float64)
    if degrees.ndim != 1 or degrees.size < 3 or values.shape[:1] != degrees.shape or not (np.diff(degrees) > 0).all():
        raise ValueError(
            f"needs three or more ascending angles and a level for each, not shapes {degrees.shape} and {values.shape}"
        )
    step = 360.0 - degrees[-1] + degrees[0]
    if step <= 1.5 * np.diff(degrees).max():
        # The orbit is closed: its ends are neighbours.
        degrees = np.concatenate([[degrees[-1] - 360.0], degrees, [degrees[0] + 360.0]])
        values = np.concatenate([values[-1:], values, values[:1]])
        return np.asarray(np.gradient(values, degrees, axis=0)[1:-1])
    return np.asarray(np.gradient(values, degrees, axis=0))


@method(
    "repeatability",
    version=1,
    title="Repeatability: standard deviation of repeated measurements",
    formula="Standard deviation of the captures (n - 1), over the root of their number for their mean",
    source="GUM, JCGM 100:2008, 4.2 (type A)",
    limitations="Does not include anything that was not set up again between the captures.",
)
def repeatability(levels: ArrayLike, of_the_mean: bool = True) -> tuple[Floats, int]:
    """Return the standard uncertainty that repeated captures show.

    Parameters
    ----------
    levels : array_like, shape (captures, ...)
        dB; two captures or more.
    of_the_mean : bool
        True for the uncertainty of the mean of the captures, False for that of a single capture.

    Returns
    -------
    standard : numpy.ndarray, shape (...)
        dB.
    degrees_of_freedom : int
        Number of captures minus one.

    Raises
    ------
    ValueError
        If there are fewer than two captures.
    """
    values = np.asarray(levels, dtype=np.float64)
    if values.ndim == 0 or values.shape[0] < 2:
        raise ValueError("repeatability needs two captures or more")
    count = values.shape[0]
    deviation = values.std(axis=0, ddof=1)
    return np.asarray(deviation / np.sqrt(count) if of_the_mean else deviation), count - 1
