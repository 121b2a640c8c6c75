"""Numbers of trend lines and targets: slope, and deviation of the curve from its line or target."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
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
from anechain.figure_of_merit.trend_lines import (
    fitted_curves,
    fitted_line,
    own_line,
    own_trends,
    requested_targets,
)

__all__ = ["HEADING", "USES", "numbers"]

HEADING = "Trend lines and targets"
USES = (
    "monte-carlo-uncertainty",
    "own-trend-line",
    "resample-log-frequency",
    "target-deviation",
    "trend-deviation",
    "trend-line",
)


def numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Yield the numbers of each fitted line, each followed by the reviewer's own line, then those of each target."""
    own = own_trends(inputs)
    for curve in fitted_curves(inputs):
        yield from _line_numbers(inputs, curve)
        if curve in own:
            yield from _own_numbers(inputs, curve, own[curve])
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


def _line_and_deviation(
    inputs: MetricInputs, level: Floats, line_of: Callable[[Floats], Trend]
) -> tuple[Trend, _Deviation]:
    """Return the line of a curve, and the deviation of the curve from it."""
    line = line_of(level)
    result = deviation_from_trend(inputs.frequency, level, line)
    return line, _deviation(inputs, result.deviation_db, result.reason)


def _line_ends(curve: str, line: Trend | None, band: tuple[float, float]) -> tuple[Mark, ...]:
    """Return both ends of a trend line in its band."""
    if line is None or line.slope_db_per_octave is None:
        return ()
    levels = trend_level(line, np.array(band))
    return tuple(Mark(curve, hz, hz, float(level)) for hz, level in zip(band, levels, strict=True))


def _line_numbers(inputs: MetricInputs, curve: str) -> Iterator[Number]:
    """Yield slope, standard error and deviation of the fitted line of a curve."""
    band, title_of_curve = inputs.options.trends.band, curve_title(curve)
    in_band: tuple[Mark, ...] = (Mark(curve, *band),)
    line, deviation = None, _Deviation({"deviation": None, "largest": None}, inputs.missing_reason(curve))
    uncertainties: Mapping[str, Uncertainty] = {}
    if not deviation.reason:
        level = inputs.curves[curve]
        line, deviation = _line_and_deviation(inputs, level, lambda values: fitted_line(inputs, values))

        def values_of(drawn: Mapping[str, Floats]) -> dict[str, float | None]:
            line, deviation = _line_and_deviation(inputs, drawn[curve], lambda values: fitted_line(inputs, values))
            return {"slope": line.slope_db_per_octave, **deviation.values}

        uncertainties = monte_carlo_of_curves(inputs.errors, {curve: level}, values_of)
    r_squared = "" if line is None or line.r_squared is None else f"; r² {line.r_squared:.2f}"
    yield make_number(
        inputs,
        "trend-line",
        f"trend.{curve}.slope",
        HEADING,
        f"{title_of_curve}: slope",
        None if line is None else line.slope_db_per_octave,
        "dB/octave",
        uncertainty=uncertainties.get("slope"),
        note=f"least squares, {band_label(band)}{r_squared}",
        reason=deviation.reason,
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
        reason=deviation.reason,
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
            deviation.values[key],
            "dB",
            uncertainty=uncertainties.get(key),
            note="; ".join(filter(None, (deviation.side("line") if key == "largest" else "", band_label(band)))),
            reason=deviation.reason,
            marks=(deviation.marks(inputs, curve) if key == "largest" else ()) or in_band,
        )


def _own_numbers(inputs: MetricInputs, curve: str, own: OwnTrend) -> Iterator[Number]:
    """Yield the slope of the reviewer's own line of a curve, and the deviation of the curve from it."""
    band, title_of_curve = inputs.options.trends.band, curve_title(curve)
    in_band: tuple[Mark, ...] = (Mark(curve, *band),)
    line, deviation = None, _Deviation({"deviation": None, "largest": None}, inputs.missing_reason(curve))
    uncertainties: Mapping[str, Uncertainty] = {}
    if not deviation.reason:
        level = inputs.curves[curve]
        line, deviation = _line_and_deviation(inputs, level, lambda values: own_line(inputs, values, own))

        def values_of(drawn: Mapping[str, Floats]) -> Mapping[str, float | None]:
            return _line_and_deviation(inputs, drawn[curve], lambda values: own_line(inputs, values, own))[1].values

        uncertainties = monte_carlo_of_curves(inputs.errors, {curve: level}, values_of)
    aligned = "" if own.anchor_level is not None else f", aligned with the mean level of the curve, {band_label(band)}"
    note = f"set by the reviewer{aligned}; reason: {own.reason}"
    yield make_number(
        inputs,
        "own-trend-line",
        f"own_trend.{curve}.slope",
        HEADING,
        f"{title_of_curve}: slope set by the reviewer",
        None if line is None else line.slope_db_per_octave,
        "dB/octave",
        uncertainty=Uncertainty(None, reason="none: set by the reviewer"),
        note=note,
        reason=deviation.reason,
        marks=_line_ends(curve, line, band) or in_band,
    )
    for key, title in (
        ("deviation", "root mean square deviation from the reviewer's line"),
        ("largest", "largest deviation from the reviewer's line"),
    ):
        side = deviation.side("line") if key == "largest" else ""
        yield make_number(
            inputs,
            "own-trend-line",
            f"own_trend.{curve}.{key}",
            HEADING,
            f"{title_of_curve}: {title}",
            deviation.values[key],
            "dB",
            uncertainty=uncertainties.get(key),
            note="; ".join(filter(None, (side, band_label(band), note))),
            reason=deviation.reason,
            marks=(deviation.marks(inputs, curve) if key == "largest" else ()) or in_band,
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
