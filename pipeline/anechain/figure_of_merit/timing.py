"""Numbers of time and phase on the axis: polarity, excess group delay, arrival of octave bands, decay."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from anechain.acoustics.curve.bands import band_centres, nominal_octave
from anechain.acoustics.curve.frequency_text import format_frequency
from anechain.acoustics.phase.burst_decay import shortest_decay
from anechain.acoustics.phase.excess_phase import polarity_of_phase
from anechain.acoustics.phase.group_delay import band_arrivals, group_delay_threshold
from anechain.arrays import Floats
from anechain.data.numbers import Mark, Number, Uncertainty
from anechain.figure_of_merit import axis_timing
from anechain.figure_of_merit.axis_timing import AxisTiming
from anechain.figure_of_merit.labels import band_label
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import curve_mark, make_number

__all__ = ["HEADING", "USES", "numbers"]

HEADING = "Time and phase"
USES = ("band-arrivals", "band-centres", "group-delay-threshold", "polarity-of-phase", *axis_timing.USES)
MAX_POLARITY_ERROR = 20.0
"""Degrees; largest standard uncertainty of the excess phase with which the lowest octave has a polarity."""
MAX_ERROR = 1e-4
"""Seconds; largest standard uncertainty of an excess group delay that counts: a tenth of the lowest threshold of
audibility."""
PROPAGATION = "level beyond the valid band, rectangular over the possible slopes"
NO_STATISTICS = "only limits of the method are known"
CURVE = "on_axis"


def numbers(inputs: MetricInputs, timing: AxisTiming | str) -> Iterator[Number]:
    """Yield the numbers of time and phase; all are gaps if `timing` is the reason why they are not known."""
    yield from _polarities(inputs, timing)
    yield from _excess(inputs, timing)
    yield _arrivals(inputs, timing)
    yield _decay(inputs, timing)


def _polarities(inputs: MetricInputs, timing: AxisTiming | str) -> Iterator[Number]:
    for key, title in (("high", "Polarity of the highest octave"), ("low", "Polarity of the lowest octave")):
        reason, note, value = "", "", None
        if isinstance(timing, str):
            reason = timing
        else:
            band = _highest_octave(timing) if key == "high" else _lowest_octave(timing)
            inside = (timing.measured >= band[0]) & (timing.measured <= band[1])
            sign = polarity_of_phase(timing.phase.excess[inside])
            value = {1: "positive", -1: "negative"}.get(sign)
            note = f"{band_label(band)}; positive: a positive voltage raises the pressure first"
            reason = "" if value else f"the excess phase is between 60° and 120° off, {band_label(band)}"
        yield make_number(
            inputs,
            "polarity-of-phase",
            f"timing.polarity.{key}",
            HEADING,
            title,
            value,
            uncertainty=Uncertainty(None, reason="a sign"),
            note=note,
            reason=reason,
        )


def _highest_octave(timing: AxisTiming) -> tuple[float, float]:
    return float(timing.measured[-1]) / 2, float(timing.measured[-1])


def _lowest_octave(timing: AxisTiming) -> tuple[float, float]:
    """Return the lowest octave in which the unknown level below the band leaves the polarity open no more."""
    certain = np.flatnonzero(np.abs(timing.phase.low_error) <= MAX_POLARITY_ERROR)
    low = float(timing.measured[certain[0]])
    return low, 2 * low


def _excess(inputs: MetricInputs, timing: AxisTiming | str) -> Iterator[Number]:
    """Yield the largest excess group delay in the band, and its largest ratio to the threshold of audibility."""
    band = inputs.options.timing.band
    title = f"Largest excess group delay, {band_label(band)}"
    ratio_title = f"Excess group delay re its threshold of audibility, {band_label(band)}"
    rows, reason = np.zeros(0, np.intp), timing if isinstance(timing, str) else ""
    if not isinstance(timing, str):
        inside = (timing.frequency >= band[0]) & (timing.frequency <= band[1])
        rows = np.flatnonzero(inside & (timing.uncertainty <= MAX_ERROR))
        reason = "" if rows.size else f"uncertain by more than {1e3 * MAX_ERROR:g} ms, {band_label(band)}"
    if isinstance(timing, str) or not rows.size:
        yield make_number(inputs, "excess-phase", "timing.excess.largest", HEADING, title, None, "ms", reason=reason)
        yield make_number(
            inputs, "group-delay-threshold", "timing.excess.audibility", HEADING, ratio_title, None, reason=reason
        )
        return
    size, at = np.abs(timing.excess_group_delay), timing.frequency
    from_note = ""
    if rows[0] > np.flatnonzero(at >= band[0])[0]:
        from_note = f"; known from {format_frequency(at[rows[0]], 3)}, by the level beyond the valid band"
    row = int(rows[np.argmax(size[rows])])
    yield make_number(
        inputs,
        "excess-phase",
        "timing.excess.largest",
        HEADING,
        title,
        1e3 * float(timing.excess_group_delay[row]),
        "ms",
        uncertainty=Uncertainty(1e3 * float(timing.uncertainty[row]), PROPAGATION),
        note=f"at {format_frequency(at[row], 3)}; later than the highest frequencies if positive; mean over 1/6 octave"
        + from_note,
        marks=curve_mark(inputs, CURVE, float(at[row])),
    )
    ratio = size / group_delay_threshold(at)
    rows = rows[np.isfinite(ratio[rows])]
    value, uncertainty, note = None, None, ""
    marks: tuple[Mark, ...] = ()
    if rows.size:
        row = int(rows[np.argmax(ratio[rows])])
        threshold = float(group_delay_threshold(at[[row]])[0])
        value = float(ratio[row])
        uncertainty = Uncertainty(float(timing.uncertainty[row]) / threshold, PROPAGATION)
        note = f"1: audible to trained listeners; at {format_frequency(at[row], 3)}, threshold {1e3 * threshold:.2g} ms"
        note += from_note
        marks = curve_mark(inputs, CURVE, float(at[row]))
    yield make_number(
        inputs,
        "group-delay-threshold",
        "timing.excess.audibility",
        HEADING,
        ratio_title,
        value,
        uncertainty=uncertainty,
        note=note,
        reason="" if rows.size else "the threshold is known from 500 Hz to 8 kHz only",
        marks=marks,
    )


def _arrivals(inputs: MetricInputs, timing: AxisTiming | str) -> Number:
    """Return the spread of the arrivals of octave bands beyond minimum phase."""
    band = inputs.options.timing.band
    centres = band_centres(1, *band)
    centres = centres[(centres >= band[0]) & (centres <= band[1])]
    value = uncertainty = None
    note, reason = "", timing if isinstance(timing, str) else ""
    marks: tuple[Mark, ...] = ()
    if not isinstance(timing, str):

        def arrivals(phase: Floats) -> Floats:
            return band_arrivals(timing.measured, timing.level, phase, centres)

        parts = timing.phase
        excess, whole = arrivals(parts.excess), arrivals(parts.minimum + parts.excess)
        errors = [arrivals(error) for error in (parts.low_error, parts.high_error)]
        known = np.flatnonzero(np.hypot(*errors) <= MAX_ERROR)
        reason = "" if known.size > 1 else f"fewer than two octave bands are known, {band_label(band)}"
        if not reason:
            early, late = (int(known[pick(excess[known])]) for pick in (np.argmin, np.argmax))
            value = 1e3 * float(excess[late] - excess[early])
            uncertainty = Uncertainty(1e3 * float(np.hypot(*(e[late] - e[early] for e in errors))), PROPAGATION)
            each = ", ".join(f"{_octave(centres[row])} {1e3 * excess[row]:.2f}" for row in known)
            spread = 1e3 * float(whole[known].max() - whole[known].min())
            note = (
                f"{_octave(centres[early])} first, {_octave(centres[late])} last; ms after the highest frequencies: "
                f"{each}; with the minimum phase the spread is {spread:.2f} ms"
            )
            marks = (Mark(CURVE, float(centres[known[0]]), float(centres[known[-1]])),)
    return make_number(
        inputs,
        "band-arrivals",
        "timing.arrival.spread",
        HEADING,
        "Time alignment: spread of arrival of octave bands beyond minimum phase",
        value,
        "ms",
        uncertainty=uncertainty,
        note=note,
        reason=reason,
        marks=marks,
    )


def _octave(centre: float) -> str:
    return format_frequency(nominal_octave(centre), 3)


def _decay(inputs: MetricInputs, timing: AxisTiming | str) -> Number:
    """Return the slowest decay in the band."""
    band, drop = inputs.options.timing.band, inputs.options.timing.decay_drop
    value, note, reason = None, "", timing if isinstance(timing, str) else ""
    marks: tuple[Mark, ...] = ()
    bound = False
    if not isinstance(timing, str):
        at = timing.frequency
        inside = (at >= band[0]) & (at <= band[1]) & np.isfinite(timing.decay.known)
        periods = timing.decay.periods[timing.drops.index(drop)]
        known = np.flatnonzero(inside & np.isfinite(periods))
        reason = "" if known.size else f"no decay by {drop:g} dB is known, {band_label(band)}"
        if known.size:
            row = int(known[np.argmax(periods[known])])
            value = float(periods[row])
            unknown = at[inside & np.isnan(periods)]
            bound = bool(unknown.size)
            note = (
                f"at {format_frequency(at[row], 3)}: {1e3 * value / at[row]:.3g} ms; at least "
                f"{shortest_decay(drop):.2g} periods by the method"
            )
            if bound:
                note += f"; not known at {unknown.size} of {int(inside.sum())} frequencies, the lowest "
                note += f"{format_frequency(float(unknown[0]), 3)}"
            marks = curve_mark(inputs, CURVE, float(at[row]))
    return make_number(
        inputs,
        "burst-decay",
        "timing.decay.slowest",
        HEADING,
        f"Slowest decay by {drop:g} dB, {band_label(band)}",
        value,
        "periods",
        bound="at least" if bound else "",
        uncertainty=Uncertainty(None, reason=NO_STATISTICS),
        note=note,
        reason=reason,
        marks=marks,
    )
