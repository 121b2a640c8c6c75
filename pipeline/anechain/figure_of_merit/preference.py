"""Numbers of a published prediction of preference: the rating with its limitations, and each of its terms."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from anechain.acoustics.curve.linearity import (
    NarrowBandDeviation,
    mean_deviation_in_half_octaves,
    narrow_band_deviation,
)
from anechain.acoustics.curve.preference import (
    DEVIATION_BAND,
    PREFERENCE_LIMITS,
    PreferenceEstimate,
    preference_estimate,
)
from anechain.arrays import Floats
from anechain.data.numbers import Number, Uncertainty
from anechain.figure_of_merit.curve_uncertainty import monte_carlo_of_curves
from anechain.figure_of_merit.deviation_uncertainty import deviation_uncertainties
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import curve_mark, make_number

__all__ = ["HEADING", "USES", "numbers"]

HEADING = "Predicted preference (Olive 2004, part II)"
USES = (
    "deviation-interval",
    "in-room-smoothness",
    "low-frequency-terms",
    "monte-carlo-uncertainty",
    "narrow-band-deviation",
    "preference-equation",
    "preference-estimate",
)
_CURVES = ("on_axis", "listening_window", "sound_power", "in_room")
_BASS = ("listening_window", "sound_power")
_NEEDS = {
    "rating": _CURVES,
    "nbd_on_axis": ("on_axis",),
    "nbd_in_room": ("in_room",),
    "lfx": _BASS,
    "lfx_frequency": _BASS,
    "lfq": _BASS,
    "smoothness": ("in_room",),
}
"""Curves that each term needs."""


def _terms(estimate: PreferenceEstimate) -> dict[str, float | None]:
    return {
        "rating": estimate.rating,
        "nbd_on_axis": estimate.on_axis_deviation.deviation_db,
        "nbd_in_room": estimate.in_room_deviation.deviation_db,
        "lfx": estimate.low_frequency.extension_log10_hz,
        "lfx_frequency": estimate.low_frequency.minus_six_hz,
        "lfq": estimate.low_frequency.quality_db,
        "smoothness": estimate.smoothness,
    }


def _deviation_uncertainty(inputs: MetricInputs, curve: str) -> dict[str, Uncertainty]:
    """Return the uncertainty of the narrow-band deviation of a curve, by the name of the term."""
    low, high = DEVIATION_BAND
    if inputs.options.preference.last_band == "whole":
        high = low * 2 ** (np.floor(2 * np.log2(high / low)) / 2)
    measures = {f"nbd_{curve}": mean_deviation_in_half_octaves}
    return deviation_uncertainties(inputs.errors, curve, inputs.curves[curve], (low, float(high)), measures)


def numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Yield the rating with its limitations, and its terms."""
    last_band = inputs.options.preference.last_band
    missing = inputs.missing_reason(*_CURVES)
    values: Mapping[str, float | None] = {}
    uncertainties: Mapping[str, Uncertainty] = {}
    missing_by_key = {key: inputs.missing_reason(*needs) for key, needs in _NEEDS.items()}
    reasons: dict[str, str] = {}
    contributions: Mapping[str, float] = {}
    if not missing:

        def estimate(curves: Mapping[str, Floats]) -> PreferenceEstimate:
            on_axis, window, power, in_room = (curves[name] for name in _CURVES)
            return preference_estimate(inputs.frequency, on_axis, window, power, in_room, last_band)

        curves = {name: inputs.curves[name] for name in _CURVES}
        result = estimate(curves)
        values, contributions = _terms(result), result.contributions
        uncertainties = monte_carlo_of_curves(inputs.errors, curves, lambda drawn: _terms(estimate(drawn)))
        for curve in ("on_axis", "in_room"):
            uncertainties |= _deviation_uncertainty(inputs, curve)
        bass, flat = result.low_frequency.reason, "the estimated in-room response is flat, so r² is not defined"
        reasons = {
            "rating": result.reason,
            "nbd_on_axis": result.on_axis_deviation.reason,
            "nbd_in_room": result.in_room_deviation.reason,
            "lfx": bass,
            "lfx_frequency": bass,
            "lfq": bass,
            "smoothness": result.smoothness_trend.reason or flat,
        }
    elif not missing_by_key["nbd_on_axis"]:

        def deviation_of(curves: Mapping[str, Floats]) -> NarrowBandDeviation:
            return narrow_band_deviation(inputs.frequency, curves["on_axis"], *DEVIATION_BAND, last_band)

        curves = {"on_axis": inputs.curves["on_axis"]}
        values = {"nbd_on_axis": deviation_of(curves).deviation_db}
        reasons = {"nbd_on_axis": deviation_of(curves).reason}
        uncertainties = _deviation_uncertainty(inputs, "on_axis")
    bands = "14 half-octave bands, the last one incomplete" if last_band == "cut" else "13 complete half-octave bands"
    rows = (
        ("rating", "preference-estimate", "Rating", "", PREFERENCE_LIMITS.rstrip("."), ""),
        ("nbd_on_axis", "narrow-band-deviation", "Narrow-band deviation (NBD), on axis", "dB", bands, "NBD_ON"),
        (
            "nbd_in_room",
            "narrow-band-deviation",
            "Narrow-band deviation (NBD), estimated in-room response",
            "dB",
            bands,
            "NBD_PIR",
        ),
        (
            "lfx",
            "low-frequency-terms",
            "Low-frequency extension (LFX), decimal logarithm of the frequency in Hz",
            "",
            "",
            "LFX",
        ),
        (
            "lfx_frequency",
            "low-frequency-terms",
            "Low-frequency extension (LFX) as frequency",
            "Hz",
            "sound power 6 dB below the listening window",
            "",
        ),
        ("lfq", "low-frequency-terms", "Low-frequency quality (LFQ)", "dB", "not in the equation", ""),
        (
            "smoothness",
            "in-room-smoothness",
            "Smoothness (SM), estimated in-room response",
            "",
            "r², 100 Hz to 16 kHz",
            "SM_PIR",
        ),
    )
    for key, method, title, unit, note, term in rows:
        value = values.get(key)
        uncertainty = uncertainties.get(key)
        if key == "rating" and value is not None:
            # A rating has one decimal everywhere.
            value = round(value, 1) + 0.0
            if uncertainty is not None and uncertainty.standard is not None and uncertainty.interval is not None:
                factor = inputs.options.uncertainty.coverage_factor
                tenths = float(np.ceil(10 * factor * uncertainty.standard - 1e-9)) / 10
                ends = np.array(uncertainty.interval)
                low, high = np.floor(10 * ends[0] + 1e-9) / 10, np.ceil(10 * ends[1] - 1e-9) / 10
                measurement_only = "the uncertainty is that of the measurement, not of the model"
                uncertainty = Uncertainty(
                    tenths / factor, uncertainty.propagation, "", measurement_only, (float(low), float(high))
                )
        contribution = f"adds {contributions[term]:+.2f} to the constant 12.69" if term in contributions else ""
        yield make_number(
            inputs,
            method,
            f"preference.{key}",
            HEADING,
            title,
            value,
            unit,
            uncertainty=uncertainty,
            note="; ".join(filter(None, (note, contribution))),
            reason="" if value is not None and key != "rating" else missing_by_key[key] or reasons.get(key, ""),
            marks=curve_mark(inputs, "sound_power", value) if key == "lfx_frequency" else (),
        )
