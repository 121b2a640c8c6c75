"""Every peak and dip of a size, with the evidence for what causes it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import Any

from anechain.acoustics.curve.peaks_and_dips import ADDED, NEITHER, height_gradient
from anechain.acoustics.directivity.deviations import SEARCHED as KNOWN_CURVES
from anechain.acoustics.directivity.deviations import Criteria, Deviation, DeviationReport, deviations
from anechain.campaign.choices import DeviationNumbers
from anechain.data.numbers import Mark, Number, Uncertainty, rounded, rounded_uncertainty
from anechain.figure_of_merit.curve_uncertainty import CANCELS, ROUNDING, linear_uncertainty
from anechain.figure_of_merit.labels import band_label, curve_title
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.number_builder import make_number
from anechain.methods import methods, versions

__all__ = ["HEADING", "USES", "criteria_of", "deviation_list", "numbers", "q_words", "search"]

HEADING = "Peaks and dips"
USES = ("deviation-evidence", "deviations", "peaks-and-dips", "resonance-audibility")

CAUSES = "not carried to where a peak or dip is, how wide it is, and what it is like"


def criteria_of(chosen: DeviationNumbers) -> Criteria:
    """The campaign's choices as the method takes them: all of them have the same names."""
    return Criteria(**{one.name: getattr(chosen, one.name) for one in fields(Criteria)})


def search(inputs: MetricInputs) -> DeviationReport | None:
    """Search the curve set; None if there is no curve to search."""
    chosen = inputs.options.deviations
    curves = {name: inputs.curves[name] for name in KNOWN_CURVES if name in inputs.curves}
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
    )


def numbers(inputs: MetricInputs, report: DeviationReport | None) -> Iterator[Number]:
    """How many there are, how many of them may be heard, and how many are like a resonance."""
    chosen = inputs.options.deviations
    skipped = report.not_searched if report is not None else {}
    searched = [name for name in chosen.curves if name in inputs.curves and name not in skipped]
    reason = "" if searched else "; ".join(dict.fromkeys(skipped.values())) or inputs.missing_reason(*chosen.curves)
    found = report.found if report is not None else ()
    marks = tuple(Mark(one.feature.curve, hz, hz) for one in found for hz in [_extreme(one)])
    resonances = [one for one in found if one.cause == "resonance"]
    left_out = "".join(f"; not searched: {curve_title(name).lower()} ({why})" for name, why in skipped.items())
    size = f"{chosen.least_height:g} dB or more, {band_label(chosen.band)}{left_out}"
    threshold = (
        f"an added resonance of Q = 1 at {chosen.threshold_at_q_1:g} dB is just heard, "
        f"{chosen.threshold_per_doubling:g} dB more per doubling of Q (recalled, uncertain by several decibels); dips, "
        "and peaks that are not like a resonance, are not counted"
    )
    for id_, title, count, note in (
        ("count", "Peaks and dips", len(found), size),
        ("resonances", "Peaks and dips like a resonance", len(resonances), size),
        (
            "audible_resonances",
            "Peaks like a resonance, above its threshold of audibility",
            sum(one.above_threshold and one.feature.height_db > 0 for one in resonances),
            threshold,
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


def _extreme(one: Deviation) -> float:
    """Where the curve is highest or lowest; where the shape's centre is, if the curve has no extreme of its own."""
    return one.feature.centre_hz if one.feature.extreme_hz is None else one.feature.extreme_hz


def q_words(one: Mapping[str, Any]) -> str:
    """What the Q of a peak or dip is that of: an entry of the member `deviations` of numbers.json."""
    if one["shape"] == ADDED:
        return f"of the resonance itself, added with {one['phase_deg']:.0f}°"
    if one["shape"] == NEITHER:
        return "by its width"
    kind = "poles" if one["height_db"] > 0 else "zeros"
    return f"of an equaliser's section; its {kind} have Q {one['pole_q']:.2g}"


def _height_spread(inputs: MetricInputs, one: Deviation) -> Uncertainty:
    """Uncertainty of a height: by how much it changes with the level of its curve, its shape and place kept."""
    found = linear_uncertainty(inputs.errors, one.feature.curve, height_gradient(one.feature, inputs.frequency))
    # The weights of all frequencies add to nothing but for rounding.
    if found.standard is not None and found.standard <= ROUNDING * abs(one.feature.height_db):
        return Uncertainty(None, reason=CANCELS)
    return found


def deviation_list(inputs: MetricInputs, report: DeviationReport | None) -> list[dict[str, Any]]:
    """What numbers.json holds of each peak and dip, by rising frequency."""
    factor = inputs.options.uncertainty.coverage_factor
    found = report.found if report is not None else ()
    uncertainties = [_height_spread(inputs, one) for one in found]
    version = versions(["deviations"])["deviations"]
    known = methods()["deviations"][version]
    return [
        {
            "centre_hz": rounded(one.feature.centre_hz),
            "extreme_hz": None if one.feature.extreme_hz is None else rounded(one.feature.extreme_hz),
            "height_db": rounded(one.feature.height_db),
            "height_uncertainty_db": None
            if uncertainty.standard is None
            else rounded_uncertainty(factor * uncertainty.standard),
            "height_coverage_factor": None if uncertainty.standard is None else factor,
            "height_propagation": uncertainty.propagation,
            "height_uncertainty_reason": uncertainty.reason,
            "width_octaves": rounded(one.feature.width_octaves),
            "q": rounded(one.feature.q),
            "pole_q": rounded(one.feature.pole_q),
            "phase_deg": rounded(one.feature.phase_deg),
            "shape": one.feature.shape,
            "curve": one.feature.curve,
            "cause": one.cause,
            "plane": one.plane,
            "threshold_db": rounded(one.threshold_db),
            "above_threshold": one.above_threshold,
            "in_curves": list(one.evidence.in_curves),
            "angles": {plane: list(angles) for plane, angles in one.evidence.angles_by_plane.items()},
            "evidence": list(one.statements),
            "method": "deviations",
            "version": version,
            "source": known.source,
            "standing": known.source_status,
            "uncertainty_reason": CAUSES,
            "marks": [_span(one.feature.curve, one.feature.centre_hz, one.feature.width_octaves)],
        }
        for one, uncertainty in zip(found, uncertainties, strict=True)
    ]


def _span(curve: str, centre: float, octaves: float) -> dict[str, Any]:
    low, high = centre * 2 ** (-octaves / 2), centre * 2 ** (octaves / 2)
    return {"curve": curve, "low_hz": rounded(low), "high_hz": rounded(high)}
