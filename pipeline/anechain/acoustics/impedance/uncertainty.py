"""Standard uncertainty of an impedance by frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "FEW_DEGREES_OF_FREEDOM",
    "ImpedanceUncertainty",
    "effective_degrees_of_freedom",
    "impedance_uncertainty",
]

FEW_DEGREES_OF_FREEDOM = 10.0
"""Degrees of freedom up to which k = 2 covers clearly less than 95 % (GUM, JCGM 100:2008, G.6.6)."""


@dataclass(frozen=True)
class ImpedanceUncertainty:
    """Standard uncertainties of an impedance: errors common to all frequencies, and errors of each frequency.

    Attributes
    ----------
    magnitude_common, magnitude_own : numpy.ndarray, shape (n,)
        Ohm.
    phase_common, phase_own : numpy.ndarray, shape (n,)
        Degrees.
    degrees_of_freedom : float
        Degrees of freedom of the own parts: smallest number of takes minus one; infinity if no take was repeated.
    """

    magnitude_common: Floats
    magnitude_own: Floats
    phase_common: Floats
    phase_own: Floats
    degrees_of_freedom: float


@method(
    "impedance-uncertainty",
    version=1,
    title="Standard uncertainty of an impedance by frequency",
    formula="Common part: modulus times the relative standard uncertainty, and the standard uncertainty of the phase; "
    "own part: standard deviation of the takes divided by the square root of their number",
    source="GUM, JCGM 100:2008, 4.2 (takes, type A), 4.3 (statements, type B) and 5.1.2 (product)",
    limitations="Takes are assumed independent, and so are their errors at frequencies further apart than the chosen "
    "octaves. A coil that warms up from take to take raises the resistance at all frequencies: this error is common "
    "and does not decrease with the number of takes. Errors of what stays connected between takes (contacts, cables) "
    "are not in their standard deviation.",
)
def impedance_uncertainty(
    magnitude: ArrayLike,
    relative: ArrayLike = 0.0,
    phase_deg: ArrayLike = 0.0,
    magnitude_std: ArrayLike | None = None,
    phase_std: ArrayLike | None = None,
    takes: ArrayLike | None = None,
) -> ImpedanceUncertainty:
    """Return the standard uncertainty of modulus and phase, from stated uncertainties and repeated takes.

    Parameters
    ----------
    magnitude : array_like, shape (n,)
        Ohm, of the mean of the takes.
    relative : array_like, broadcast to (n,)
        Relative standard uncertainty of the modulus common to all frequencies: reference resistor and gains.
    phase_deg : array_like, broadcast to (n,)
        Standard uncertainty of the phase in degrees, common to all frequencies.
    magnitude_std, phase_std : array_like, shape (n,), optional
        Standard deviation of the takes, in ohm and in degrees; absent if no take was repeated. NaN where not known.
    takes : array_like, broadcast to (n,), optional
        Number of takes averaged; without it the standard deviations are those of `magnitude` and its phase.

    Returns
    -------
    ImpedanceUncertainty

    Raises
    ------
    ValueError
        If an uncertainty is negative or the shapes disagree.
    """
    modulus = np.asarray(magnitude, dtype=np.float64)
    own = [np.asarray(0.0 if std is None else std, dtype=np.float64) for std in (magnitude_std, phase_std)]
    common = [np.asarray(value, dtype=np.float64) for value in (relative, phase_deg)]
    if any((value < 0).any() for value in (*own, *common)):
        raise ValueError("a standard uncertainty is not negative")
    count = np.maximum(np.broadcast_to(np.asarray(1 if takes is None else takes, np.float64), modulus.shape), 1.0)
    magnitude_own, phase_own = (np.broadcast_to(std, modulus.shape) / np.sqrt(count) for std in own)
    repeated = (np.nan_to_num(magnitude_own) > 0) | (np.nan_to_num(phase_own) > 0)
    freedom = float(count[repeated].min() - 1) if takes is not None and repeated.any() else float("inf")
    return ImpedanceUncertainty(
        np.asarray(modulus * common[0]),
        np.asarray(magnitude_own),
        np.broadcast_to(common[1], modulus.shape).copy(),
        np.asarray(phase_own),
        freedom,
    )


def effective_degrees_of_freedom(common: float, own: float, degrees_of_freedom: float) -> float:
    """Return the effective degrees of freedom of two parts, by Welch and Satterthwaite (GUM, G.4.1).

    Parameters
    ----------
    common, own : float
        Standard uncertainties; the common part is taken as exactly known.
    degrees_of_freedom : float
        Degrees of freedom of the own part.

    Returns
    -------
    float
        Infinity if there is no own part or its degrees of freedom are infinite.
    """
    if own <= 0 or np.isinf(degrees_of_freedom):
        return float("inf")
    return float((np.hypot(common, own) / own) ** 4 * degrees_of_freedom)
