"""What an amplifier sees: the least impedance, the rating that it allows, phase, dissipation, and the box's tuning."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.curve_parts import hertz
from anechain.acoustics.curve.frequencies import SAME_FREQUENCY, check_levels
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "BoxTuning",
    "EquivalentDissipation",
    "ImpedanceMinimum",
    "PhaseRange",
    "RatedImpedance",
    "box_tuning",
    "dissipation_factor",
    "equivalent_dissipation",
    "minimum_impedance",
    "phase_range",
    "rated_impedance",
]


RATED_VALUES = (2.0, 4.0, 6.0, 8.0, 16.0, 32.0)
"""Ohm; rated impedances of the trade. 4, 8 and 16 are preferred values of IEC standards (recalled)."""

LEAST_SHARE = 0.8
"""Share of the rated impedance that the modulus may fall to (IEC 60268-5, 16.1; recalled)."""

AUDIO_BAND = (20.0, 20000.0)
"""Hz."""


@dataclass(frozen=True)
class ImpedanceMinimum:
    """Least modulus in a band.

    Attributes
    ----------
    magnitude_ohm, frequency_hz : float or None
        None if not determined.
    at_edge : bool
        Whether it lies at the first or last frequency looked at, so that it may be lower beyond.
    low_hz, high_hz : float
        What was looked at.
    reason : str
        Why it is not determined; empty if it is.
    """

    magnitude_ohm: float | None
    frequency_hz: float | None
    at_edge: bool
    low_hz: float
    high_hz: float
    reason: str


@dataclass(frozen=True)
class RatedImpedance:
    """The rating that the least modulus allows.

    Attributes
    ----------
    rated_ohm : float or None
        Highest customary rating of which the minimum is at least 80 %; None if not determined.
    claimed_ohm : float or None
        What the maker states.
    claim_holds : bool or None
        Whether the minimum is at least 80 % of it; None without a claim or a minimum.
    minimum_ohm : float or None
        The least modulus.
    reason : str
        Why it is not determined; empty if it is.
    """

    rated_ohm: float | None
    claimed_ohm: float | None
    claim_holds: bool | None
    minimum_ohm: float | None
    reason: str


@dataclass(frozen=True)
class PhaseRange:
    """Extremes of the phase in a band.

    Attributes
    ----------
    most_capacitive_deg, most_inductive_deg : float or None
        Lowest and highest phase in degrees (inductive is positive); None if not determined.
    most_capacitive_hz, most_inductive_hz : float or None
        Where.
    reason : str
        Why they are not determined; empty if they are.
    """

    most_capacitive_deg: float | None
    most_capacitive_hz: float | None
    most_inductive_deg: float | None
    most_inductive_hz: float | None
    reason: str


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


def _checked(frequency: ArrayLike, magnitude: ArrayLike) -> tuple[Floats, Floats]:
    grid, modulus = check_levels(frequency, magnitude)
    if modulus.ndim != 1 or (modulus[~np.isnan(modulus)] <= 0).any():
        raise ValueError("one row of impedance moduli above zero is needed")
    return grid, modulus


def _extreme(octaves: Floats, value: Floats, row: int) -> tuple[float, float]:
    """Place and value of the parabola's extreme through a sample and its neighbours; the sample itself at an end."""
    if row == 0 or row == value.size - 1:
        return float(octaves[row]), float(value[row])
    x, y = octaves[row - 1 : row + 2] - octaves[row], value[row - 1 : row + 2]
    a, b, c = np.polyfit(x, y, 2)
    if abs(a) < 1e-15:
        return float(octaves[row]), float(value[row])
    at = float(np.clip(-b / (2 * a), x[0], x[2]))
    return float(octaves[row] + at), float(a * at**2 + b * at + c)


@method(
    "minimum-impedance",
    version=1,
    title="Least modulus of the impedance and its frequency",
    formula="Lowest point of the parabola over log frequency through the lowest sample and its neighbours",
    source="IEC 60268-5, 16 (the modulus is what counts); parabola over log frequency through the lowest three samples",
    source_status="recalled",
    limitations="Small signal; a band's edge may hide a lower value beyond.",
)
def minimum_impedance(
    frequency: ArrayLike, magnitude: ArrayLike, band: tuple[float, float] = AUDIO_BAND
) -> ImpedanceMinimum:
    """Search the least modulus of the impedance in a band.

    Parameters
    ----------
    frequency, magnitude : array_like, shape (n,)
        Hz, ascending, and ohm. NaN is left out.
    band : tuple of float
        Hz; frequencies of the data outside it are not looked at.

    Returns
    -------
    ImpedanceMinimum

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or a modulus is not above zero.
    """
    grid, modulus = _checked(frequency, magnitude)
    slack = 1 + SAME_FREQUENCY
    kept = (grid >= band[0] / slack) & (grid <= band[1] * slack) & ~np.isnan(modulus)
    if not kept.any():
        return ImpedanceMinimum(None, None, False, *band, "the impedance has no value in the band")
    octaves, ohm = np.log2(grid[kept]), modulus[kept]
    row = int(np.argmin(ohm))
    place, value = _extreme(octaves, ohm, row)
    edge = row in (0, ohm.size - 1)
    return ImpedanceMinimum(value, float(2**place), edge, float(grid[kept][0]), float(grid[kept][-1]), "")


@method(
    "rated-impedance",
    version=1,
    title="Rated impedance that the least modulus allows",
    formula="Highest of the customary values of which the least modulus is at least 80 %",
    source="IEC 60268-5, 16.1: the modulus is nowhere below 80 % of the rated impedance; customary values",
    source_status="recalled",
    limitations="The rule sets a lower bound to the modulus and says nothing of the phase. 2 and 6 ohm are of the "
    "trade.",
)
def rated_impedance(
    minimum: ImpedanceMinimum,
    claimed_ohm: float | None = None,
    rated_values_ohm: tuple[float, ...] = RATED_VALUES,
    least_share: float = LEAST_SHARE,
) -> RatedImpedance:
    """Highest customary rating that a minimum allows, and whether the maker's claim holds.

    Parameters
    ----------
    minimum : ImpedanceMinimum
    claimed_ohm : float, optional
        What the maker states.
    rated_values_ohm : tuple of float
        Customary ratings.
    least_share : float
        Share of a rating that the minimum must reach.

    Returns
    -------
    RatedImpedance

    Raises
    ------
    ValueError
        If the claim, a rating or the share is not above zero, or there is no rating.
    """
    if claimed_ohm is not None and not claimed_ohm > 0:
        raise ValueError(f"a rated impedance is above zero, not {claimed_ohm}")
    if not rated_values_ohm or min(rated_values_ohm) <= 0 or not least_share > 0:
        raise ValueError(f"ratings and the share of them are above zero, not {rated_values_ohm} and {least_share}")
    least = minimum.magnitude_ohm
    if least is None:
        return RatedImpedance(None, claimed_ohm, None, None, minimum.reason)
    holds = None if claimed_ohm is None else bool(least >= least_share * claimed_ohm - 1e-9)
    allowed = [value for value in rated_values_ohm if least_share * value <= least + 1e-9]
    reason = "" if allowed else f"{least:.2f} ohm is below {100 * least_share:.3g} % of {min(rated_values_ohm):g} ohm"
    return RatedImpedance(max(allowed, default=None), claimed_ohm, holds, least, reason)


@method(
    "phase-range",
    version=1,
    title="Extremes of the impedance's phase",
    formula="Lowest and highest sample of the phase in the band",
    source="lowest and highest sample in a band",
    source_status="common practice, no source",
    limitations="What a phase means for an amplifier depends on the modulus there; see the equivalent dissipation.",
)
def phase_range(frequency: ArrayLike, phase: ArrayLike | None, band: tuple[float, float] = AUDIO_BAND) -> PhaseRange:
    """Extremes of the phase in a band.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    phase : array_like, shape (n,), or None
        Degrees, inductive positive; None if it was not measured.
    band : tuple of float
        Hz.

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
    grid, modulus = _checked(frequency, magnitude)
    if phase is None:
        return EquivalentDissipation(None, None, None, "the phase was not measured")
    _, degrees = check_levels(grid, phase)
    resistance = np.asarray(modulus * dissipation_factor(degrees))
    kept = np.flatnonzero((grid >= band[0]) & (grid <= band[1]) & ~np.isnan(resistance))
    if kept.size == 0:
        return EquivalentDissipation(resistance, None, None, "the impedance has no value in the band")
    row = kept[np.argmin(resistance[kept])]
    return EquivalentDissipation(resistance, float(resistance[row]), float(grid[row]), "")


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
    grid, modulus = _checked(frequency, magnitude)
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
    peaks = [_extreme(octaves, ohm, row) for row in tops]
    found = tuple(float(2**place) for place, _ in peaks), tuple(value for _, value in peaks)
    if len(tops) == 1:
        return BoxTuning(None, None, None, *found, "closed, or a single resonance", "one peak: there is no saddle")
    if len(tops) != 2:
        words = f"{len(tops)} peaks from {hertz(band[0])} to {hertz(band[1])} Hz where a vented box has two"
        return BoxTuning(None, None, None, *found, "not determined", words)
    row = tops[0] + int(np.argmin(ohm[tops[0] : tops[1] + 1]))
    place, value = _extreme(octaves, ohm, row)
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
