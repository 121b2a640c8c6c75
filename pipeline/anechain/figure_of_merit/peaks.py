"""Numbers of the peaks and dips, and the list of all of them with evidence for their causes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import Any

from anechain.acoustics.curve.peak_shapes import NO_RESONANCE, RESONANCE_WITH_PHASE, height_gradient
from anechain.acoustics.directivity.deviation_criteria import Criteria
from anechain.acoustics.directivity.deviations import SEARCHED_CURVES, Deviation, DeviationReport, deviations
from anechain.campaign.numbers import DeviationNumbers
from anechain.data.numbers import Mark, Number, Uncertainty, rounded, rounded_uncertainty
from anechain.figure_of_merit.curve_uncertainty import CANCELS, ROUNDING, linear_uncertainty
from anechain.figure_of_merit.deviation_text import deviation_text, echo_text
from anechain.figure_of_merit.labels import band_label, curve_title
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number
from anechain.methods import methods, versions

__all__ = ["HEADING", "USES", "criteria_of", "deviation_list", "numbers", "q_text", "search"]

HEADING = "Peaks and dips"
USES = (
    "arrival-from-phase",
    "deviation-evidence",
    "deviations",
    "echoes",
    "excess-phase",
    "peaks-and-dips",
    "power-cepstrum-of-curve",
    "resonance-audibility",
)

NOT_PROPAGATED = "not propagated to frequency, width and cause of a peak or dip"


def criteria_of(chosen: DeviationNumbers) -> Criteria:
    """Return the campaign's options as the method takes them; they have the same names."""
    return Criteria(**{option.name: getattr(chosen, option.name) for option in fields(Criteria)})


def search(inputs: MetricInputs) -> DeviationReport | None:
    """Search the curves for peaks and dips; None if none of the curves exists."""
    chosen = inputs.options.deviations
    curves = {name: inputs.curves[name] for name in SEARCHED_CURVES if name in inputs.curves}
    if not any(name in curves for name in chosen.curves):
        return None
    return deviations(
        inputs.frequency,
        curves,
        inputs.orbits.level,
        inputs.orbits.planes,
        inputs.orbits.angles,
        *chosen.band,
        chosen.least_height,
        threshold_at_q_1_db=chosen.threshold_at_q_1,
        threshold_per_doubling_db=chosen.threshold_per_doubling,
        searched=[name for name in chosen.curves if name in curves],
        smoothing=inputs.smoothing,
        criteria=criteria_of(chosen),
        axis_phase_deg=inputs.orbits.axis_phase,
    )


def numbers(inputs: MetricInputs, report: DeviationReport | None) -> Iterator[Number]:
    """Yield the number of peaks and dips, of resonances, of those that may be audible, and of echoes with a delay."""
    chosen = inputs.options.deviations
    skipped = report.not_searched if report is not None else {}
    bands = report.searched if report is not None else {}
    reason = ""
    if not bands:
        reason = "; ".join(dict.fromkeys(skipped.values()))
        reason = f"{reason} (option numbers.deviations.band)" if reason else inputs.missing_reason(*chosen.curves)
    deviations_found = report.deviations if report is not None else ()
    marks = tuple(
        Mark(deviation.feature.curve, hz, hz) for deviation in deviations_found for hz in [_extreme(deviation)]
    )
    echoes = report.echoes if report is not None else ()
    resonances = [deviation for deviation in deviations_found if deviation.cause == "resonance"]
    left_out = "".join(f"; not searched: {curve_title(name).lower()} ({why})" for name, why in skipped.items())
    size = f"{chosen.least_height:g} dB or more, {_bands_text(bands, chosen.band)}{left_out}"
    threshold = (
        f"threshold: an added resonance of {chosen.threshold_at_q_1:g} dB at Q = 1, plus "
        f"{chosen.threshold_per_doubling:g} dB per doubling of Q (recalled, uncertain by several decibels); dips, and "
        "peaks of other causes, are not counted"
    )
    for id_, title, count, note in (
        ("count", "Peaks and dips", len(deviations_found), size),
        ("resonances", "Resonances", len(resonances), size),
        (
            "audible_resonances",
            "Resonances (peaks) above their threshold of audibility",
            sum(deviation.above_threshold and deviation.feature.height_db > 0 for deviation in resonances),
            threshold,
        ),
        (
            "echoes",
            "Echoes that all directions have",
            len(echoes),
            "; ".join(echo_text(echo) for echo in echoes)
            or f"no ripple evenly spaced in hertz that all directions have, {band_label(chosen.band)}",
        ),
    ):
        yield make_number(
            inputs,
            "deviations",
            f"deviations.{id_}",
            HEADING,
            title,
            None if reason else float(count),
            uncertainty=Uncertainty(None, reason="a count"),
            note=note,
            reason=reason,
            marks=marks if id_ == "count" else (),
        )
    yield make_number(
        inputs,
        "echoes",
        "deviations.echo_delay",
        HEADING,
        "Delay of the strongest echo",
        1e3 * echoes[0].delay_s if echoes else None,
        "ms",
        uncertainty=Uncertainty(None, reason="not propagated to the delay of an echo"),
        note=echo_text(echoes[0]) if echoes else "",
        reason=reason or ("" if echoes else "no echo was found"),
    )


def _bands_text(searched: Mapping[str, tuple[float, float]], chosen: tuple[float, float]) -> str:
    """Return the band that was searched; and that of the option, where the data do not cover it."""
    bands: dict[tuple[float, float], list[str]] = {}
    for name, band in searched.items():
        bands.setdefault(band, []).append(curve_title(name).lower())
    if list(bands) in ([chosen], []):
        return band_label(chosen)
    if len(bands) == 1:
        (band,) = bands
        return f"{band_label(band)}: the part of {band_label(chosen)} with data"
    parts = "; ".join(f"{', '.join(names)} {band_label(band)}" for band, names in bands.items())
    return f"the part of {band_label(chosen)} with data: {parts}"


def _extreme(deviation: Deviation) -> float:
    """Return the frequency of the curve's extreme, or the centre of the shape if the curve has no extreme there."""
    return deviation.feature.centre_hz if deviation.feature.extreme_hz is None else deviation.feature.extreme_hz


def q_text(deviation: Mapping[str, Any]) -> str:
    """Return the kind of Q of a peak or dip, an entry of the list `deviations` in numbers.json."""
    if deviation["shape"] == RESONANCE_WITH_PHASE:
        return f"of the resonance itself, added with {deviation['phase_deg']:.0f}°"
    if deviation["shape"] == NO_RESONANCE:
        return "by its width"
    kind = "poles" if deviation["height_db"] > 0 else "zeros"
    return f"of an equaliser's section; its {kind} have Q {deviation['pole_q']:.2g}"


def _height_uncertainty(inputs: MetricInputs, deviation: Deviation) -> Uncertainty:
    """Return the uncertainty of a height from that of the curve's level, for a fixed shape and frequency."""
    uncertainty = linear_uncertainty(
        inputs.errors, deviation.feature.curve, height_gradient(deviation.feature, inputs.frequency)
    )
    # The weights of all frequencies add to zero, except for rounding.
    if uncertainty.standard is not None and uncertainty.standard <= ROUNDING * abs(deviation.feature.height_db):
        return Uncertainty(None, reason=CANCELS)
    return uncertainty


def deviation_list(inputs: MetricInputs, report: DeviationReport | None) -> list[dict[str, Any]]:
    """Return the list of peaks and dips for numbers.json, by rising frequency."""
    factor = inputs.options.uncertainty.coverage_factor
    deviations_found = report.deviations if report is not None else ()
    uncertainties = [_height_uncertainty(inputs, deviation) for deviation in deviations_found]
    version = versions(["deviations"])["deviations"]
    known = methods()["deviations"][version]
    return [
        {
            "centre_hz": rounded(deviation.feature.centre_hz),
            "extreme_hz": None if deviation.feature.extreme_hz is None else rounded(deviation.feature.extreme_hz),
            "height_db": rounded(deviation.feature.height_db),
            "height_uncertainty_db": None
            if uncertainty.standard is None
            else rounded_uncertainty(factor * uncertainty.standard),
            "height_coverage_factor": None if uncertainty.standard is None else factor,
            "height_propagation": uncertainty.propagation,
            "height_uncertainty_reason": uncertainty.reason,
            "width_octaves": rounded(deviation.feature.width_octaves),
            "q": rounded(deviation.feature.q),
            "pole_q": rounded(deviation.feature.pole_q),
            "phase_deg": rounded(deviation.feature.phase_deg),
            "shape": deviation.feature.shape,
            "curve": deviation.feature.curve,
            "radiates": deviation.radiates,
            "cause": deviation.cause,
            "plane": deviation.plane,
            "threshold_db": rounded(deviation.threshold_db),
            "above_threshold": deviation.above_threshold,
            "in_curves": list(deviation.evidence.in_curves),
            "angles": {plane: list(angles) for plane, angles in deviation.evidence.angles_by_plane.items()},
            "evidence": deviation_text(deviation, criteria_of(inputs.options.deviations)),
            "method": "deviations",
            "version": version,
            "source": known.source,
            "source_status": known.source_status,
            "uncertainty_reason": NOT_PROPAGATED,
            "marks": [_span(deviation.feature.curve, deviation.feature.centre_hz, deviation.feature.width_octaves)],
        }
        for deviation, uncertainty in zip(deviations_found, uncertainties, strict=True)
    ]


def _span(curve: str, centre: float, octaves: float) -> dict[str, Any]:
    low, high = centre * 2 ** (-octaves / 2), centre * 2 ** (octaves / 2)
    return {"curve": curve, "low_hz": rounded(low), "high_hz": rounded(high)}
