"""Text about one peak or dip: its shape, the evidence, how it radiates, what it is; and about an echo."""

from __future__ import annotations

from collections.abc import Iterable

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.peak_shapes import NO_RESONANCE, RESONANCE_WITH_PHASE, PeakOrDip
from anechain.acoustics.directivity.curve_titles import TITLES
from anechain.acoustics.directivity.deviation_cause import (
    CauseBasis,
    RadiationBasis,
    kinds_of_sound,
    rear_counts,
)
from anechain.acoustics.directivity.deviation_criteria import Criteria
from anechain.acoustics.directivity.deviation_evidence import DeviationEvidence
from anechain.acoustics.directivity.deviations import Deviation
from anechain.acoustics.directivity.echoes import Echo

__all__ = ["deviation_text", "echo_text"]


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
        Shape; evidence from curves, directions and phase; audibility; how it radiates; what it is; if that is not
        determined, what to measure.
    """
    evidence = deviation.evidence
    return [
        _shape_line(deviation.feature),
        _curves_line(evidence, criteria),
        *_direction_lines(evidence, criteria),
        *_pole_lines(evidence, criteria),
        _threshold_line(deviation),
        *_kind_lines(evidence),
        *_radiation_lines(deviation, criteria),
        *_cause_lines(deviation),
    ]


def echo_text(echo: Echo) -> str:
    """Describe an echo in one line."""
    strength = "as strong in all directions" if echo.alike else "of a strength that changes with the angle"
    return (
        f"echo {1e3 * echo.delay_s:.3g} ms after the direct sound (path {echo.path_m:.3g} m longer): peaks every "
        f"{format_hertz(echo.spacing_hz)} Hz from {format_hertz(echo.low_hz)} to {format_hertz(echo.high_hz)} Hz, "
        f"up to {echo.ripple_db:.1f} dB, the echo {echo.level_db:.0f} dB re the direct sound, the same delay in all "
        f"directions, {strength}: most likely the set-up's (boom, stand, floor), not the device's"
    )


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


def _pole_lines(evidence: DeviationEvidence, criteria: Criteria) -> list[str]:
    lines = [
        f"{plane} orbit: fits with one centre and one Q leave {share:.0%} of it ({left:.1f} dB) in the "
        f"directions within {criteria.front:g}°"
        for plane, (share, left) in evidence.pole_residual_by_plane.items()
    ]
    if evidence.excess_turn_deg is not None:
        lines.append(f"excess phase on the axis: changes by {evidence.excess_turn_deg:.0f}° over its width")
    return lines


_RADIATION_REASONS: dict[RadiationBasis, str] = {
    "an orbit is missing": "needs the directions of both orbits",
    "in few directions": "in few directions of an orbit",
    "directions do not decide": "in some directions, or not in all curves",
    "not in the direct sound": "not a peak or dip of the direct sound: it may be a remainder of others nearby",
    "rear is unknown": "the same in front; as broad as the step of a baffle, and no directions behind are usable",
    "in most directions": "the same in most directions",
}

PHASE_AND_DECAY = "the phase on the axis, or the drive units one at a time"

_CAUSE_REASONS: dict[CauseBasis, str] = {
    "an orbit is missing": "measure both orbits",
    "all-pass part": "the excess phase changes within its width, as where two drive units add up with a wrong phase",
    "minimum phase": "of the shape of a resonance, and minimum phase",
    "narrow, alike and of the shape of a resonance": "alike in all directions, of the shape of a resonance, and too "
    "narrow for the sum of two drive units",
    "same poles in all directions": "of the shape of a resonance, with one centre and one Q in all directions",
    "moves with the angle": "its place changes with the angle, as with two paths of different lengths",
    "near the axis only": "narrow, and in few directions near the axis, where paths to an edge are alike",
    "broad, at the same place in all directions": "broad, at one place, and of a height that changes with the angle: "
    "the beam widens or narrows",
    "only in front": "only in front, as the step of a baffle",
    "level alone": "a resonance, or two drive units that add up with a wrong phase; measure " + PHASE_AND_DECAY,
    "not of the shape of a resonance": "neither of the shape of a resonance nor moving with the angle; measure more "
    "directions, or the decay at this frequency",
    "between narrow and broad": "too broad for a resonance of one drive unit, too narrow for a change of coverage; "
    "measure the decay at this frequency",
    "over one orbit": "the beam changes over one orbit: a change of coverage, or two drive units side by side; measure "
    + PHASE_AND_DECAY,
    "over one orbit, with an all-pass part": "the beam changes over one orbit where the excess phase does, as with two "
    "drive units side by side",
    "common poles": "one centre and one Q fit the directions together, with about the same strength in most of them, "
    "beside what moves with the angle",
    "may be of an echo": "of the shape of a resonance, but as wide as the ripple of an echo, or in a row of equal "
    "distances in Hz; measure without reflecting objects, or the decay at this frequency",
    "directions do not decide": "the directions do not decide; measure more directions, or the decay at this frequency",
}


def _radiation_lines(deviation: Deviation, criteria: Criteria) -> list[str]:
    has, usable = rear_counts(deviation.evidence)
    counted = f"in {has} of {usable} usable directions behind"
    basis, said = deviation.radiation_basis, f"how it radiates: {deviation.radiates}"
    if basis == "only in front":
        return [f"{said}: in front, but only {counted}, {_orbit(deviation.plane)}"]
    if basis == "in few directions":
        return [f"{said}, {_orbit(deviation.plane)}"]
    if basis == "rear does not decide":
        return [f"{said}: the same in front, {counted}"]
    lines = []
    if basis == "in most directions" and deviation.feature.width_octaves >= criteria.broad:
        behind = counted if usable >= criteria.min_rear_directions else "with too low a level behind"
        lines.append(f"the same in front, {behind}")
    return [*lines, f"{said}: {_RADIATION_REASONS[basis]}"]


def _cause_lines(deviation: Deviation) -> list[str]:
    return [f"what it is: {deviation.cause}: {_CAUSE_REASONS[deviation.basis]}"]


def _orbit(plane: str | None) -> str:
    if plane is None:
        return "over which orbit is not determined"
    return "over both orbits" if plane == "both" else f"mainly over the {plane} orbit"
