"""How sure an impedance is by frequency, and whether a limit is held when the uncertainty is counted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "FEW_DEGREES",
    "ImpedanceUncertainty",
    "effective_degrees_of_freedom",
    "impedance_uncertainty",
]

FEW_DEGREES = 10.0
"""Degrees of freedom up to which k = 2 covers noticeably less than 95 % (GUM, JCGM 100:2008, G.6.6)."""


@dataclass(frozen=True)
class ImpedanceUncertainty:
    """Standard uncertainties of an impedance, what is one error at all frequencies apart from what is not.

    Attributes
    ----------
    magnitude_common, magnitude_own : numpy.ndarray, shape (n,)
        Ohm.
    phase_common, phase_own : numpy.ndarray, shape (n,)
        Degrees.
    degrees_of_freedom : float
        Of the own parts: takes less one, where fewest were joined; infinity if none was repeated.
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
    "own part: standard deviation of the takes over the root of their number",
    source="GUM, JCGM 100:2008, 4.2 (takes, type A), 4.3 (statements, type B) and 5.1.2 (product)",
    limitations="Takes are independent of each other, and their errors after the octaves that are chosen: a coil "
    "that warms "
    "from take to take raises its resistance at all frequencies, which is common to them and has no root of their "
    "number. What was not set up anew between the takes (contacts, cables) is not in their spread.",
)
def impedance_uncertainty(
    magnitude: ArrayLike,
    relative: ArrayLike = 0.0,
    phase_deg: ArrayLike = 0.0,
    magnitude_std: ArrayLike | None = None,
    phase_std: ArrayLike | None = None,
    takes: ArrayLike | None = None,
) -> ImpedanceUncertainty:
    """Standard uncertainty of modulus and phase from what is stated and from repeated takes.

    Parameters
    ----------
    magnitude : array_like, shape (n,)
        Ohm, of the mean of the takes.
    relative : array_like, broadcast to (n,)
        Relative standard uncertainty of the modulus that all frequencies share: reference resistor and gains.
    phase_deg : array_like, broadcast to (n,)
        Standard uncertainty of the phase in degrees that all frequencies share.
    magnitude_std, phase_std : array_like, shape (n,), optional
        Standard deviation of the takes, in ohm and in degrees; none if no take was repeated. NaN where it is not known.
    takes : array_like, broadcast to (n,), optional
        Number of takes joined; without it the standard deviations hold for what is given.

    Returns
    -------
    ImpedanceUncertainty

    Raises
    ------
    ValueError
        If an uncertainty is negative, or a shape is another.
    """
    modulus = np.asarray(magnitude, dtype=np.float64)
    parts = [np.asarray(0.0 if one is None else one, dtype=np.float64) for one in (magnitude_std, phase_std)]
    common = [np.asarray(one, dtype=np.float64) for one in (relative, phase_deg)]
    if any((one < 0).any() for one in (*parts, *common)):
        raise ValueError("a standard uncertainty is not negative")
    count = np.maximum(np.broadcast_to(np.asarray(1 if takes is None else takes, np.float64), modulus.shape), 1.0)
    magnitude_own, phase_own = (np.broadcast_to(one, modulus.shape) / np.sqrt(count) for one in parts)
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
    """Degrees of freedom of a sum of a stated and a repeated part, by Welch and Satterthwaite (GUM, G.4.1).

    Parameters
    ----------
    common, own : float
        Standard uncertainties; the common one is taken as exactly known.
    degrees_of_freedom : float
        Of the own part.
    """
    if own <= 0 or np.isinf(degrees_of_freedom):
        return float("inf")
    return float((np.hypot(common, own) / own) ** 4 * degrees_of_freedom)
