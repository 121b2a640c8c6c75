"""Text about one peak or dip: its shape, the evidence, and the reasons for its cause."""

from __future__ import annotations

from collections.abc import Iterable

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.peak_shapes import NO_RESONANCE, RESONANCE_WITH_PHASE, PeakOrDip
from anechain.acoustics.directivity.curve_titles import TITLES
from anechain.acoustics.directivity.deviation_cause import Basis, kinds_of_sound, rear_counts
from anechain.acoustics.directivity.deviation_criteria import Criteria
from anechain.acoustics.directivity.deviation_evidence import DeviationEvidence
from anechain.acoustics.directivity.deviations import Deviation

__all__ = ["deviation_text"]


def deviation_text(deviation: Deviation, criteria: Criteria) -> list[str]:
    """Describe a peak or dip in words.

    Parameters
    ----------
    deviation : Deviation
    criteria : Criteria
        Criteria that the deviation was determined with.

    Returns
    -------
    list of str
        Shape; evidence from curves and directions; audibility; reasons for the cause.
    """
    evidence = deviation.evidence
    return [
        _shape_line(deviation.feature),
        _curves_line(evidence, criteria),
        *_direction_lines(evidence, criteria),
        _threshold_line(deviation),
        *_kind_lines(evidence),
        *_cause_lines(deviation, criteria),
    ]


def _titles(names: Iterable[str]) -> str:
    return ", ".join(TITLES.get(name, name).lower() for name in names)


def _shape_line(feature: PeakOrDip) -> str:
    parts = [f"{feature.height_db:+.1f} dB in the curve: {_titles([feature.curve])}"]
    if feature.extreme_hz is not None:
        extreme = "highest" if feature.height_db > 0 else "lowest"
        parts.append(f"{extreme} at {format_hertz(feature.extreme_hz)} Hz")
    parts.append(f"shape: {feature.shape}")
    parts.append(f"centre {format_hertz(feature.centre_hz)} Hz")
    parts.append(f"width {feature.width_octaves:.2f} octave")
    if feature.shape == RESONANCE_WITH_PHASE:
        first, second = ("peak", "dip") if feature.height_db > 0 else ("dip", "peak")
        parts.append(f"Q {feature.q:.2g} of the resonance, added with {feature.phase_deg:.0f}°")
        parts.append(f"a {first} of {feature.height_db:+.1f} dB next to a {second} of {feature.opposite_db:+.1f} dB")
    elif feature.shape == NO_RESONANCE:
        parts.append(f"Q {feature.q:.2g} from the width")
    else:
        kind = "poles" if feature.height_db > 0 else "zeros"
        parts.append(f"Q {feature.q:.2g} of an equaliser's section, Q {feature.pole_q:.2g} of its {kind}")
    unsmoothed = feature.unsmoothed_height_db
    if unsmoothed is not None and abs(unsmoothed - feature.height_db) >= 0.05:
        parts.append(f"{unsmoothed:+.1f} dB before smoothing")
    return "; ".join(parts)


def _curves_line(evidence: DeviationEvidence, criteria: Criteria) -> str:
    heights = evidence.height_by_curve_db
    has_it = [f"{_titles([name])} {height:+.1f} dB" for name, height in heights.items() if name in evidence.in_curves]
    absent = [name for name in heights if name not in evidence.in_curves]
    parts = [f"height by curve: {', '.join(has_it)}"] if has_it else []
    if absent:
        parts.append(f"not in: {_titles(absent)} (less than {criteria.height_share:.0%} of the height, or elsewhere)")
    return "; ".join(parts)


def _direction_lines(evidence: DeviationEvidence, criteria: Criteria) -> list[str]:
    lines = []
    for plane, (has, looked) in evidence.directions_by_plane.items():
        variation = evidence.variation_by_plane_db.get(plane)
        varies = "" if variation is None else f"; standard deviation of its height there: {variation:.1f} dB"
        lines.append(f"{plane} orbit: in {has} of {looked} directions within {criteria.front:g}° of the axis{varies}")
    if evidence.largest_shift_octaves is not None:
        or_more = " or more" if evidence.largest_shift_octaves > evidence.search_octaves - 1e-6 else ""
        lines.append(
            f"its centre moves by up to {evidence.largest_shift_octaves:.2f} octave{or_more} in the directions that "
            "have the shape"
        )
    lines.append(
        f"counted as the same peak or dip up to {evidence.tolerance_octaves:.2f} octave from its centre, by its width"
    )
    for plane, (has, usable) in evidence.rear_by_plane.items():
        if usable:
            where = f"{criteria.behind:g}° or more from the axis"
            lines.append(f"{plane} orbit: in {has} of {usable} usable directions {where}")
    if evidence.weak_rear_directions or evidence.uneven_rear_directions:
        lines.append(
            f"directions behind that are not usable: {evidence.weak_rear_directions} with too low a level, "
            f"{evidence.uneven_rear_directions} too uneven"
        )
    return lines


def _threshold_line(deviation: Deviation) -> str:
    feature = deviation.feature
    reaches = "reaches" if deviation.above_threshold else "is below"
    remarks = "" if feature.height_db > 0 else "; dips are less audible"
    if deviation.cause != "resonance":
        remarks += "; of little meaning for anything but a resonance"
    return (
        f"its height {reaches} the {deviation.threshold_db:.1f} dB from which an added resonance of Q "
        f"{feature.pole_q:.2g} is audible with pink noise (Toole and Olive 1988, recalled{remarks})"
    )


def _kind_lines(evidence: DeviationEvidence) -> list[str]:
    unknown, absent = kinds_of_sound(evidence)
    lines = [f"no curve of the {', or of the '.join(unknown)}"] if unknown else []
    named = absent
    # The listening window represents the direct sound. If only the curve on the axis has it, that is more precise.
    if "direct sound" in absent and "on_axis" in evidence.in_curves:
        lines.append(f"only on the axis, not in the {TITLES['listening_window'].lower()}")
        named = [kind for kind in absent if kind != "direct sound"]
    if named:
        lines.append(f"not in the {', not in the '.join(named)}")
    if not absent and not unknown:
        lines.append("in the direct sound, the early reflections and the sound power")
    return lines


_REASONS: dict[Basis, str] = {
    "an orbit is missing": "needs the directions of both orbits",
    "directions do not decide": "the directions do not decide between a resonance and interference",
    "not in the direct sound": "not a peak or dip of the direct sound: it may be a remainder of others nearby",
    "rear is unknown": "the same in front; as broad as the step of a baffle, and no directions behind are usable",
    "same in most directions": "the same in most directions: it does not change with the angle",
}


def _cause_lines(deviation: Deviation, criteria: Criteria) -> list[str]:
    has, usable = rear_counts(deviation.evidence)
    counted = f"in {has} of {usable} usable directions behind"
    if deviation.basis == "baffle step":
        step = f"in front, but only {counted}: it changes with the angle as the step of a baffle does"
        return [f"{step}, {_orbit(deviation.plane)}"]
    if deviation.basis == "changes with the angle":
        return [f"it changes with the angle, {_orbit(deviation.plane)}"]
    if deviation.basis == "rear does not decide":
        return [f"the same in front, {counted}: this does not decide"]
    lines = []
    if deviation.cause == "resonance" and deviation.feature.width_octaves >= criteria.broad:
        behind = counted if usable >= criteria.min_rear_directions else "with too low a level behind"
        lines.append(f"the same in front, {behind}")
    return [*lines, _REASONS[deviation.basis]]


def _orbit(plane: str | None) -> str:
    if plane is None:
        return "over which orbit is not determined"
    return "over both orbits" if plane == "both" else f"mainly over the {plane} orbit"
