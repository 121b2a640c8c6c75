"""Minimum of the impedance modulus and its frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import SAME_FREQUENCY
from anechain.acoustics.impedance.modulus import AUDIO_BAND, check_modulus, parabola_extreme
from anechain.methods import method

__all__ = ["ImpedanceMinimum", "minimum_impedance"]


@dataclass(frozen=True)
class ImpedanceMinimum:
    """Minimum modulus in a band.

    Attributes
    ----------
    magnitude_ohm, frequency_hz : float or None
        Ohm and Hz; None if not determined.
    at_edge : bool
        Whether it is at the first or last frequency searched, so that the modulus may be lower beyond.
    low_hz, high_hz : float
        First and last frequency in Hz of the data in the band.
    reason : str
        Why it is not determined; empty if it is.
    """

    magnitude_ohm: float | None
    frequency_hz: float | None
    at_edge: bool
    low_hz: float
    high_hz: float
    reason: str


@method(
    "minimum-impedance",
    version=1,
    title="Minimum modulus of the impedance and its frequency",
    formula="Lowest point of the parabola over log frequency through the lowest sample and its neighbours",
    source="IEC 60268-5, 16 (on the modulus); parabola over log frequency through the lowest sample and its neighbours",
    source_status="recalled",
    limitations="Small signal; the modulus may be lower beyond an edge of the band.",
)
def minimum_impedance(
    frequency: ArrayLike, magnitude: ArrayLike, band: tuple[float, float] = AUDIO_BAND
) -> ImpedanceMinimum:
    """Find the minimum modulus of the impedance in a band.

    Parameters
    ----------
    frequency, magnitude : array_like, shape (n,)
        Hz, ascending, and ohm. NaN is ignored.
    band : tuple of float
        Band in Hz.

    Returns
    -------
    ImpedanceMinimum

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or a modulus is not above zero.
    """
    grid, modulus = check_modulus(frequency, magnitude)
    slack = 1 + SAME_FREQUENCY
    kept = (grid >= band[0] / slack) & (grid <= band[1] * slack) & ~np.isnan(modulus)
    if not kept.any():
        return ImpedanceMinimum(None, None, False, *band, "the impedance has no value in the band")
    octaves, ohm = np.log2(grid[kept]), modulus[kept]
    row = int(np.argmin(ohm))
    minimum_octaves, minimum_ohm = parabola_extreme(octaves, ohm, row)
    edge = row in (0, ohm.size - 1)
    return ImpedanceMinimum(
        minimum_ohm, float(2**minimum_octaves), edge, float(grid[kept][0]), float(grid[kept][-1]), ""
    )
