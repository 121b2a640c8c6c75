"""Numbers of the impedance: minimum, rated impedance, phase, dissipation and box tuning."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.curve.frequencies import hertz
from anechain.acoustics.impedance.box_tuning import box_tuning
from anechain.acoustics.impedance.equivalent_dissipation import equivalent_dissipation
from anechain.acoustics.impedance.limit_decision import lower_limit_decision
from anechain.acoustics.impedance.minimum import minimum_impedance
from anechain.acoustics.impedance.phase_range import phase_range
from anechain.acoustics.impedance.rated_impedance import RatedImpedance, rated_impedance
from anechain.arrays import Floats
from anechain.campaign.numbers import ImpedanceNumbers
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
DISSIPATION_NOTE = "the resistance with the same peak dissipation in a class B output stage"

_MINIMUM = "Minimum impedance (modulus)"
_RATED = "Rated impedance that the minimum allows"
_LOW, _HIGH = "Phase, most capacitive", "Phase, most inductive"
_DISSIPATION = "Minimum equivalent peak dissipation resistance"


def errors_of(inputs: MetricInputs) -> ImpedanceErrors | None:
    """Return the stated uncertainty of the impedance; None without an impedance."""
    data = inputs.datasets.get("impedance")
    return None if data is None else impedance_errors(data, inputs.stated, inputs.options.uncertainty)


def impedance_uncertainty_dataset(inputs: MetricInputs, errors: ImpedanceErrors | None) -> xr.Dataset | None:
    """Return the dataset `impedance_uncertainty` by frequency; None if no uncertainty is known."""
    if errors is None:
        return None
    return uncertainty_dataset(inputs.datasets["impedance"], errors, inputs.options.uncertainty.coverage_factor)


def numbers(inputs: MetricInputs, errors: ImpedanceErrors | None) -> Iterator[Number]:
    """Yield minimum, rated impedance, phase, dissipation and box tuning."""
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

    def values_of(modulus: Floats, angle: Floats | None) -> dict[str, float | None]:
        """Return the numbers of the Monte Carlo propagation; those that need the phase are None without one."""
        minimum = minimum_impedance(frequency, modulus, chosen.band)
        box = box_tuning(frequency, modulus, angle, chosen.tuning_band, chosen.min_peak_ratio)
        return {
            "minimum": minimum.frequency_hz,
            "dissipation": equivalent_dissipation(frequency, modulus, angle, chosen.band).minimum_ohm,
            "tuning": box.tuning_hz,
            "zero_phase": box.zero_phase_hz,
        }

    known = errors.repeated or not all(errors.reasons.values())
    draws = monte_carlo_of_impedance(errors, magnitude, phase, values_of) if known else None

    def uncertainty_of(name: str, *parts: str) -> Uncertainty:
        if draws is None:
            return Uncertainty(None, reason=errors.reasons["phase" if parts == ("phase",) else "modulus"])
        return monte_carlo_uncertainty(errors, draws[name], *parts)

    def mark(hz: float | None) -> tuple[Mark, ...]:
        return () if hz is None else (Mark("impedance", hz, hz),)

    def frequency_text(hz: float, uncertainty: Uncertainty) -> str:
        """Return a frequency in print, with its expanded uncertainty if that is known."""
        if uncertainty.standard is None:
            return f"{hertz(hz)} Hz"
        return f"{hertz(hz)} Hz (± {coverage * uncertainty.standard:.2g} Hz, k = {coverage:g})"

    minimum = minimum_impedance(frequency, magnitude, chosen.band)
    edge = "at the edge of the data: the minimum may be beyond" if minimum.at_edge else ""
    minimum_ohm_uncertainty = minimum_uncertainty(
        errors,
        magnitude,
        (minimum.magnitude_ohm, minimum.frequency_hz),
        lambda modulus: minimum_impedance(frequency, modulus, chosen.band).magnitude_ohm,
        coverage,
    )
    position = "" if minimum.frequency_hz is None else f"at {hertz(minimum.frequency_hz)} Hz"
    if draws is not None and uncertainty_of("minimum").standard is not None:
        # Either of two nearly equal minima can be the lower one in a draw, so a standard deviation would mislead.
        low, high = (hertz(end) for end in (draws["minimum"].low, draws["minimum"].high) if end is not None)
        position += f" (in 95 % of draws {low} to {high} Hz)"
    yield make_number(
        inputs,
        "minimum-impedance",
        "impedance.minimum",
        HEADING,
        _MINIMUM,
        minimum.magnitude_ohm,
        "Ω",
        uncertainty=minimum_ohm_uncertainty,
        note="; ".join(filter(None, (position, edge))),
        reason=minimum.reason,
        marks=mark(minimum.frequency_hz),
    )
    rated = rated_impedance(minimum, inputs.device_options.rated_impedance, chosen.rated_values, chosen.rated_share)
    expanded = None if minimum_ohm_uncertainty.standard is None else coverage * minimum_ohm_uncertainty.standard
    yield make_number(
        inputs,
        "rated-impedance",
        "impedance.rated",
        HEADING,
        _RATED,
        rated.rated_ohm,
        "Ω",
        uncertainty=Uncertainty(None, reason="none: this is a standard value"),
        note="; ".join(
            filter(
                None,
                (
                    f"the minimum is at minimum {_percent(chosen.rated_share)} of it (IEC 60268-5: 80 %)",
                    *_rating_notes(rated, expanded, chosen),
                ),
            )
        ),
        reason=rated.reason,
    )
    extremes = phase_range(frequency, phase, chosen.band)
    for key, title, degrees, hz in (
        ("phase_low", _LOW, extremes.most_capacitive_deg, extremes.most_capacitive_hz),
        ("phase_high", _HIGH, extremes.most_inductive_deg, extremes.most_inductive_hz),
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
            reason=extremes.reason,
            marks=mark(hz),
        )
    dissipation = equivalent_dissipation(frequency, magnitude, phase, chosen.band)
    in_band = frequency[(frequency >= chosen.band[0] * (1 - 1e-6)) & (frequency <= chosen.band[1] * (1 + 1e-6))]
    at_band_end = dissipation.minimum_hz is not None and bool(
        np.isclose(dissipation.minimum_hz, in_band[[0, -1]], rtol=1e-6).any()
    )
    end_note = (
        "at the end of the band: the minimum may be beyond, where programme has little power" if at_band_end else ""
    )
    yield make_number(
        inputs,
        "equivalent-dissipation",
        "impedance.dissipation",
        HEADING,
        _DISSIPATION,
        dissipation.minimum_ohm,
        "Ω",
        uncertainty=uncertainty_of("dissipation", "modulus", "phase"),
        note=""
        if dissipation.minimum_hz is None
        else "; ".join(filter(None, (f"at {hertz(dissipation.minimum_hz)} Hz", end_note, DISSIPATION_NOTE))),
        reason=dissipation.reason,
        marks=mark(dissipation.minimum_hz),
    )
    box = box_tuning(frequency, magnitude, phase, chosen.tuning_band, chosen.min_peak_ratio)
    peaks_text = ", ".join(f"{hertz(hz)} Hz" for hz in box.peaks_hz)
    zero_phase = ""
    if box.zero_phase_hz is not None:
        zero_phase = f"phase passes zero at {frequency_text(box.zero_phase_hz, uncertainty_of('zero_phase', 'phase'))}"
    yield make_number(
        inputs,
        "box-tuning",
        "impedance.tuning",
        HEADING,
        "Box tuning",
        box.tuning_hz,
        "Hz",
        uncertainty=uncertainty_of("tuning"),
        note="; ".join(filter(None, (box.kind, f"peaks at {peaks_text}" if peaks_text else "", zero_phase))),
        reason=": ".join(filter(None, (box.kind if box.tuning_hz is None else "", box.reason))),
        marks=mark(box.tuning_hz),
    )


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %"


def _rating_notes(rated: RatedImpedance, expanded: float | None, chosen: ImpedanceNumbers) -> Iterator[str]:
    """Yield notes on the stated rating, and on ratings that the uncertainty leaves open."""
    minimum = rated.minimum_ohm
    if minimum is None:
        return
    margin = expanded or 0.0
    share = _percent(chosen.rated_share)
    minimum_text = f"{shown(minimum, 'Ω', margin)} ± {shown_width(margin, minimum, 'Ω')} Ω"
    if rated.claimed_ohm is not None:
        limit = chosen.rated_share * rated.claimed_ohm
        verdict = lower_limit_decision(minimum, margin, limit)
        stated = f"the manufacturer states {rated.claimed_ohm:g} Ω"
        if verdict == "open":
            yield f"{stated}: whether it holds is open: {share} of it is {limit:.3g} Ω, the minimum is {minimum_text}"
        else:
            yield f"{stated}, which {'holds' if verdict == 'held' else 'does not hold'}"
    for value in chosen.rated_values:
        limit = chosen.rated_share * value
        if expanded and value != rated.claimed_ohm and lower_limit_decision(minimum, margin, limit) == "open":
            reason = f"{share} of it is {limit:.3g} Ω, the minimum is {minimum_text}"
            yield f"whether {value:g} Ω may be stated is open: {reason}"
