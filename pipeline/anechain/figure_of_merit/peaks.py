"""Every peak and dip of a size, with the evidence for what causes it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from anechain.acoustics.deviations import DeviationReport, deviations
from anechain.figure_of_merit.given import Given, band_words, name_of, number
from anechain.numbers import Mark, Number, Spread, rounded

__all__ = ["HEADING", "USES", "deviation_list", "numbers", "search"]

HEADING = "Peaks and dips"
USES = ("deviation-evidence", "deviations", "peaks-and-dips", "resonance-audibility")

_CURVES = ("listening_window", "on_axis", "early_reflections", "sound_power", "in_room")


def search(given: Given) -> DeviationReport | None:
    """Search the curve set; None if there is no curve to search."""
    chosen = given.options.deviations
    curves = {name: given.curves[name] for name in _CURVES if name in given.curves}
    if not curves:
        return None
    return deviations(
        given.frequency,
        curves,
        given.orbits.level,
        given.orbits.planes,
        given.orbits.angles,
        *chosen.band,
        chosen.least_height,
        threshold_at_q_1_db=chosen.threshold_at_q_1,
        threshold_per_doubling_db=chosen.threshold_per_doubling,
    )


def numbers(given: Given, report: DeviationReport | None) -> Iterator[Number]:
    """How many there are, how many of them may be heard, and how many are like a resonance."""
    chosen = given.options.deviations
    skipped = report.not_searched if report is not None else {}
    searched = [name for name in _CURVES if name in given.curves and name not in skipped]
    reason = "" if searched else "; ".join(dict.fromkeys(skipped.values())) or given.lacking("on_axis")
    found = report.found if report is not None else ()
    marks = tuple(Mark(one.feature.curve, one.feature.centre_hz, one.feature.centre_hz) for one in found)
    left_out = "".join(f"; not searched: {name_of(name).lower()} ({why})" for name, why in skipped.items())
    size = f"{chosen.least_height:g} dB or more, {band_words(chosen.band)}{left_out}"
    threshold = (
        f"an added resonance of Q = 1 at {chosen.threshold_at_q_1:g} dB is just heard, "
        f"{chosen.threshold_per_doubling:g} dB more per doubling of Q (recalled, uncertain by several decibels)"
    )
    for id_, title, count, note in (
        ("count", "Peaks and dips", len(found), size),
        (
            "audible",
            "Peaks and dips above the threshold of audibility",
            sum(one.above_threshold for one in found),
            threshold,
        ),
        ("resonances", "Peaks and dips like a resonance", sum(one.cause == "resonance" for one in found), size),
    ):
        yield number(
            given,
            "deviations",
            f"deviations.{id_}",
            HEADING,
            title,
            None if reason else float(count),
            spread=Spread(None, reason="a count"),
            note=note,
            reason=reason,
            marks=marks if id_ == "count" else (),
        )


def deviation_list(report: DeviationReport | None) -> list[dict[str, Any]]:
    """What numbers.json holds of each peak and dip, by rising frequency."""
    return [
        {
            "centre_hz": rounded(one.feature.centre_hz),
            "height_db": rounded(one.feature.height_db),
            "width_octaves": rounded(one.feature.width_octaves),
            "q": rounded(one.feature.q),
            "shape": one.feature.shape,
            "curve": one.feature.curve,
            "cause": one.cause,
            "plane": one.plane,
            "threshold_db": rounded(one.threshold_db),
            "above_threshold": one.above_threshold,
            "in_curves": list(one.evidence.in_curves),
            "angles": {plane: list(angles) for plane, angles in one.evidence.angles_by_plane.items()},
            "evidence": list(one.statements),
            "marks": [_span(one.feature.curve, one.feature.centre_hz, one.feature.width_octaves)],
        }
        for one in (report.found if report is not None else ())
    ]


def _span(curve: str, centre: float, octaves: float) -> dict[str, Any]:
    low, high = centre * 2 ** (-octaves / 2), centre * 2 ** (octaves / 2)
    return {"curve": curve, "low_hz": rounded(low), "high_hz": rounded(high)}
