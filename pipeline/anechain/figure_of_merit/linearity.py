"""Numbers of the linearity: how much a curve varies in a band."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from anechain.acoustics.curve.linearity import (
    Linearity,
    half_range,
    linearity,
    mean_deviation_in_half_octaves,
    standard_deviation_over_octaves,
)
from anechain.acoustics.curve.segments import segment_in_band
from anechain.data.numbers import Mark, Number, Uncertainty
from anechain.figure_of_merit import deviation_uncertainty
from anechain.figure_of_merit.deviation_uncertainty import deviation_uncertainties
from anechain.figure_of_merit.labels import band_id, band_label, curve_title
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number

__all__ = ["HEADING", "USES", "numbers"]

HEADING = "Linearity"
USES = ("linearity", "narrow-band-deviation", *deviation_uncertainty.USES)
MEASURES = {
    "plus_minus": lambda _, level: half_range(level),
    "standard_deviation": standard_deviation_over_octaves,
    "narrow_band": mean_deviation_in_half_octaves,
}


def numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Yield the deviations of each curve in each band."""
    for curve in inputs.options.linearity.curves:
        for band in inputs.options.linearity.bands:
            yield from _band_numbers(inputs, curve, band)


def _values(result: Linearity) -> Mapping[str, float | None]:
    return {
        "plus_minus": result.plus_minus_db,
        "standard_deviation": result.standard_deviation_db,
        "narrow_band": result.narrow_band.deviation_db,
    }


def _extremes(inputs: MetricInputs, curve: str, band: tuple[float, float]) -> tuple[Mark, ...]:
    """Return the highest and the lowest point of a curve in a band."""
    part = segment_in_band(inputs.frequency, inputs.curves[curve], *band)
    if part.reason:
        return ()
    rows = int(np.argmax(part.level)), int(np.argmin(part.level))
    return tuple(
        Mark(curve, float(part.frequency[row]), float(part.frequency[row]), float(part.level[row])) for row in rows
    )


def _band_numbers(inputs: MetricInputs, curve: str, band: tuple[float, float]) -> Iterator[Number]:
    uncertainties: Mapping[str, Uncertainty] = {}
    values: Mapping[str, float | None] = {}
    missing = inputs.missing_reason(curve)
    reasons = dict.fromkeys(("plus_minus", "standard_deviation", "narrow_band"), missing)
    marks: dict[str, tuple[Mark, ...]] = {}
    if not missing:
        result = linearity(inputs.frequency, inputs.curves[curve], *band)
        values = _values(result)
        reasons = {
            "plus_minus": result.reason,
            "standard_deviation": result.reason,
            "narrow_band": result.narrow_band.reason,
        }
        uncertainties = deviation_uncertainties(inputs.errors, curve, inputs.curves[curve], band, MEASURES)
        if extremes := _extremes(inputs, curve, band):
            marks["plus_minus"] = extremes
    smoothing = str(inputs.datasets["curves"].attrs["smoothing"])
    for key, method, title in (
        ("plus_minus", "linearity", "half the range from lowest to highest level (±)"),
        ("standard_deviation", "linearity", "standard deviation"),
        ("narrow_band", "narrow-band-deviation", "mean absolute deviation in half-octave bands"),
    ):
        yield make_number(
            inputs,
            method,
            f"linearity.{curve}.{band_id(band)}.{key}",
            HEADING,
            f"{curve_title(curve)}, {band_label(band)}: {title}",
            values.get(key),
            "dB",
            uncertainty=uncertainties.get(key),
            note=f"smoothing: {smoothing}",
            reason=reasons[key],
            marks=marks.get(key, (Mark(curve, *band),)),
        )
