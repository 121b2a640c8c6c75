"""What an amplifier sees at the terminals."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from anechain.acoustics.curve_parts import hertz
from anechain.acoustics.impedance import (
    box_tuning,
    equivalent_dissipation,
    minimum_impedance,
    phase_range,
    rated_impedance,
)
from anechain.figure_of_merit.given import Given, number
from anechain.numbers import Mark, Number, Spread

__all__ = ["HEADING", "USES", "numbers"]

HEADING = "Impedance"
USES = ("box-tuning", "equivalent-dissipation", "minimum-impedance", "phase-range", "rated-impedance")


def numbers(given: Given) -> Iterator[Number]:
    """Least modulus, rating, phase, dissipation and box tuning."""
    chosen, data = given.options.impedance, given.datasets.get("impedance")
    absent = "the impedance was not measured"
    sure = Spread(None, reason="no uncertainty of the impedance can be stated")
    if data is None:
        for method, key, title, unit in (
            ("minimum-impedance", "minimum", "Least modulus", "Ω"),
            ("rated-impedance", "rated", "Rated impedance that the least modulus allows", "Ω"),
            ("phase-range", "phase_low", "Lowest phase", "°"),
            ("phase-range", "phase_high", "Highest phase", "°"),
            ("equivalent-dissipation", "dissipation", "Least equivalent dissipation resistance", "Ω"),
            ("box-tuning", "tuning", "Box tuning", "Hz"),
        ):
            yield number(given, method, f"impedance.{key}", HEADING, title, None, unit, reason=absent)
        return
    frequency = np.asarray(data["frequency"].values, dtype=np.float64)
    magnitude = np.asarray(data["magnitude"].values, dtype=np.float64)
    phase = np.asarray(data["phase"].values, dtype=np.float64) if "phase" in data else None

    def at(hz: float | None) -> tuple[Mark, ...]:
        return () if hz is None else (Mark("impedance", hz, hz),)

    least = minimum_impedance(frequency, magnitude, chosen.band)
    edge = "at the edge of the data: it may be lower beyond" if least.at_edge else ""
    yield number(
        given,
        "minimum-impedance",
        "impedance.minimum",
        HEADING,
        "Least modulus",
        least.magnitude_ohm,
        "Ω",
        spread=sure,
        note="; ".join(
            filter(None, ("" if least.frequency_hz is None else f"at {hertz(least.frequency_hz)} Hz", edge))
        ),
        reason=least.reason,
        marks=at(least.frequency_hz),
    )
    rated = rated_impedance(least, given.own.rated_impedance)
    claim = ""
    if rated.claimed_ohm is not None and rated.claim_holds is not None:
        claim = f"the maker states {rated.claimed_ohm:g} Ω, which {'holds' if rated.claim_holds else 'does not hold'}"
    yield number(
        given,
        "rated-impedance",
        "impedance.rated",
        HEADING,
        "Rated impedance that the least modulus allows",
        rated.rated_ohm,
        "Ω",
        spread=Spread(None, reason="a customary value"),
        note="; ".join(filter(None, ("the least modulus is at least 80 % of it", claim))),
        reason=rated.reason,
    )
    span = phase_range(frequency, phase, chosen.band)
    for key, title, degrees, hz in (
        ("phase_low", "Lowest phase", span.most_capacitive_deg, span.most_capacitive_hz),
        ("phase_high", "Highest phase", span.most_inductive_deg, span.most_inductive_hz),
    ):
        yield number(
            given,
            "phase-range",
            f"impedance.{key}",
            HEADING,
            title,
            degrees,
            "°",
            spread=sure,
            note="" if hz is None else f"at {hertz(hz)} Hz; inductive is positive",
            reason=span.reason,
            marks=at(hz),
        )
    heat = equivalent_dissipation(frequency, magnitude, phase, chosen.band)
    yield number(
        given,
        "equivalent-dissipation",
        "impedance.dissipation",
        HEADING,
        "Least equivalent dissipation resistance",
        heat.minimum_ohm,
        "Ω",
        spread=sure,
        note="" if heat.minimum_hz is None else f"at {hertz(heat.minimum_hz)} Hz",
        reason=heat.reason,
        marks=at(heat.minimum_hz),
    )
    box = box_tuning(frequency, magnitude, phase, chosen.tuning_band, chosen.least_rise)
    peaks = ", ".join(f"{hertz(hz)} Hz" for hz in box.peaks_hz)
    zero = "" if box.zero_phase_hz is None else f"phase passes zero at {hertz(box.zero_phase_hz)} Hz"
    yield number(
        given,
        "box-tuning",
        "impedance.tuning",
        HEADING,
        "Box tuning",
        box.tuning_hz,
        "Hz",
        spread=sure,
        note="; ".join(filter(None, (box.kind, f"peaks at {peaks}" if peaks else "", zero))),
        reason=": ".join(filter(None, (box.kind if box.tuning_hz is None else "", box.reason))),
        marks=at(box.tuning_hz),
    )
