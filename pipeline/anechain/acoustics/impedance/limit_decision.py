"""Whether a lower limit is met, with the uncertainty taken into account."""

from __future__ import annotations

from typing import Literal

from anechain.methods import method

__all__ = ["Verdict", "lower_limit_decision"]

Verdict = Literal["held", "not held", "open"]


@method(
    "limit-decision",
    version=1,
    title="Whether a lower limit is held, with its uncertainty",
    formula="Held if the value minus its expanded uncertainty is at or above the limit, not held if the value plus "
    "its expanded uncertainty is below the limit, open otherwise",
    source="JCGM 106:2012, 8.3: guard bands as wide as the expanded uncertainty, for acceptance and for rejection",
    source_status="recalled",
    limitations="With k = 2 and normally distributed errors, at most 2.3 % of the limits reported as held are missed.",
)
def lower_limit_decision(value: float, expanded: float, limit: float) -> Verdict:
    """Decide whether a value is at or above a limit.

    Parameters
    ----------
    value, expanded, limit : float
        Value, expanded uncertainty and limit in the same unit; the expanded uncertainty is not negative.

    Returns
    -------
    {"held", "not held", "open"}

    Raises
    ------
    ValueError
        If the uncertainty is negative.
    """
    if not expanded >= 0:
        raise ValueError(f"an expanded uncertainty must not be negative, not {expanded}")
    slack = 1e-9 * max(abs(limit), 1.0)
    if value - expanded >= limit - slack:
        return "held"
    return "not held" if value + expanded < limit - slack else "open"
