"""Rated impedance that the minimum of the modulus allows."""

from __future__ import annotations

from dataclasses import dataclass

from anechain.acoustics.impedance.minimum import ImpedanceMinimum
from anechain.methods import method

__all__ = ["RatedImpedance", "rated_impedance"]

RATED_VALUES = (2.0, 4.0, 6.0, 8.0, 16.0, 32.0)
"""Ohm; customary rated impedances. 4, 8 and 16 are preferred values of IEC standards (recalled)."""

MIN_SHARE = 0.8
"""Minimum modulus re the rated impedance (IEC 60268-5, 16.1; recalled)."""


@dataclass(frozen=True)
class RatedImpedance:
    """Rated impedance that the minimum modulus allows.

    Attributes
    ----------
    rated_ohm : float or None
        Ohm; highest customary rating of which the minimum is at least 80 %; None if not determined.
    claimed_ohm : float or None
        Rated impedance in ohm that the manufacturer states.
    claim_holds : bool or None
        Whether the minimum is at least 80 % of it; None without a claim or a minimum.
    minimum_ohm : float or None
        Minimum modulus in ohm.
    reason : str
        Why it is not determined; empty if it is.
    """

    rated_ohm: float | None
    claimed_ohm: float | None
    claim_holds: bool | None
    minimum_ohm: float | None
    reason: str


@method(
    "rated-impedance",
    version=1,
    title="Rated impedance that the minimum modulus allows",
    formula="Highest of the customary values of which the minimum modulus is at least 80 %",
    source="IEC 60268-5, 16.1: the modulus is nowhere below 80 % of the rated impedance; customary values",
    source_status="recalled",
    limitations="The rule is a lower bound of the modulus and does not consider the phase. 2 and 6 ohm are customary, "
    "not standard.",
)
def rated_impedance(
    minimum: ImpedanceMinimum,
    claimed_ohm: float | None = None,
    rated_values_ohm: tuple[float, ...] = RATED_VALUES,
    min_share: float = MIN_SHARE,
) -> RatedImpedance:
    """Return the highest customary rating that a minimum allows, and whether the manufacturer's claim holds.

    Parameters
    ----------
    minimum : ImpedanceMinimum
    claimed_ohm : float, optional
        Rated impedance in ohm that the manufacturer states.
    rated_values_ohm : tuple of float
        Customary rated impedances in ohm.
    min_share : float
        Smallest ratio of the minimum to a rated impedance.

    Returns
    -------
    RatedImpedance

    Raises
    ------
    ValueError
        If the claim, a rating or the share is not above zero, or there is no rating.
    """
    if claimed_ohm is not None and not claimed_ohm > 0:
        raise ValueError(f"a rated impedance must be above zero, not {claimed_ohm}")
    if not rated_values_ohm or min(rated_values_ohm) <= 0 or not min_share > 0:
        raise ValueError(
            f"rated impedances and the minimum share must be above zero, not {rated_values_ohm} and {min_share}"
        )
    minimum_ohm = minimum.magnitude_ohm
    if minimum_ohm is None:
        return RatedImpedance(None, claimed_ohm, None, None, minimum.reason)
    holds = None if claimed_ohm is None else bool(minimum_ohm >= min_share * claimed_ohm - 1e-9)
    allowed = [value for value in rated_values_ohm if min_share * value <= minimum_ohm + 1e-9]
    reason = (
        "" if allowed else f"{minimum_ohm:.2f} ohm is below {100 * min_share:.3g} % of {min(rated_values_ohm):g} ohm"
    )
    return RatedImpedance(max(allowed, default=None), claimed_ohm, holds, minimum_ohm, reason)
