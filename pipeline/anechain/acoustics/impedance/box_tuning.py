"""Tuning frequency of a vented box from the impedance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.impedance.modulus import check_modulus, parabola_extreme
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["BoxTuning", "box_tuning"]


@dataclass(frozen=True)
class BoxTuning:
    """Peaks and saddle of the impedance at low frequencies.

    Attributes
    ----------
    tuning_hz : float or None
        Frequency in Hz of the minimum modulus between the two peaks; None if not determined.
    zero_phase_hz : float or None
        Frequency in Hz of the phase's zero crossing between the peaks that is nearest to the tuning; the inductance of
        the voice coil makes it differ. None if the phase is not known or has no zero crossing there.
    saddle_ohm : float or None
        Modulus in ohm at the tuning.
    peaks_hz, peaks_ohm : tuple of float
        The peaks, in Hz and ohm.
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
    formula="Frequency of the minimum modulus between the two peaks, by a parabola over log frequency through the "
    "lowest sample and its neighbours",
    source="Small 1973, Vented-Box Loudspeaker Systems, J. Audio Eng. Soc. 21: minimum modulus between the two peaks",
    source_status="recalled",
    limitations="Leakage and the voice coil's inductance shift the saddle by a few percent. Two drivers may "
    "also cause two peaks.",
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
        Band in Hz in which the peaks are searched.
    min_peak_ratio : float
        Minimum ratio of a peak to the lowest modulus on either side of it, up to a higher peak or the band's end.

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
        reason = f"{ohm.size} values from {format_hertz(band[0])} to {format_hertz(band[1])} Hz"
        return BoxTuning(None, None, None, (), (), "not determined", reason)
    peak_rows = _peak_rows(ohm, min_peak_ratio)
    peaks = [parabola_extreme(octaves, ohm, row) for row in peak_rows]
    peaks_hz, peaks_ohm = tuple(float(2**x) for x, _ in peaks), tuple(ohm for _, ohm in peaks)
    if len(peak_rows) == 1:
        kind = "closed, or a single resonance"
        return BoxTuning(None, None, None, peaks_hz, peaks_ohm, kind, "one peak: there is no saddle")
    if len(peak_rows) != 2:
        band_text = f"{format_hertz(band[0])} to {format_hertz(band[1])} Hz"
        reason = f"{len(peak_rows)} peaks from {band_text} where a vented box has two"
        return BoxTuning(None, None, None, peaks_hz, peaks_ohm, "not determined", reason)
    row = peak_rows[0] + int(np.argmin(ohm[peak_rows[0] : peak_rows[1] + 1]))
    tuning_octaves, saddle_ohm = parabola_extreme(octaves, ohm, row)
    zero_phase_hz = None
    if phase is not None:
        degrees = np.asarray(phase, np.float64)[kept]
        zero_phase_hz = _zero_crossing_hz(octaves, degrees, peak_rows, tuning_octaves)
    return BoxTuning(
        float(2**tuning_octaves), zero_phase_hz, saddle_ohm, peaks_hz, peaks_ohm, "vented or passive radiator", ""
    )


def _peak_rows(ohm: Floats, min_peak_ratio: float) -> list[int]:
    """Return the rows of the peaks; of a plateau the first row.

    scipy.signal.find_peaks returns the same rows, but its import would delay each process that draws figures by more
    than 1.5 s.
    """
    return [
        row
        for row in range(1, ohm.size - 1)
        if ohm[row] > ohm[row - 1] and ohm[row] >= ohm[row + 1] and ohm[row] >= min_peak_ratio * _base_of_peak(ohm, row)
    ]


def _base_of_peak(ohm: Floats, row: int) -> float:
    """Return the higher of the two minima next to a peak, each searched up to a higher modulus or the band's end."""
    minima = []
    for side in (ohm[:row][::-1], ohm[row + 1 :]):
        higher = np.flatnonzero(side > ohm[row])
        minima.append(float(side[: higher[0] if higher.size else side.size].min(initial=ohm[row])))
    return max(minima)


def _zero_crossing_hz(octaves: Floats, phase: Floats, peak_rows: list[int], near_octaves: float) -> float | None:
    """Return the frequency in Hz of the phase's zero crossing between two peaks that is nearest to a frequency."""
    rows = np.arange(peak_rows[0], peak_rows[1])
    with np.errstate(invalid="ignore"):
        crossing = rows[phase[rows] * phase[rows + 1] <= 0]
    if crossing.size == 0:
        return None
    ends = phase[crossing], phase[crossing + 1]
    t = np.where(ends[0] == ends[1], 0.0, ends[0] / np.where(ends[0] == ends[1], 1.0, ends[0] - ends[1]))
    zeros = octaves[crossing] + t * (octaves[crossing + 1] - octaves[crossing])
    return float(2 ** zeros[np.argmin(np.abs(zeros - near_octaves))])
