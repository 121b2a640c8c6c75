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
    """Resistance with the same peak dissipation in a class B output stage as the impedance.

    Attributes
    ----------
    resistance_ohm : numpy.ndarray or None
        Ohm by frequency; None if the phase is not known.
    minimum_ohm, minimum_hz : float or None
        Its minimum in the band in ohm, and the frequency in Hz.
    reason : str
        Why it is not determined; empty if it is.
    """

    resistance_ohm: Floats | None
    minimum_ohm: float | None
    minimum_hz: float | None
    reason: str


def dissipation_factor(phase_deg: ArrayLike) -> Floats:
    """Return the ratio of the resistance with equal peak dissipation to the modulus.

    Parameters
    ----------
    phase_deg : array_like
        Phase of the impedance in degrees.

    Returns
    -------
    numpy.ndarray
        1 for a resistance, less for any other phase.

    Notes
    -----
    One half of a class B stage whose supply equals the peak of the signal dissipates (1 - sin t) sin(t - phase) times
    U² / |Z|. Its maximum satisfies sin(2 t - phase) = cos(t - phase), so that t is 30 degrees plus two thirds of the
    phase plus a multiple of 120 degrees. For a resistance the maximum is 1/4.
    """
    phi = np.deg2rad(np.asarray(phase_deg, dtype=np.float64))[..., np.newaxis]
    t = np.deg2rad(30.0) + 2 * phi / 3 + 2 * np.pi / 3 * np.arange(3)
    largest = ((1 - np.sin(t)) * np.sin(t - phi)).max(axis=-1)
    return np.asarray(0.25 / largest)


@method(
    "equivalent-dissipation",
    version=1,
    title="Equivalent peak dissipation resistance",
    formula="Modulus times 1/4 divided by the maximum, over a period, of (1 - sin t) sin(t - phase)",
    source="peak dissipation of an ideal class B stage at full swing, in closed form; after Benjamin 1994, "
    "J. Audio Eng. Soc. 42(9)",
    source_status="recalled",
    limitations="Ideal class B stage with a sine at full swing; does not apply to switching amplifiers.",
)
def equivalent_dissipation(
    frequency: ArrayLike, magnitude: ArrayLike, phase: ArrayLike | None, band: tuple[float, float] = AUDIO_BAND
) -> EquivalentDissipation:
    """Return the resistance with the same peak dissipation in the output stage as the impedance, by frequency.

    Parameters
    ----------
    frequency, magnitude : array_like, shape (n,)
        Hz, ascending, and ohm.
    phase : array_like, shape (n,), or None
        Degrees; None if it was not measured.
    band : tuple of float
        Band in Hz in which the minimum is searched.

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
