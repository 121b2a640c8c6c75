"""Resistance with the same peak dissipation in the amplifier as the impedance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import check_levels
from anechain.acoustics.impedance.modulus import AUDIO_BAND, check_modulus
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["EquivalentDissipation", "dissipation_factor", "equivalent_dissipation"]


@dataclass(frozen=True)
class EquivalentDissipation:
    """Resistance that heats a class B output stage as much, at the peak, as the impedance does.

    Attributes
    ----------
    resistance_ohm : numpy.ndarray or None
        Ohm by frequency; None if the phase is not known.
    minimum_ohm, minimum_hz : float or None
        Its least value in the band, and where.
    reason : str
        Why it is not determined; empty if it is.
    """

    resistance_ohm: Floats | None
    minimum_ohm: float | None
    minimum_hz: float | None
    reason: str


def dissipation_factor(phase_deg: ArrayLike) -> Floats:
    """Resistance of equal peak dissipation over modulus, by phase in degrees; 1 for a resistance.

    A class B half whose rail is the signal's peak dissipates (1 - sin t) sin(t - phase) times U²/|Z|, largest where
    sin(2 t - phase) = cos(t - phase), which is at 30 degrees plus two thirds of the phase or a third of a turn on; for
    a resistance the largest is 1/4.
    """
    phi = np.deg2rad(np.asarray(phase_deg, dtype=np.float64))[..., np.newaxis]
    turn = np.deg2rad(30.0) + 2 * phi / 3 + 2 * np.pi / 3 * np.arange(3)
    largest = ((1 - np.sin(turn)) * np.sin(turn - phi)).max(axis=-1)
    return np.asarray(0.25 / largest)


@method(
    "equivalent-dissipation",
    version=1,
    title="Equivalent peak dissipation resistance",
    formula="Modulus times 1/4 over the greatest value, over a period, of (1 - sin t) sin(t - phase)",
    source="peak dissipation of an ideal class B stage at full swing, in closed form; after Benjamin 1994, "
    "J. Audio Eng. Soc. 42(9)",
    source_status="recalled",
    limitations="An ideal class B stage with a sine at full swing; switching amplifiers do not work so.",
)
def equivalent_dissipation(
    frequency: ArrayLike, magnitude: ArrayLike, phase: ArrayLike | None, band: tuple[float, float] = AUDIO_BAND
) -> EquivalentDissipation:
    """Resistance that makes the output devices as hot at the peak as the impedance does.

    Parameters
    ----------
    frequency, magnitude : array_like, shape (n,)
        Hz, ascending, and ohm.
    phase : array_like, shape (n,), or None
        Degrees; None if it was not measured.
    band : tuple of float
        Hz; where the minimum is searched.

    Returns
    -------
    EquivalentDissipation

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or a modulus is not above zero.
    """
    grid, modulus = check_modulus(frequency, magnitude)
    if phase is None:
        return EquivalentDissipation(None, None, None, "the phase was not measured")
    _, degrees = check_levels(grid, phase)
    resistance = np.asarray(modulus * dissipation_factor(degrees))
    kept = np.flatnonzero((grid >= band[0]) & (grid <= band[1]) & ~np.isnan(resistance))
    if kept.size == 0:
        return EquivalentDissipation(resistance, None, None, "the impedance has no value in the band")
    row = kept[np.argmin(resistance[kept])]
    return EquivalentDissipation(resistance, float(resistance[row]), float(grid[row]), "")
