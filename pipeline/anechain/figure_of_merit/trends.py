"""Numbers of trend lines and targets: slope, and deviation of the curve from its line or target."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from anechain.acoustics.curve.frequencies import resample
from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.segments import mean_over_octaves, segment_in_band
from anechain.acoustics.curve.trends import Trend, deviation_from_target, deviation_from_trend, trend_level
from anechain.arrays import Floats
from anechain.campaign.numbers import OwnTrend
from anechain.data.numbers import Mark, Number, Uncertainty
from anechain.figure_of_merit.curve_uncertainty import monte_carlo_of_curves
from anechain.figure_of_merit.labels import band_label, curve_title
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number
from anechain.figure_of_merit.trend_lines import requested_lines, requested_targets, trend_line_of

__all__ = ["HEADING", "USES", "numbers"]

HEADING = "Trend lines and targets"
USES = ("monte-carlo-uncertainty", "resample-log-frequency", "target-deviation", "trend-deviation", "trend-line")
SET_BY_REVIEWER = "the line was set by the reviewer"


def numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Yield slope, standard error and deviation of each trend line, then the deviation from each target."""
    for curve, own in requested_lines(inputs).items():
        yield from _line_numbers(inputs, curve, own)
    for curve in inputs.targets:
        yield from _target_numbers(inputs, curve)


@dataclass(frozen=True)
class _Deviation:
    """Deviation of a curve from a line or a target, in the band of the trends.

    Attributes
    ----------
    values : mapping of str to float or None
        dB: "deviation" is the root mean square, "largest" the largest absolute value.
    reason : str
        Why there are none; empty otherwise.
    largest_hz, largest_db : float or None
        Frequency of the largest deviation, and the deviation there with its sign.
    """

    values: Mapping[str, float | None]
    reason: str = ""
    largest_hz: float | None = None
    largest_db: float | None = None

    def marks(self, inputs: MetricInputs, curve: str) -> tuple[Mark, ...]:
        """Return the point of the curve with the largest deviation."""
        if self.largest_hz is None:
            return ()
        level = float(resample(inputs.frequency, inputs.curves[curve], self.largest_hz)[0])
        return (Mark(curve, self.largest_hz, self.largest_hz, level),)

    def side(self, reference: str) -> str:
        """Return on which side of the reference ("line" or "target") the largest deviation is, and where."""
        if self.largest_hz is None or self.largest_db is None:
            return ""
        return f"{'above' if self.largest_db > 0 else 'below'} the {reference} at {format_hertz(self.largest_hz)} Hz"


def _deviation(inputs: MetricInputs, deviation_db: Floats | None, reason: str) -> _Deviation:
    none: dict[str, float | None] = {"deviation": None, "largest": None}
    if deviation_db is None:
        return _Deviation(none, reason)
    part = segment_in_band(inputs.frequency, deviation_db, *inputs.options.trends.band)
    if part.reason:
        return _Deviation(none, part.reason)
    row = int(np.argmax(np.abs(part.level)))
    values: dict[str, float | None] = {
        "deviation": float(np.sqrt(mean_over_octaves(part.frequency, part.level**2))),
        "largest": float(abs(part.level[row])),
    }
    return _Deviation(values, "", float(part.frequency[row]), float(part.level[row]))


def _line_ends(curve: str, line: Trend | None, band: tuple[float, float]) -> tuple[Mark, ...]:
    """Return both ends of a trend line in its band."""
    if line is None or line.slope_db_per_octave is None:
        return ()
    levels = trend_level(line, np.array(band))
    return tuple(Mark(curve, hz, hz, float(level)) for hz, level in zip(band, levels, strict=True))


def _line_note(inputs: MetricInputs, own: OwnTrend | None) -> str:
    """Return where a trend line comes from."""
    band = band_label(inputs.options.trends.band)
    if own is None:
        return f"least squares, {band}"
    aligned = "" if own.anchor_level is not None else f", aligned with the mean level of the curve, {band}"
    return f"set by the reviewer{aligned}; reason: {own.reason}"


def _line_numbers(inputs: MetricInputs, curve: str, own: OwnTrend | None) -> Iterator[Number]:
    band, title_of_curve = inputs.options.trends.band, curve_title(curve)
    in_band: tuple[Mark, ...] = (Mark(curve, *band),)
    missing = inputs.missing_reason(curve)
    uncertainties: Mapping[str, Uncertainty] = {}
    values: Mapping[str, float | None] = {}
    reason, marks, note, side = missing, in_band, "", ""
    line: Trend | None = None
    if not missing:

        def deviation_of(level: Floats, line: Trend) -> _Deviation:
            result = deviation_from_trend(inputs.frequency, level, line)
            return _deviation(inputs, result.deviation_db, result.reason)

        def values_of(level: Floats) -> dict[str, float | None]:
            line = trend_line_of(inputs, level, own)
            return {"slope": line.slope_db_per_octave, **deviation_of(level, line).values}

        level = inputs.curves[curve]
        line = trend_line_of(inputs, level, own)
        values = values_of(level)
        deviation = deviation_of(level, line)
        reason, side = deviation.reason, deviation.side("line")
        marks = deviation.marks(inputs, curve) or in_band
        note = _line_note(inputs, own)
        uncertainties = monte_carlo_of_curves(inputs.errors, {curve: level}, lambda drawn: values_of(drawn[curve]))
        if own is None:
            reason = reason or line.reason
        else:
            uncertainties = {**uncertainties, "slope": Uncertainty(None, reason=SET_BY_REVIEWER)}
    slope_note = note
    if line is not None and line.r_squared is not None:
        slope_note = f"{note}; r² {line.r_squared:.2f}"
    yield make_number(
        inputs,
        "trend-line",
        f"trend.{curve}.slope",
        HEADING,
        f"{title_of_curve}: slope",
        values.get("slope"),
        "dB/octave",
        uncertainty=uncertainties.get("slope"),
        note=slope_note,
        reason=reason,
        marks=_line_ends(curve, line, band) or in_band,
    )
    uncorrelated = None if line is None else line.standard_error_db_per_octave
    yield make_number(
        inputs,
        "trend-line",
        f"trend.{curve}.slope_error",
        HEADING,
        f"{title_of_curve}: standard error of the slope",
        None if line is None else line.correlated_standard_error_db_per_octave,
        "dB/octave",
        uncertainty=Uncertainty(None, reason="none: this value is a standard error"),
        note=""
        if uncorrelated is None
        else "describes the fit, not the measurement; increased because neighbouring points are correlated; "
        f"{uncorrelated:.3f} dB/octave for uncorrelated points",
        reason=reason if own is None or missing else f"{SET_BY_REVIEWER}: there is no fit",
        marks=in_band,
    )
    for key, title in (
        ("deviation", "root mean square deviation from the line"),
        ("largest", "largest deviation from the line"),
    ):
        yield make_number(
            inputs,
            "trend-deviation",
            f"trend.{curve}.{key}",
            HEADING,
            f"{title_of_curve}: {title}",
            values.get(key),
            "dB",
            uncertainty=uncertainties.get(key),
            note="; ".join(filter(None, (side if key == "largest" else "", band_label(band), note if own else ""))),
            reason=reason,
            marks=marks if key == "largest" else in_band,
        )


def _target_numbers(inputs: MetricInputs, curve: str) -> Iterator[Number]:
    band = inputs.options.trends.band
    chosen = requested_targets(inputs)[curve]
    frequency, target = inputs.targets[curve]
    uncertainties: Mapping[str, Uncertainty] = {}
    values: Mapping[str, float | None] = {}
    reason, shift, side = inputs.missing_reason(curve), 0.0, ""
    marks: tuple[Mark, ...] = ()
    if not reason:

        def deviation_of(level: Floats) -> tuple[_Deviation, float]:
            result = deviation_from_target(inputs.frequency, level, frequency, target, chosen.alignment_band)
            return _deviation(inputs, result.deviation_db, result.reason), result.shift_db

        level = inputs.curves[curve]
        deviation, shift = deviation_of(level)
        values, reason, side = deviation.values, deviation.reason, deviation.side("target")
        marks = deviation.marks(inputs, curve)
        uncertainties = monte_carlo_of_curves(
            inputs.errors, {curve: level}, lambda drawn: deviation_of(drawn[curve])[0].values
        )
    aligned = (
        ""
        if chosen.alignment_band is None
        else f", shifted by {shift:+.1f} dB to align with the curve, {band_label(chosen.alignment_band)}"
    )
    for key, title in (
        ("deviation", "root mean square deviation from the target"),
        ("largest", "largest deviation from the target"),
    ):
        yield make_number(
            inputs,
            "target-deviation",
            f"target.{curve}.{key}",
            HEADING,
            f"{curve_title(curve)}: {title}",
            values.get(key),
            "dB",
            uncertainty=uncertainties.get(key),
            note="; ".join(
                filter(None, (side if key == "largest" else "", f"{chosen.file}{aligned}", band_label(band)))
            ),
            reason=reason,
            marks=marks if key == "largest" else (Mark(curve, *band),),
        )
