"""How flat, and which way it leans: spread in bands, trend lines, and what is left beside a line or a target."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from anechain.acoustics.curve.frequencies import hertz, resample
from anechain.acoustics.curve.linearity import Linearity, linearity
from anechain.acoustics.curve.segments import mean_over_octaves, part_in_band
from anechain.acoustics.curve.trends import (
    Trend,
    deviation_from_target,
    deviation_from_trend,
    trend_level,
)
from anechain.arrays import Floats
from anechain.campaign.numbers import OwnTrend
from anechain.data.numbers import Mark, Number, Spread
from anechain.figure_of_merit.metric_inputs import MetricInputs, band_slug, band_words, name_of, number
from anechain.figure_of_merit.spreads import drawn
from anechain.figure_of_merit.trend_lines import line_of, lines_wanted, targets_wanted

__all__ = ["HEADING", "TREND_HEADING", "USES", "numbers"]

HEADING = "Linearity"
TREND_HEADING = "Trend lines and targets"
USES = (
    "linearity",
    "monte-carlo-uncertainty",
    "narrow-band-deviation",
    "resample-log-frequency",
    "target-deviation",
    "trend-deviation",
    "trend-line",
)


def numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Spread in each band; slope, error and deviation of each trend line; deviation from each target."""
    for curve in inputs.options.linearity.curves:
        for band in inputs.options.linearity.bands:
            yield from _linearity(inputs, curve, band)
    for leaning, own in lines_wanted(inputs).items():
        yield from _trend(inputs, leaning, own)
    for aimed_at in inputs.targets:
        yield from _target(inputs, aimed_at)


def _linearity(inputs: MetricInputs, curve: str, band: tuple[float, float]) -> Iterator[Number]:
    name = f"{name_of(curve)}, {band_words(band)}"
    prefix = f"linearity.{curve}.{band_slug(band)}"

    def values(found: Linearity) -> Mapping[str, float | None]:
        return {
            "plus_minus": found.plus_minus_db,
            "standard_deviation": found.standard_deviation_db,
            "narrow_band": found.narrow_band.deviation_db,
        }

    spreads: Mapping[str, Spread] = {}
    known: Mapping[str, float | None] = {}
    missing = inputs.lacking(curve)
    reasons = dict.fromkeys(("plus_minus", "standard_deviation", "narrow_band"), missing)
    marks: dict[str, tuple[Mark, ...]] = {}
    if not missing:
        found = linearity(inputs.frequency, inputs.curves[curve], *band)
        known = values(found)
        reasons = {
            "plus_minus": found.reason,
            "standard_deviation": found.reason,
            "narrow_band": found.narrow_band.reason,
        }
        spreads = drawn(
            inputs.errors,
            {curve: inputs.curves[curve]},
            lambda errant: values(linearity(inputs.frequency, errant[curve], *band)),
        )
        part = part_in_band(inputs.frequency, inputs.curves[curve], *band)
        if not part.reason:
            rows = int(np.argmax(part.level)), int(np.argmin(part.level))
            marks["plus_minus"] = tuple(
                Mark(curve, float(part.frequency[row]), float(part.frequency[row]), float(part.level[row]))
                for row in rows
            )
    for key, method, title in (
        ("plus_minus", "linearity", "half the distance from the lowest to the highest value (±)"),
        ("standard_deviation", "linearity", "standard deviation"),
        ("narrow_band", "narrow-band-deviation", "mean absolute deviation in half-octave bands"),
    ):
        smoothing = str(inputs.datasets["curves"].attrs["smoothing"])
        yield number(
            inputs,
            method,
            f"{prefix}.{key}",
            HEADING,
            f"{name}: {title}",
            known.get(key),
            "dB",
            spread=spreads.get(key),
            note=f"smoothing: {smoothing}",
            reason=reasons[key],
            marks=marks.get(key, (Mark(curve, *band),)),
        )


def _beside(
    inputs: MetricInputs, deviation: Floats | None, reason: str
) -> tuple[dict[str, float | None], str, tuple[Mark, ...]]:
    """Root mean square and largest absolute deviation in the band of the trends, and where the largest is.

    The mark's level is the deviation there, with its sign.
    """
    band = inputs.options.trends.band
    nothing: dict[str, float | None] = {"deviation": None, "largest": None}
    if deviation is None:
        return nothing, reason, ()
    part = part_in_band(inputs.frequency, deviation, *band)
    if part.reason:
        return nothing, part.reason, ()
    row = int(np.argmax(np.abs(part.level)))
    at = float(part.frequency[row])
    values: dict[str, float | None] = {
        "deviation": float(np.sqrt(mean_over_octaves(part.frequency, part.level**2))),
        "largest": float(abs(part.level[row])),
    }
    return values, "", (Mark("", at, at, float(part.level[row])),)


def _side(marks: tuple[Mark, ...], of: str) -> str:
    """On which side of the line or target the largest deviation lies, and where."""
    one = marks[0] if marks else None
    if one is None or one.level_db is None:
        return ""
    return f"{'above' if one.level_db > 0 else 'below'} the {of} at {hertz(one.low_hz)} Hz"


def _marked(inputs: MetricInputs, curve: str, marks: tuple[Mark, ...]) -> tuple[Mark, ...]:
    return tuple(
        Mark(curve, one.low_hz, one.high_hz, float(resample(inputs.frequency, inputs.curves[curve], one.low_hz)[0]))
        for one in marks
    )


def _ends(curve: str, line: Trend | None, band: tuple[float, float]) -> tuple[Mark, ...]:
    """Both ends of a trend line in its band."""
    if line is None or line.slope_db_per_octave is None:
        return ()
    levels = trend_level(line, np.array(band))
    return tuple(Mark(curve, hz, hz, float(level)) for hz, level in zip(band, levels, strict=True))


def _trend(inputs: MetricInputs, curve: str, own: OwnTrend | None) -> Iterator[Number]:
    band, name = inputs.options.trends.band, name_of(curve)
    where: tuple[Mark, ...] = (Mark(curve, *band),)
    missing = inputs.lacking(curve)
    spreads: Mapping[str, Spread] = {}
    values: dict[str, float | None] = {}
    reason, marks, note, side = missing, where, "", ""
    line: Trend | None = None
    if not missing:

        def found(level: Floats) -> dict[str, float | None]:
            one = line_of(inputs, level, own)
            beside = deviation_from_trend(inputs.frequency, level, one)
            return {"slope": one.slope_db_per_octave, **_beside(inputs, beside.deviation_db, beside.reason)[0]}

        level = inputs.curves[curve]
        line = line_of(inputs, level, own)
        values = found(level)
        rest = deviation_from_trend(inputs.frequency, level, line)
        _, reason, places = _beside(inputs, rest.deviation_db, rest.reason)
        marks, side = _marked(inputs, curve, places) or where, _side(places, "line")
        if own is None:
            spreads = drawn(inputs.errors, {curve: level}, lambda errant: found(errant[curve]))
            note = f"least squares, {band_words(band)}"
            reason = reason or line.reason
        else:
            settled = Spread(None, reason="the line is set by the reviewer")
            spreads = {**drawn(inputs.errors, {curve: level}, lambda errant: found(errant[curve])), "slope": settled}
            meets = "" if own.anchor_level is not None else f", moved to meet the curve from {band_words(band)}"
            note = f"set by the reviewer{meets}; the reason: {own.reason}"
    slope_note = note
    if line is not None and line.r_squared is not None:
        slope_note = f"{note}; r² {line.r_squared:.2f}"
    yield number(
        inputs,
        "trend-line",
        f"trend.{curve}.slope",
        TREND_HEADING,
        f"{name}: slope",
        values.get("slope"),
        "dB/octave",
        spread=spreads.get("slope"),
        note=slope_note,
        reason=reason,
        marks=_ends(curve, line, band) or where,
    )
    textbook = None if line is None else line.standard_error_db_per_octave
    yield number(
        inputs,
        "trend-line",
        f"trend.{curve}.slope_error",
        TREND_HEADING,
        f"{name}: standard error of the slope",
        None if line is None else line.correlated_standard_error_db_per_octave,
        "dB/octave",
        spread=Spread(None, reason="it is an error itself"),
        note=""
        if textbook is None
        else "how well a line fits, not how well it is measured; widened since neighbouring values go together; by the "
        f"textbook's rule {textbook:.3f} dB/octave",
        reason=reason if own is None or missing else "the line is set by the reviewer: nothing was fitted",
        marks=where,
    )
    for key, title in (
        ("deviation", "root mean square deviation from the line"),
        ("largest", "largest deviation from it"),
    ):
        yield number(
            inputs,
            "trend-deviation",
            f"trend.{curve}.{key}",
            TREND_HEADING,
            f"{name}: {title}",
            values.get(key),
            "dB",
            spread=spreads.get(key),
            note="; ".join(filter(None, (side if key == "largest" else "", band_words(band), note if own else ""))),
            reason=reason,
            marks=marks if key == "largest" else where,
        )


def _target(inputs: MetricInputs, curve: str) -> Iterator[Number]:
    band, name = inputs.options.trends.band, name_of(curve)
    chosen = targets_wanted(inputs)[curve]
    frequency, target = inputs.targets[curve]
    spreads: Mapping[str, Spread] = {}
    values: dict[str, float | None] = {}
    reason, shift, side = inputs.lacking(curve), 0.0, ""
    marks: tuple[Mark, ...] = ()
    if not reason:

        def found(level: Floats) -> dict[str, float | None]:
            rest = deviation_from_target(inputs.frequency, level, frequency, target, chosen.alignment_band)
            return _beside(inputs, rest.deviation_db, rest.reason)[0]

        level = inputs.curves[curve]
        values = found(level)
        rest = deviation_from_target(inputs.frequency, level, frequency, target, chosen.alignment_band)
        _, reason, places = _beside(inputs, rest.deviation_db, rest.reason)
        marks, shift, side = _marked(inputs, curve, places), rest.shift_db, _side(places, "target")
        spreads = drawn(inputs.errors, {curve: level}, lambda errant: found(errant[curve]))
    moved = (
        ""
        if chosen.alignment_band is None
        else f", moved by {shift:+.1f} dB to meet the curve in {band_words(chosen.alignment_band)}"
    )
    for key, title in (("deviation", "root mean square deviation from"), ("largest", "largest deviation from")):
        yield number(
            inputs,
            "target-deviation",
            f"target.{curve}.{key}",
            TREND_HEADING,
            f"{name}: {title} the target",
            values.get(key),
            "dB",
            spread=spreads.get(key),
            note="; ".join(filter(None, (side if key == "largest" else "", f"{chosen.file}{moved}", band_words(band)))),
            reason=reason,
            marks=marks if key == "largest" else (Mark(curve, *band),),
        )
