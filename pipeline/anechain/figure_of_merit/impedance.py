"""Numbers of the impedance: minimum, rated impedance, phase, dissipation and box tuning."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.impedance.box_tuning import box_tuning
from anechain.acoustics.impedance.equivalent_dissipation import equivalent_dissipation
from anechain.acoustics.impedance.limit_decision import lower_limit_decision
from anechain.acoustics.impedance.minimum import minimum_impedance
from anechain.acoustics.impedance.phase_range import phase_range
from anechain.acoustics.impedance.rated_impedance import RatedImpedance, rated_impedance
from anechain.acoustics.uncertainty.monte_carlo import MonteCarlo
from anechain.arrays import Floats
from anechain.campaign.numbers import ImpedanceNumbers
from anechain.data.numbers import Mark, Number, Uncertainty, format_uncertainty, format_value
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
_TUNING = "Box tuning"
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
    data = inputs.datasets.get("impedance")
    if data is None or errors is None:
        for method, key, title, unit in (
            ("minimum-impedance", "minimum", _MINIMUM, "Ω"),
            ("rated-impedance", "rated", _RATED, "Ω"),
            ("phase-range", "phase_low", _LOW, "°"),
            ("phase-range", "phase_high", _HIGH, "°"),
            ("equivalent-dissipation", "dissipation", _DISSIPATION, "Ω"),
            ("box-tuning", "tuning", _TUNING, "Hz"),
        ):
            yield make_number(inputs, method, f"impedance.{key}", HEADING, title, None, unit, reason=NOT_MEASURED)
        return
    measured = _Measured(
        inputs,
        errors,
        np.asarray(data["frequency"].values, dtype=np.float64),
        np.asarray(data["magnitude"].values, dtype=np.float64),
        np.asarray(data["phase"].values, dtype=np.float64) if "phase" in data else None,
    )
    yield from _minimum_numbers(measured)
    yield from _phase_numbers(measured)
    yield _dissipation_number(measured)
    yield _tuning_number(measured)


@dataclass(frozen=True)
class _Measured:
    """The impedance of a device with its uncertainty.

    Attributes
    ----------
    inputs : MetricInputs
    errors : ImpedanceErrors
    frequency, magnitude : numpy.ndarray, shape (n,)
        Hz and ohm.
    phase : numpy.ndarray, shape (n,), or None
        Degrees.
    """

    inputs: MetricInputs
    errors: ImpedanceErrors
    frequency: Floats
    magnitude: Floats
    phase: Floats | None

    @property
    def coverage(self) -> float:
        """Coverage factor of expanded uncertainties."""
        return self.inputs.options.uncertainty.coverage_factor

    @cached_property
    def draws(self) -> dict[str, MonteCarlo] | None:
        """Monte Carlo results by number; None if no uncertainty is known."""
        if not self.errors.repeated and all(self.errors.reasons.values()):
            return None
        chosen = self.inputs.options.impedance

        def values_of(modulus: Floats, angle: Floats | None) -> dict[str, float | None]:
            """Return the numbers by name; those that need the phase are None without one."""
            box = box_tuning(self.frequency, modulus, angle, chosen.tuning_band, chosen.min_peak_ratio)
            return {
                "minimum": minimum_impedance(self.frequency, modulus, chosen.band).frequency_hz,
                "dissipation": equivalent_dissipation(self.frequency, modulus, angle, chosen.band).minimum_ohm,
                "tuning": box.tuning_hz,
                "zero_phase": box.zero_phase_hz,
            }

        return monte_carlo_of_impedance(self.errors, self.magnitude, self.phase, values_of)

    def uncertainty(self, name: str, *parts: str) -> Uncertainty:
        """Return the Monte Carlo uncertainty of a number; `parts` as in :func:`monte_carlo_uncertainty`."""
        if self.draws is None:
            return Uncertainty(None, reason=self.errors.reasons["phase" if parts == ("phase",) else "modulus"])
        return monte_carlo_uncertainty(self.errors, self.draws[name], *parts)


def _mark(hz: float | None) -> tuple[Mark, ...]:
    return () if hz is None else (Mark("impedance", hz, hz),)


def _minimum_numbers(measured: _Measured) -> Iterator[Number]:
    """Yield the minimum impedance, and the highest rated impedance that it allows."""
    inputs, chosen = measured.inputs, measured.inputs.options.impedance
    minimum = minimum_impedance(measured.frequency, measured.magnitude, chosen.band)
    uncertainty = minimum_uncertainty(
        measured.errors,
        measured.magnitude,
        (minimum.magnitude_ohm, minimum.frequency_hz),
        lambda modulus: minimum_impedance(measured.frequency, modulus, chosen.band).magnitude_ohm,
        measured.coverage,
    )
    position = "" if minimum.frequency_hz is None else f"at {format_hertz(minimum.frequency_hz)} Hz"
    if measured.draws is not None and measured.uncertainty("minimum").standard is not None:
        # Either of two nearly equal minima can be the lower one in a draw, so a standard deviation would mislead.
        drawn = measured.draws["minimum"]
        low, high = (format_hertz(end) for end in (drawn.low, drawn.high) if end is not None)
        position += f" (in 95 % of draws {low} to {high} Hz)"
    edge = "at the edge of the data: the minimum may be beyond" if minimum.at_edge else ""
    yield make_number(
        inputs,
        "minimum-impedance",
        "impedance.minimum",
        HEADING,
        _MINIMUM,
        minimum.magnitude_ohm,
        "Ω",
        uncertainty=uncertainty,
        note="; ".join(filter(None, (position, edge))),
        reason=minimum.reason,
        marks=_mark(minimum.frequency_hz),
    )
    rated = rated_impedance(minimum, inputs.device_options.rated_impedance, chosen.rated_values, chosen.rated_share)
    expanded = None if uncertainty.standard is None else measured.coverage * uncertainty.standard
    rule = f"the minimum is at least {_percent(chosen.rated_share)} of it (IEC 60268-5: 80 %)"
    yield make_number(
        inputs,
        "rated-impedance",
        "impedance.rated",
        HEADING,
        _RATED,
        rated.rated_ohm,
        "Ω",
        uncertainty=Uncertainty(None, reason="none: this is a standard value"),
        note="; ".join((rule, *_rating_notes(rated, expanded, chosen))),
        reason=rated.reason,
    )


def _phase_numbers(measured: _Measured) -> Iterator[Number]:
    extremes = phase_range(measured.frequency, measured.phase, measured.inputs.options.impedance.band)
    for key, title, degrees, hz in (
        ("phase_low", _LOW, extremes.most_capacitive_deg, extremes.most_capacitive_hz),
        ("phase_high", _HIGH, extremes.most_inductive_deg, extremes.most_inductive_hz),
    ):
        yield make_number(
            measured.inputs,
            "phase-range",
            f"impedance.{key}",
            HEADING,
            title,
            degrees,
            "°",
            uncertainty=phase_uncertainty(measured.errors, hz),
            note="" if hz is None else f"at {format_hertz(hz)} Hz; inductive is positive",
            reason=extremes.reason,
            marks=_mark(hz),
        )


def _dissipation_number(measured: _Measured) -> Number:
    band = measured.inputs.options.impedance.band
    dissipation = equivalent_dissipation(measured.frequency, measured.magnitude, measured.phase, band)
    hz, note = dissipation.minimum_hz, ""
    if hz is not None:
        inside = (measured.frequency >= band[0] * (1 - 1e-6)) & (measured.frequency <= band[1] * (1 + 1e-6))
        at_band_end = np.isclose(hz, measured.frequency[inside][[0, -1]], rtol=1e-6).any()
        end = "at the end of the band: the minimum may be beyond, where programme has little power"
        note = "; ".join(filter(None, (f"at {format_hertz(hz)} Hz", end if at_band_end else "", DISSIPATION_NOTE)))
    return make_number(
        measured.inputs,
        "equivalent-dissipation",
        "impedance.dissipation",
        HEADING,
        _DISSIPATION,
        dissipation.minimum_ohm,
        "Ω",
        uncertainty=measured.uncertainty("dissipation", "modulus", "phase"),
        note=note,
        reason=dissipation.reason,
        marks=_mark(hz),
    )


def _tuning_number(measured: _Measured) -> Number:
    chosen = measured.inputs.options.impedance
    box = box_tuning(measured.frequency, measured.magnitude, measured.phase, chosen.tuning_band, chosen.min_peak_ratio)
    peaks = ", ".join(f"{format_hertz(hz)} Hz" for hz in box.peaks_hz)
    zero_phase = ""
    if box.zero_phase_hz is not None:
        zero_phase = f"phase passes zero at {format_hertz(box.zero_phase_hz)} Hz"
        standard = measured.uncertainty("zero_phase", "phase").standard
        if standard is not None:
            zero_phase += f" (± {measured.coverage * standard:.2g} Hz, k = {measured.coverage:g})"
    return make_number(
        measured.inputs,
        "box-tuning",
        "impedance.tuning",
        HEADING,
        _TUNING,
        box.tuning_hz,
        "Hz",
        uncertainty=measured.uncertainty("tuning"),
        note="; ".join(filter(None, (box.kind, f"peaks at {peaks}" if peaks else "", zero_phase))),
        reason=": ".join(filter(None, (box.kind if box.tuning_hz is None else "", box.reason))),
        marks=_mark(box.tuning_hz),
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
    minimum_text = f"{format_value(minimum, 'Ω', margin)} ± {format_uncertainty(margin, minimum, 'Ω')} Ω"
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
