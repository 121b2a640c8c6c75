"""How often the causes of peaks and dips are right, over the simulated loudspeakers of `loudspeaker_family`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

import physics
from anechain.acoustics.curve.resonance_shape import bandwidth_of_q
from anechain.acoustics.directivity.curves import curve_set
from anechain.acoustics.directivity.deviations import SEARCHED_CURVES, Deviation, DeviationReport, deviations
from loudspeaker_family import ANGLES, COVERAGE, FREQUENCY, PLANES, RESONANCE, Loudspeaker, Resonance, family

MIN_HEIGHT_DB = 0.7
"""dB; below the 1 dB of the resonances that count, so that an error of height does not hide one."""


SAME_DELAY_S = 5e-5
"""Seconds; an object that reflects high or low frequencies better changes the delay a little."""


@dataclass
class Rates:
    """Counts over loudspeakers.

    Attributes
    ----------
    causes : Counter
        Peaks and dips by row of the family, true cause, whether the phase was known, and cause found.
    radiates : Counter
        Peaks and dips by row of the family, true cause, and how it radiates.
    missed : list of (str, Resonance)
        Resonances of 1 dB and Q 2 or more that were not found as such, with the row of the family.
    resonances : Counter
        Resonances of 1 dB and Q 2 or more, by row of the family.
    echoes : Counter
        "present", "found" and "false".
    loudspeakers : Counter
        By row of the family.
    """

    causes: Counter[tuple[str, str, bool, str]] = field(default_factory=Counter)
    radiates: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    missed: list[tuple[str, Resonance]] = field(default_factory=list)
    resonances: Counter[str] = field(default_factory=Counter)
    echoes: Counter[str] = field(default_factory=Counter)
    loudspeakers: Counter[str] = field(default_factory=Counter)

    @property
    def false_resonances(self) -> tuple[int, int]:
        """Peaks and dips of other causes that are called a resonance, and all of other causes."""
        other = {key: count for key, count in self.causes.items() if key[1] != RESONANCE}
        return sum(count for key, count in other.items() if key[3] == RESONANCE), sum(other.values())

    @property
    def missed_resonances(self) -> tuple[int, int]:
        """Resonances of 1 dB and Q 2 or more that were not found as such, and all of them."""
        return len(self.missed), self.resonances.total()


def report_of(loudspeaker: Loudspeaker, with_phase: bool) -> DeviationReport:
    """Peaks and dips as the pipeline finds them, from levels, or from levels and the phase on the axis."""
    level = 85 + physics.level(loudspeaker.pressure)
    curves = curve_set(level, PLANES, ANGLES).levels
    phase = np.rad2deg(np.angle(loudspeaker.pressure[0, ANGLES == 0][0])) if with_phase else None
    return deviations(
        FREQUENCY,
        {name: curves[name] for name in SEARCHED_CURVES},
        level,
        PLANES,
        ANGLES,
        min_height_db=MIN_HEIGHT_DB,
        axis_phase_deg=phase,
    )


def resonances_at(deviation: Deviation, resonances: Iterable[Resonance]) -> list[Resonance]:
    """The resonances that a peak or dip belongs to: within their width, and not much wider than they are.

    A resonance that is added with a phase has a dip next to its peak: twice the width. Two resonances of similar width
    that overlap are one peak, which lies between them.
    """
    return [
        resonance
        for group in _overlapping(resonances)
        for resonance in group
        if _contains(group, deviation) or _contains([resonance], deviation)
    ]


def _width(resonance: Resonance) -> float:
    return float(bandwidth_of_q(resonance.pole_q))


def _overlapping(resonances: Iterable[Resonance]) -> list[list[Resonance]]:
    """Groups of resonances without phase whose widths differ by less than a factor of 2 and overlap."""
    groups: list[list[Resonance]] = []
    for resonance in sorted(resonances, key=lambda each: each.centre_hz):
        last = groups[-1][-1] if groups else None
        if (
            last is not None
            and not (last.has_phase or resonance.has_phase)
            and 0.5 < _width(resonance) / _width(last) < 2
            and np.log2(resonance.centre_hz / last.centre_hz) <= (_width(resonance) + _width(last)) / 2
        ):
            groups[-1].append(resonance)
        else:
            groups.append([resonance])
    return groups


def _contains(group: Sequence[Resonance], deviation: Deviation) -> bool:
    """Whether a peak or dip is within the width of a group of resonances, and at most three times as wide."""
    centres = [float(np.log2(each.centre_hz)) for each in group]
    reaches = [max(1 / 12, (2 if each.has_phase else 0.5) * _width(each)) for each in group]
    low = min(centre - reach for centre, reach in zip(centres, reaches, strict=True))
    high = max(centre + reach for centre, reach in zip(centres, reaches, strict=True))
    widths = [_width(each) for each in group]
    width = max(c + w / 2 for c, w in zip(centres, widths, strict=True)) - min(
        c - w / 2 for c, w in zip(centres, widths, strict=True)
    )
    feature = deviation.feature
    return low <= np.log2(feature.centre_hz) <= high and feature.width_octaves <= max(3 * width, 1 / 6)


def count(rates: Rates, loudspeaker: Loudspeaker, with_phase: bool, report: DeviationReport) -> None:
    """Add a loudspeaker to the counts."""
    kind, found = loudspeaker.kind, set()
    rates.loudspeakers[kind] += 1
    for deviation in report.deviations:
        resonances = resonances_at(deviation, loudspeaker.resonances)
        low, high = loudspeaker.band
        of_rest = loudspeaker.cause if low <= deviation.feature.centre_hz <= high else COVERAGE
        true = RESONANCE if resonances else of_rest
        rates.causes[kind, true, with_phase, deviation.cause] += 1
        rates.radiates[kind, true, deviation.radiates] += 1
        if deviation.cause == RESONANCE:
            found.update(resonances)
    for resonance in loudspeaker.resonances:
        if resonance.height_db >= 1 and resonance.pole_q >= 2:
            rates.resonances[kind] += 1
            if resonance not in found:
                rates.missed.append((kind, resonance))
    for delay in loudspeaker.delays:
        rates.echoes["present"] += 1
        rates.echoes["found"] += any(abs(echo.delay_s - delay) < SAME_DELAY_S for echo in report.echoes)
    rates.echoes["false"] += sum(
        not any(abs(echo.delay_s - delay) < SAME_DELAY_S for delay in loudspeaker.delays) for echo in report.echoes
    )


def rates_of_parts(parts: Iterable[int], share: float = 1.0) -> Rates:
    """Counts over parts of the family: the phase is known for every other loudspeaker."""
    rates = Rates()
    for part in parts:
        for number, loudspeaker in family(part, share):
            with_phase = number % 2 == 0
            count(rates, loudspeaker, with_phase, report_of(loudspeaker, with_phase))
    return rates
