"""Extremes of the phase of an impedance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels
from anechain.acoustics.impedance.modulus import AUDIO_BAND
from anechain.methods import method

__all__ = ["PhaseRange", "phase_range"]


@dataclass(frozen=True)
class PhaseRange:
    """Extremes of the phase in a band.

    Attributes
    ----------
    most_capacitive_deg, most_inductive_deg : float or None
        Lowest and highest phase in degrees (inductive is positive); None if not determined.
    most_capacitive_hz, most_inductive_hz : float or None
        Frequencies in Hz of these extremes.
    reason : str
        Why they are not determined; empty if they are.
    """

    most_capacitive_deg: float | None
    most_capacitive_hz: float | None
    most_inductive_deg: float | None
    most_inductive_hz: float | None
    reason: str


@method(
    "phase-range",
    version=1,
    title="Extremes of the impedance's phase",
    formula="Lowest and highest sample of the phase in the band",
    source="lowest and highest sample in a band",
    source_status="common practice, no source",
    limitations="The load of an amplifier depends on the modulus there too; see the equivalent dissipation.",
)
def phase_range(frequency: ArrayLike, phase: ArrayLike | None, band: tuple[float, float] = AUDIO_BAND) -> PhaseRange:
    """Return the extremes of the phase in a band.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    phase : array_like, shape (n,), or None
        Degrees, inductive positive; None if it was not measured.
    band : tuple of float
        Band in Hz.

    Returns
    -------
    PhaseRange

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero or the shapes disagree.
    """
    if phase is None:
        return PhaseRange(None, None, None, None, "the phase was not measured")
    grid, degrees = check_levels(frequency, phase)
    kept = (grid >= band[0]) & (grid <= band[1]) & ~np.isnan(degrees)
    if not kept.any():
        return PhaseRange(None, None, None, None, "the phase has no value in the band")
    grid, degrees = grid[kept], degrees[kept]
    low, high = int(np.argmin(degrees)), int(np.argmax(degrees))
    return PhaseRange(float(degrees[low]), float(grid[low]), float(degrees[high]), float(grid[high]), "")
