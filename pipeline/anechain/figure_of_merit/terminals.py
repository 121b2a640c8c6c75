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
STAGE = "the resistance that heats a class B output stage as much, at the peak"

_MINIMUM = "Minimum impedance (modulus)"
_RATED = "Rated impedance that the minimum allows"
_LOW, _HIGH = "Phase, most capacitive", "Phase, most inductive"
_DISSIPATION = "Minimum equivalent peak dissipation resistance"


def numbers(given: Given) -> Iterator[Number]:
    """Minimum, rating, phase, dissipation and box tuning."""
    chosen, data = given.options.impedance, given.datasets.get("impedance")
    absent = "the impedance was not measured"
    sure = Spread(None, reason="no uncertainty of the impedance can be stated")
    if data is None:
        for method, key, title, unit in (
            ("minimum-impedance", "minimum", _MINIMUM, "Ω"),
            ("rated-impedance", "rated", _RATED, "Ω"),
            ("phase-range", "phase_low", _LOW, "°"),
            ("phase-range", "phase_high", _HIGH, "°"),
            ("equivalent-dissipation", "dissipation", _DISSIPATION, "Ω"),
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
        _MINIMUM,
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
        _RATED,
        rated.rated_ohm,
        "Ω",
        spread=Spread(None, reason="a customary value"),
        note="; ".join(filter(None, ("the minimum is at least 80 % of it (IEC 60268-5)", claim))),
        reason=rated.reason,
    )
    span = phase_range(frequency, phase, chosen.band)
    for key, title, degrees, hz in (
        ("phase_low", _LOW, span.most_capacitive_deg, span.most_capacitive_hz),
        ("phase_high", _HIGH, span.most_inductive_deg, span.most_inductive_hz),
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
    looked_at = frequency[(frequency >= chosen.band[0] * (1 - 1e-6)) & (frequency <= chosen.band[1] * (1 + 1e-6))]
    at_end = heat.minimum_hz is not None and bool(np.isclose(heat.minimum_hz, looked_at[[0, -1]], rtol=1e-6).any())
    end = "at the end of the band: it may be lower beyond, where programme has little power" if at_end else ""
    yield number(
        given,
        "equivalent-dissipation",
        "impedance.dissipation",
        HEADING,
        _DISSIPATION,
        heat.minimum_ohm,
        "Ω",
        spread=sure,
        note=""
        if heat.minimum_hz is None
        else "; ".join(filter(None, (f"at {hertz(heat.minimum_hz)} Hz", end, STAGE))),
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
