"""How loud: sensitivity at a voltage, and at a power into the rated impedance."""

from __future__ import annotations

from collections.abc import Iterator

from anechain.acoustics.curve.sensitivity import characteristic_sensitivity, sensitivity
from anechain.acoustics.impedance.impedance import minimum_impedance, rated_impedance
from anechain.data.numbers import Mark, Number, Uncertainty
from anechain.figure_of_merit.curve_uncertainty import band_level_uncertainty
from anechain.figure_of_merit.impedance import NOT_MEASURED
from anechain.figure_of_merit.labels import band_label
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number

__all__ = ["HEADING", "USES", "numbers"]

HEADING = "Level"
USES = ("characteristic-sensitivity", "minimum-impedance", "rated-impedance", "sensitivity")


def numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Sensitivity, and characteristic sensitivity where the impedance is known."""
    band = inputs.options.sensitivity.band
    where = (Mark("on_axis", *band),)
    titles = "Sensitivity, 2.83 V, 1 m", "Characteristic sensitivity level, 1 W into the rated impedance, 1 m"
    if reason := inputs.missing_reason("on_axis"):
        yield make_number(inputs, "sensitivity", "level.sensitivity", HEADING, titles[0], None, "dB", reason=reason)
        yield make_number(
            inputs, "characteristic-sensitivity", "level.characteristic", HEADING, titles[1], None, "dB", reason=reason
        )
        return
    level = inputs.curves["on_axis"]
    reference = "dB re 20 µPa; " if inputs.level_kind == "spl" else ""
    # Free field and half space are 6 dB apart, so the number means nothing without it.
    place = str(inputs.datasets["responses"].attrs.get("environment", "")).strip()
    where_measured = f"; measured in: {place}" if place else "; the environment is not stated"
    found = sensitivity(inputs.frequency, level, band, inputs.level_kind)
    uncertainty = (
        band_level_uncertainty(inputs.errors, "on_axis", level, *band)
        if found.level_db is not None
        else Uncertainty(None, reason=found.reason)
    )
    yield make_number(
        inputs,
        "sensitivity",
        "level.sensitivity",
        HEADING,
        titles[0],
        found.level_db,
        "dB",
        uncertainty=uncertainty,
        note=f"{reference}mean squared pressure on axis, {band_label(band)}{where_measured}",
        reason=found.reason,
        marks=where,
    )
    rated, origin = _rated(inputs)
    unmeasured = rated is None and "impedance" not in inputs.datasets
    power = characteristic_sensitivity(found, rated)
    yield make_number(
        inputs,
        "characteristic-sensitivity",
        "level.characteristic",
        HEADING,
        titles[1],
        power.level_db,
        "dB",
        uncertainty=uncertainty,
        note="" if rated is None else f"{reference}rated impedance {rated:g} Ω, {origin}; {band_label(band)}",
        reason=NOT_MEASURED if found.level_db is not None and unmeasured else power.reason,
        marks=where,
    )


def _rated(inputs: MetricInputs) -> tuple[float | None, str]:
    """Rated impedance, and where it comes from."""
    if inputs.device_options.rated_impedance is not None:
        return inputs.device_options.rated_impedance, "as the maker states"
    impedance = inputs.datasets.get("impedance")
    if impedance is None:
        return None, ""
    least = minimum_impedance(
        impedance["frequency"].values, impedance["magnitude"].values, inputs.options.impedance.band
    )
    return rated_impedance(least).rated_ohm, "the highest that the minimum allows"
