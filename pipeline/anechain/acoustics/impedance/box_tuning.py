"""Tuning frequency of a vented box from the impedance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequencies import hertz
from anechain.acoustics.impedance.modulus import check_modulus, parabola_extreme
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["BoxTuning", "box_tuning"]


@dataclass(frozen=True)
class BoxTuning:
    """What the peaks and the saddle of the impedance at low frequencies say of the box.

    Attributes
    ----------
    tuning_hz : float or None
        Frequency of the least modulus between the two peaks; None if not determined.
    zero_phase_hz : float or None
        Frequency nearest to it at which the phase rises or falls through zero; it differs through the inductance of the
        voice coil. None if the phase is not known or does not pass zero between the peaks.
    saddle_ohm : float or None
        Modulus at the tuning.
    peaks_hz, peaks_ohm : tuple of float
        The peaks found, one or two.
    kind : str
        "vented or passive radiator", "closed, or a single resonance" or "not determined".
    reason : str
        Why there is no tuning; empty if there is.
    """

    tuning_hz: float | None
    zero_phase_hz: float | None
    saddle_ohm: float | None
    peaks_hz: tuple[float, ...]
    peaks_ohm: tuple[float, ...]
    kind: str
    reason: str


@method(
    "box-tuning",
    version=1,
    title="Box tuning from the saddle of the impedance",
    formula="Frequency of the least modulus between the two peaks, by a parabola over log frequency through the "
    "lowest three samples",
    source="Small 1973, Vented-Box Loudspeaker Systems, J. Audio Eng. Soc. 21: least modulus between the two peaks",
    source_status="recalled",
    limitations="Leakage and the voice coil's inductance move the saddle by some percent. Two peaks may also come "
    "from two "
    "drivers.",
)
def box_tuning(
    frequency: ArrayLike,
    magnitude: ArrayLike,
    phase: ArrayLike | None = None,
    band: tuple[float, float] = (10.0, 200.0),
    min_peak_ratio: float = 1.1,
) -> BoxTuning:
    """Find the peaks of the impedance at low frequencies and the saddle between them.

    Parameters
    ----------
    frequency, magnitude : array_like, shape (n,)
        Hz, ascending, and ohm.
    phase : array_like, shape (n,), optional
        Degrees.
    band : tuple of float
        Hz; where the peaks are searched.
    min_peak_ratio : float
        How many times the lowest modulus between it and a higher peak (or the band's end) a peak must be.

    Returns
    -------
    BoxTuning

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or a modulus is not above zero.
    """
    grid, modulus = check_modulus(frequency, magnitude)
    kept = (grid >= band[0]) & (grid <= band[1]) & ~np.isnan(modulus)
    octaves, ohm = np.log2(grid[kept]), modulus[kept]
    if ohm.size < 5:
        words = f"{ohm.size} values from {hertz(band[0])} to {hertz(band[1])} Hz"
        return BoxTuning(None, None, None, (), (), "not determined", words)
    tops = [
        row
        for row in range(1, ohm.size - 1)
        if ohm[row] > ohm[row - 1] and ohm[row] >= ohm[row + 1] and ohm[row] >= min_peak_ratio * _foot(ohm, row)
    ]
    peaks = [parabola_extreme(octaves, ohm, row) for row in tops]
    found = tuple(float(2**place) for place, _ in peaks), tuple(value for _, value in peaks)
    if len(tops) == 1:
        return BoxTuning(None, None, None, *found, "closed, or a single resonance", "one peak: there is no saddle")
    if len(tops) != 2:
        words = f"{len(tops)} peaks from {hertz(band[0])} to {hertz(band[1])} Hz where a vented box has two"
        return BoxTuning(None, None, None, *found, "not determined", words)
    row = tops[0] + int(np.argmin(ohm[tops[0] : tops[1] + 1]))
    place, value = parabola_extreme(octaves, ohm, row)
    zero = None if phase is None else _zero_between(octaves, np.asarray(phase, np.float64)[kept], tops, place)
    return BoxTuning(float(2**place), zero, value, *found, "vented or passive radiator", "")


def _foot(ohm: Floats, row: int) -> float:
    """Higher of the lowest moduli on either side of a peak, each up to a higher peak or the end."""
    feet = []
    for side in (ohm[:row][::-1], ohm[row + 1 :]):
        higher = np.flatnonzero(side > ohm[row])
        feet.append(float(side[: higher[0] if higher.size else side.size].min(initial=ohm[row])))
    return max(feet)


def _zero_between(octaves: Floats, phase: Floats, tops: list[int], near: float) -> float | None:
    rows = np.arange(tops[0], tops[1])
    with np.errstate(invalid="ignore"):
        crossing = rows[phase[rows] * phase[rows + 1] <= 0]
    if crossing.size == 0:
        return None
    ends = phase[crossing], phase[crossing + 1]
    t = np.where(ends[0] == ends[1], 0.0, ends[0] / np.where(ends[0] == ends[1], 1.0, ends[0] - ends[1]))
    places = octaves[crossing] + t * (octaves[crossing + 1] - octaves[crossing])
    return float(2 ** places[np.argmin(np.abs(places - near))])
