"""Numbers of the level: sensitivity at a voltage, and at a power into the rated impedance."""

from __future__ import annotations

from collections.abc import Iterator

from anechain.acoustics.curve.sensitivity import characteristic_sensitivity, sensitivity
from anechain.acoustics.impedance.minimum import minimum_impedance
from anechain.acoustics.impedance.rated_impedance import rated_impedance
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
    """Yield the sensitivity, and the characteristic sensitivity, which needs the impedance."""
    band = inputs.options.sensitivity.band
    marks = (Mark("on_axis", *band),)
    titles = "Sensitivity, 2.83 V, 1 m", "Characteristic sensitivity level, 1 W into the rated impedance, 1 m"
    if reason := inputs.missing_reason("on_axis"):
        yield make_number(inputs, "sensitivity", "level.sensitivity", HEADING, titles[0], None, "dB", reason=reason)
        yield make_number(
            inputs, "characteristic-sensitivity", "level.characteristic", HEADING, titles[1], None, "dB", reason=reason
        )
        return
    level = inputs.curves["on_axis"]
    reference = "dB re 20 µPa; " if inputs.level_kind == "spl" else ""
    # Free field and half space are 6 dB apart, so the number is not comparable without the environment.
    environment = str(inputs.datasets["responses"].attrs.get("environment", "")).strip()
    environment_note = f"; measured in: {environment}" if environment else "; the environment is not stated"
    result = sensitivity(inputs.frequency, level, band, inputs.level_kind)
    uncertainty = (
        band_level_uncertainty(inputs.errors, "on_axis", level, *band)
        if result.level_db is not None
        else Uncertainty(None, reason=result.reason)
    )
    yield make_number(
        inputs,
        "sensitivity",
        "level.sensitivity",
        HEADING,
        titles[0],
        result.level_db,
        "dB",
        uncertainty=uncertainty,
        note=f"{reference}mean squared pressure on axis, {band_label(band)}{environment_note}",
        reason=result.reason,
        marks=marks,
    )
    rated, origin = _rated(inputs)
    not_measured = rated is None and "impedance" not in inputs.datasets
    characteristic = characteristic_sensitivity(result, rated)
    yield make_number(
        inputs,
        "characteristic-sensitivity",
        "level.characteristic",
        HEADING,
        titles[1],
        characteristic.level_db,
        "dB",
        uncertainty=uncertainty,
        note="" if rated is None else f"{reference}rated impedance {rated:g} Ω, {origin}; {band_label(band)}",
        reason=NOT_MEASURED if result.level_db is not None and not_measured else characteristic.reason,
        marks=marks,
    )


def _rated(inputs: MetricInputs) -> tuple[float | None, str]:
    """Return the rated impedance in ohm, and where it comes from."""
    if inputs.device_options.rated_impedance is not None:
        return inputs.device_options.rated_impedance, "stated by the manufacturer"
    impedance = inputs.datasets.get("impedance")
    if impedance is None:
        return None, ""
    minimum = minimum_impedance(
        impedance["frequency"].values, impedance["magnitude"].values, inputs.options.impedance.band
    )
    return rated_impedance(minimum).rated_ohm, "the highest that the minimum impedance allows"
