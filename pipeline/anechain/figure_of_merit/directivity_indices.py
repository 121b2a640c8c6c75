"""Numbers of the directivity indices: mean, constancy, slope and smoothness."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from anechain.acoustics.curve.linearity import standard_deviation_over_octaves
from anechain.acoustics.curve.trends import slopes_over_octaves
from anechain.acoustics.directivity.directivity_constancy import DirectivityConstancy, directivity_constancy
from anechain.data.numbers import Mark, Number, Uncertainty
from anechain.figure_of_merit import deviation_uncertainty
from anechain.figure_of_merit.curve_uncertainty import monte_carlo_of_curves
from anechain.figure_of_merit.deviation_uncertainty import deviation_uncertainties
from anechain.figure_of_merit.labels import band_label, curve_title
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number

__all__ = ["HEADING", "USES", "numbers"]

HEADING = "Directivity indices"
USES = ("directivity-constancy", *deviation_uncertainty.USES)
MEASURES = {
    "constancy": standard_deviation_over_octaves,
    "smoothness": lambda frequency, level: slopes_over_octaves(frequency, level)[1],
}
INDICES = ("sound_power_index", "early_reflections_index")


def numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Yield the numbers of each index."""
    for index in INDICES:
        yield from _index_numbers(inputs, index)


def _values(constancy: DirectivityConstancy) -> Mapping[str, float | None]:
    return {
        "mean": constancy.mean_db,
        "constancy": constancy.constancy_db,
        "slope": constancy.trend.slope_db_per_octave,
        "smoothness": constancy.smoothness_db,
    }


def _index_numbers(inputs: MetricInputs, index: str) -> Iterator[Number]:
    band = inputs.options.directivity.band
    values: Mapping[str, float | None] = {}
    uncertainties: Mapping[str, Uncertainty] = {}
    if not (reason := inputs.missing_reason(index)):
        level = inputs.indices[index]
        constancy = directivity_constancy(inputs.frequency, level, *band)
        values, reason = _values(constancy), constancy.reason
        uncertainties = monte_carlo_of_curves(
            inputs.errors,
            {index: level},
            lambda drawn: _values(directivity_constancy(inputs.frequency, drawn[index], *band)),
        ) | deviation_uncertainties(inputs.errors, index, level, band, MEASURES)
    for key, title, unit in (
        ("mean", "mean", "dB"),
        ("constancy", "standard deviation about the mean (constancy)", "dB"),
        ("slope", "slope", "dB/octave"),
        ("smoothness", "standard deviation about its trend line (smoothness)", "dB"),
    ):
        yield make_number(
            inputs,
            "directivity-constancy",
            f"directivity.{index}.{key}",
            HEADING,
            f"{curve_title(index)}: {title}",
            values.get(key),
            unit,
            uncertainty=uncertainties.get(key),
            note=band_label(band),
            reason=reason,
            marks=(Mark(index, *band),),
        )
