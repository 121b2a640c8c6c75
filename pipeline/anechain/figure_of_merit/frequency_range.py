"""Numbers of the frequency range: lower and upper limits, on axis and in the room."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from anechain.acoustics.curve.effective_range import effective_frequency_range, loudest_octave
from anechain.acoustics.curve.frequency_limits import HALF_POWER, FrequencyLimit, FrequencyLimits, frequency_limits
from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.room_extension import in_room_extension
from anechain.acoustics.curve.segments import mean_power_level, segment_in_band
from anechain.arrays import Floats
from anechain.data.numbers import Number, Uncertainty
from anechain.figure_of_merit.curve_uncertainty import monte_carlo_of_curves
from anechain.figure_of_merit.labels import band_label, curve_title, id_part
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import curve_mark, make_number

__all__ = ["HEADING", "USES", "numbers"]

HEADING = "Frequency range"
THREE = 3.0
"""dB: only this drop may be defined as half the power."""

USES = (
    "effective-frequency-range",
    "frequency-limits",
    "in-room-extension",
    "monte-carlo-uncertainty",
    "room-gain",
)


def numbers(inputs: MetricInputs) -> Iterator[Number]:
    """Yield the limits at both ends, the effective range, and the extension in the room."""
    yield from _on_curve(inputs)
    yield from _effective(inputs)
    yield from _in_room(inputs)


def _crossings(limits: FrequencyLimits) -> Mapping[str, float | None]:
    """Return the first crossing of each limit, Hz, with the same names for every drawn curve."""
    crossings: dict[str, float | None] = {}
    for end, limits_of_end in (("lower", limits.lower), ("upper", limits.upper)):
        crossings |= {f"{end} {row}": limit.first_crossing_hz for row, limit in enumerate(limits_of_end)}
    return crossings


def _limit_numbers(
    inputs: MetricInputs,
    curve: str,
    method: str,
    prefix: str,
    label: str,
    limits: FrequencyLimits,
    drops: tuple[float, ...],
    ends: tuple[str, ...],
    uncertainties: Mapping[str, Uncertainty],
) -> Iterator[Number]:
    for end in ends:
        limits_of_end = limits.lower if end == "lower" else limits.upper
        for row, drop in enumerate(drops):
            limit = limits_of_end[row] if limits_of_end else FrequencyLimit(drop, None, None, None, limits.reason)
            notes = [f"re {limits.reference}"]
            if limits.reference_db is not None:
                notes[0] += f" ({limits.reference_db:.1f} dB)"
            if drop == THREE:
                half = inputs.options.bandwidth.three_db == "half power"
                definition = f"half the power, {HALF_POWER:.4f} dB" if half else f"{THREE:.3f} dB"
                notes.append(f"\N{MINUS SIGN}{THREE:g} dB is {definition}")
            if limit.bracket_hz is not None:
                notes.append(
                    f"interpolated between {format_hertz(limit.bracket_hz[0])} and "
                    f"{format_hertz(limit.bracket_hz[1])} Hz"
                )
            if limit.last_crossing_hz is not None and limit.last_crossing_hz != limit.first_crossing_hz:
                notes.append(f"outermost crossing at {format_hertz(limit.last_crossing_hz)} Hz")
            yield make_number(
                inputs,
                method,
                f"{prefix}.{end}_{id_part(drop)}",
                HEADING,
                f"{label}, \N{MINUS SIGN}{drop:g} dB, {end} limit",
                limit.first_crossing_hz,
                "Hz",
                uncertainty=uncertainties.get(f"{end} {row}"),
                note="; ".join(notes) if limit.first_crossing_hz is not None else "",
                reason=limit.reason,
                marks=curve_mark(inputs, curve, limit.first_crossing_hz),
            )


def _on_curve(inputs: MetricInputs) -> Iterator[Number]:
    chosen = inputs.options.bandwidth
    curve = str(chosen.curve)
    label = curve_title(curve)
    reference = f"mean squared pressure, {band_label(chosen.reference_band)}"

    def limits_of(curves: Mapping[str, Floats]) -> FrequencyLimits:
        part = segment_in_band(inputs.frequency, curves[curve], *chosen.reference_band)
        if part.reason:
            return FrequencyLimits(None, reference, (), (), part.reason)
        return frequency_limits(
            inputs.frequency,
            curves[curve],
            mean_power_level(part),
            reference,
            chosen.start,
            chosen.drops,
            chosen.three_db,
            chosen.ignored_dip_octaves,
        )

    if reason := inputs.missing_reason(curve):
        limits, uncertainties = FrequencyLimits(None, reference, (), (), reason), {}
    else:
        curves = {curve: inputs.curves[curve]}
        limits = limits_of(curves)
        uncertainties = monte_carlo_of_curves(inputs.errors, curves, lambda drawn: _crossings(limits_of(drawn)))
    yield from _limit_numbers(
        inputs, curve, "frequency-limits", "range", label, limits, chosen.drops, ("lower", "upper"), uncertainties
    )


def _effective(inputs: MetricInputs) -> Iterator[Number]:
    chosen = inputs.options.bandwidth
    curve, drops = str(chosen.effective_curve), (chosen.effective_drop,)
    of_curve = "" if curve == "on_axis" else f" ({curve_title(curve).lower()})"
    uncertainties: Mapping[str, Uncertainty] = {}
    if reason := inputs.missing_reason(curve):
        limits = FrequencyLimits(None, "", (), (), reason)
    else:
        curves = {curve: inputs.curves[curve]}
        limits = effective_frequency_range(
            inputs.frequency,
            curves[curve],
            chosen.effective_drop,
            chosen.effective_octaves,
            chosen.effective_ignored_dip_octaves,
            chosen.three_db,
        )
        loudest = loudest_octave(inputs.frequency, curves[curve], chosen.effective_octaves)
        if loudest is not None:
            centre, half = loudest[0], 2.0 ** (chosen.effective_octaves / 2)
            band = centre / half, centre * half

            def crossings_of(drawn: Mapping[str, Floats]) -> Mapping[str, float | None]:
                # The band is kept, because a search in every draw would take too long.
                level = drawn[curve]
                reference = mean_power_level(segment_in_band(inputs.frequency, level, *band))
                return _crossings(
                    frequency_limits(
                        inputs.frequency,
                        level,
                        reference,
                        "",
                        centre,
                        drops,
                        chosen.three_db,
                        chosen.effective_ignored_dip_octaves,
                    )
                )

            uncertainties = monte_carlo_of_curves(inputs.errors, curves, crossings_of)
    yield from _limit_numbers(
        inputs,
        curve,
        "effective-frequency-range",
        "range.effective",
        f"Effective frequency range{of_curve}",
        limits,
        drops,
        ("lower", "upper"),
        uncertainties,
    )


def _in_room(inputs: MetricInputs) -> Iterator[Number]:
    chosen, drops = inputs.options.in_room, inputs.options.bandwidth.drops
    curve = str(chosen.curve)
    label = f"In the room ({curve_title(curve).lower()})"

    def limits_of(curves: Mapping[str, Floats]) -> FrequencyLimits:
        return in_room_extension(
            inputs.frequency,
            curves[curve],
            chosen.longest_dimension,
            chosen.reference_band,
            drops,
            inputs.options.bandwidth.three_db,
        )

    if reason := inputs.missing_reason(curve):
        limits, uncertainties = FrequencyLimits(None, "", (), (), reason), {}
    else:
        curves = {curve: inputs.curves[curve]}
        limits = limits_of(curves)
        uncertainties = monte_carlo_of_curves(inputs.errors, curves, lambda drawn: _crossings(limits_of(drawn)))
    yield from _limit_numbers(
        inputs, curve, "in-room-extension", "range.in_room", label, limits, drops, ("lower",), uncertainties
    )
