"""What an amplifier sees at the terminals."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.curve.curve_parts import hertz
from anechain.acoustics.impedance.impedance import (
    RatedImpedance,
    box_tuning,
    equivalent_dissipation,
    minimum_impedance,
    phase_range,
    rated_impedance,
)
from anechain.acoustics.impedance.impedance_uncertainty import lower_limit_decision
from anechain.arrays import Floats
from anechain.campaign.choices import ImpedanceNumbers
from anechain.data.numbers import Mark, Number, Uncertainty, shown, shown_width
from anechain.figure_of_merit.impedance_uncertainty import (
    ImpedanceErrors,
    impedance_errors,
    minimum_uncertainty,
    monte_carlo_of_impedance,
    monte_carlo_uncertainty,
    phase_uncertainty,
    uncertainty_dataset,
)
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["HEADING", "NOT_MEASURED", "USES", "errors_of", "impedance_uncertainty_dataset", "numbers"]


HEADING = "Impedance"
NOT_MEASURED = "the impedance was not measured"
USES = (
    "box-tuning",
    "equivalent-dissipation",
    "impedance-uncertainty",
    "limit-decision",
    "minimum-impedance",
    "monte-carlo-uncertainty",
    "phase-range",
    "rated-impedance",
    "standard-uncertainty-of-limits",
)
STAGE = "the resistance that heats a class B output stage as much, at the peak"

_MINIMUM = "Minimum impedance (modulus)"
_RATED = "Rated impedance that the minimum allows"
_LOW, _HIGH = "Phase, most capacitive", "Phase, most inductive"
_DISSIPATION = "Minimum equivalent peak dissipation resistance"


def errors_of(inputs: MetricInputs) -> ImpedanceErrors | None:
    """What is known of the uncertainty of the impedance; None without an impedance."""
    data = inputs.datasets.get("impedance")
    return None if data is None else impedance_errors(data, inputs.stated, inputs.options.uncertainty)


def impedance_uncertainty_dataset(inputs: MetricInputs, errors: ImpedanceErrors | None) -> xr.Dataset | None:
    """The dataset `impedance_uncertainty`: what is known by frequency; None if nothing is."""
    if errors is None:
        return None
    return uncertainty_dataset(inputs.datasets["impedance"], errors, inputs.options.uncertainty.coverage_factor)


def numbers(inputs: MetricInputs, errors: ImpedanceErrors | None) -> Iterator[Number]:
    """Minimum, rating, phase, dissipation and box tuning."""
    chosen, data = inputs.options.impedance, inputs.datasets.get("impedance")
    if data is None or errors is None:
        for method, key, title, unit in (
            ("minimum-impedance", "minimum", _MINIMUM, "Ω"),
            ("rated-impedance", "rated", _RATED, "Ω"),
            ("phase-range", "phase_low", _LOW, "°"),
            ("phase-range", "phase_high", _HIGH, "°"),
            ("equivalent-dissipation", "dissipation", _DISSIPATION, "Ω"),
            ("box-tuning", "tuning", "Box tuning", "Hz"),
        ):
            yield make_number(inputs, method, f"impedance.{key}", HEADING, title, None, unit, reason=NOT_MEASURED)
        return
    frequency = np.asarray(data["frequency"].values, dtype=np.float64)
    magnitude = np.asarray(data["magnitude"].values, dtype=np.float64)
    phase = np.asarray(data["phase"].values, dtype=np.float64) if "phase" in data else None
    coverage = inputs.options.uncertainty.coverage_factor

    def read(modulus: Floats, angle: Floats | None) -> dict[str, float | None]:
        """What is drawn; what the phase alone decides is not determined without one."""
        least = minimum_impedance(frequency, modulus, chosen.band)
        box = box_tuning(frequency, modulus, angle, chosen.tuning_band, chosen.min_peak_ratio)
        return {
            "minimum": least.frequency_hz,
            "dissipation": equivalent_dissipation(frequency, modulus, angle, chosen.band).minimum_ohm,
            "tuning": box.tuning_hz,
            "zero_phase": box.zero_phase_hz,
        }

    known = errors.repeated or not all(errors.reasons.values())
    found = monte_carlo_of_impedance(errors, magnitude, phase, read) if known else None

    def uncertainty(name: str, *parts: str) -> Uncertainty:
        if found is None:
            return Uncertainty(None, reason=errors.reasons["phase" if parts == ("phase",) else "modulus"])
        return monte_carlo_uncertainty(errors, found[name], *parts)

    def at(hz: float | None) -> tuple[Mark, ...]:
        return () if hz is None else (Mark("impedance", hz, hz),)

    def place(hz: float, uncertainty: Uncertainty) -> str:
        """A frequency in words, with its expanded uncertainty where that is known."""
        if uncertainty.standard is None:
            return f"{hertz(hz)} Hz"
        return f"{hertz(hz)} Hz (± {coverage * uncertainty.standard:.2g} Hz, k = {coverage:g})"

    least = minimum_impedance(frequency, magnitude, chosen.band)
    edge = "at the edge of the data: it may be lower beyond" if least.at_edge else ""
    least_ohm = minimum_uncertainty(
        errors,
        magnitude,
        (least.magnitude_ohm, least.frequency_hz),
        lambda modulus: minimum_impedance(frequency, modulus, chosen.band).magnitude_ohm,
        coverage,
    )
    where = "" if least.frequency_hz is None else f"at {hertz(least.frequency_hz)} Hz"
    if found is not None and uncertainty("minimum").standard is not None:
        # Two minima of nearly one value take turns: an interval holds where a standard deviation would mislead.
        low, high = (hertz(end) for end in (found["minimum"].low, found["minimum"].high) if end is not None)
        where += f" (in 95 % of draws {low} to {high} Hz)"
    yield make_number(
        inputs,
        "minimum-impedance",
        "impedance.minimum",
        HEADING,
        _MINIMUM,
        least.magnitude_ohm,
        "Ω",
        uncertainty=least_ohm,
        note="; ".join(filter(None, (where, edge))),
        reason=least.reason,
        marks=at(least.frequency_hz),
    )
    rated = rated_impedance(least, inputs.device_options.rated_impedance, chosen.rated_values, chosen.rated_share)
    expanded = None if least_ohm.standard is None else coverage * least_ohm.standard
    yield make_number(
        inputs,
        "rated-impedance",
        "impedance.rated",
        HEADING,
        _RATED,
        rated.rated_ohm,
        "Ω",
        uncertainty=Uncertainty(None, reason="a customary value"),
        note="; ".join(
            filter(
                None,
                (
                    f"the minimum is at least {_per_cent(chosen.rated_share)} of it (IEC 60268-5: 80 %)",
                    *_claims(rated, expanded, chosen),
                ),
            )
        ),
        reason=rated.reason,
    )
    span = phase_range(frequency, phase, chosen.band)
    for key, title, degrees, hz in (
        ("phase_low", _LOW, span.most_capacitive_deg, span.most_capacitive_hz),
        ("phase_high", _HIGH, span.most_inductive_deg, span.most_inductive_hz),
    ):
        yield make_number(
            inputs,
            "phase-range",
            f"impedance.{key}",
            HEADING,
            title,
            degrees,
            "°",
            uncertainty=phase_uncertainty(errors, hz),
            note="" if hz is None else f"at {hertz(hz)} Hz; inductive is positive",
            reason=span.reason,
            marks=at(hz),
        )
    heat = equivalent_dissipation(frequency, magnitude, phase, chosen.band)
    looked_at = frequency[(frequency >= chosen.band[0] * (1 - 1e-6)) & (frequency <= chosen.band[1] * (1 + 1e-6))]
    at_end = heat.minimum_hz is not None and bool(np.isclose(heat.minimum_hz, looked_at[[0, -1]], rtol=1e-6).any())
    end = "at the end of the band: it may be lower beyond, where programme has little power" if at_end else ""
    yield make_number(
        inputs,
        "equivalent-dissipation",
        "impedance.dissipation",
        HEADING,
        _DISSIPATION,
        heat.minimum_ohm,
        "Ω",
        uncertainty=uncertainty("dissipation", "modulus", "phase"),
        note=""
        if heat.minimum_hz is None
        else "; ".join(filter(None, (f"at {hertz(heat.minimum_hz)} Hz", end, STAGE))),
        reason=heat.reason,
        marks=at(heat.minimum_hz),
    )
    box = box_tuning(frequency, magnitude, phase, chosen.tuning_band, chosen.min_peak_ratio)
    peaks = ", ".join(f"{hertz(hz)} Hz" for hz in box.peaks_hz)
    zero = ""
    if box.zero_phase_hz is not None:
        zero = f"phase passes zero at {place(box.zero_phase_hz, uncertainty('zero_phase', 'phase'))}"
    yield make_number(
        inputs,
        "box-tuning",
        "impedance.tuning",
        HEADING,
        "Box tuning",
        box.tuning_hz,
        "Hz",
        uncertainty=uncertainty("tuning"),
        note="; ".join(filter(None, (box.kind, f"peaks at {peaks}" if peaks else "", zero))),
        reason=": ".join(filter(None, (box.kind if box.tuning_hz is None else "", box.reason))),
        marks=at(box.tuning_hz),
    )


def _per_cent(share: float) -> str:
    return f"{100 * share:.3g} %"


def _claims(rated: RatedImpedance, expanded: float | None, chosen: ImpedanceNumbers) -> Iterator[str]:
    """What can be said of the maker's claim, and of the ratings next to the one given, the uncertainty counted."""
    least = rated.minimum_ohm
    if least is None:
        return
    margin = expanded or 0.0
    share = _per_cent(chosen.rated_share)
    told = f"{shown(least, 'Ω', margin)} ± {shown_width(margin, least, 'Ω')} Ω"
    if rated.claimed_ohm is not None:
        limit = chosen.rated_share * rated.claimed_ohm
        verdict = lower_limit_decision(least, margin, limit)
        stated = f"the maker states {rated.claimed_ohm:g} Ω"
        if verdict == "open":
            yield f"{stated}: whether it holds is open, {share} of it are {limit:.3g} Ω and the minimum is {told}"
        else:
            yield f"{stated}, which {'holds' if verdict == 'held' else 'does not hold'}"
    for value in chosen.rated_values:
        limit = chosen.rated_share * value
        if expanded and value != rated.claimed_ohm and lower_limit_decision(least, margin, limit) == "open":
            why = f"{share} of it are {limit:.3g} Ω and the minimum is {told}"
            yield f"whether {value:g} Ω may be stated is open, {why}"
