"""How a peak or dip radiates, and what it is, as far as the evidence decides either.

How it radiates (alike in all directions, or changing with the angle) does not decide what it is: an echo of the set-up
and a phase error of a coaxial loudspeaker are alike in all directions too, and a break-up of a cone may beam.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from anechain.acoustics.curve.peak_shapes import NO_RESONANCE, PeakOrDip
from anechain.acoustics.directivity.deviation_criteria import Criteria
from anechain.acoustics.directivity.deviation_evidence import DeviationEvidence
from anechain.acoustics.directivity.directions import PLANES

__all__ = [
    "KINDS_OF_SOUND",
    "Cause",
    "CauseBasis",
    "CauseVerdict",
    "Radiates",
    "Radiation",
    "RadiationBasis",
    "cause_of",
    "kinds_of_sound",
    "radiation_of",
    "rear_counts",
]

Radiates = Literal["alike in all directions", "changes with the angle", "not determined"]

RadiationBasis = Literal[
    "an orbit is missing",
    "only in front",
    "in few directions",
    "directions do not decide",
    "not in the direct sound",
    "rear does not decide",
    "rear is unknown",
    "in most directions",
]
"""Reason for how a feature radiates, see :func:`radiation_of`."""

Cause = Literal[
    "resonance",
    "interference or diffraction",
    "crossover phase",
    "change of coverage",
    "not determined",
]
"""What a peak or dip is. An echo is no cause of a single peak: it is found from all of them together."""

CauseBasis = Literal[
    "an orbit is missing",
    "all-pass part",
    "minimum phase",
    "narrow, alike and of the shape of a resonance",
    "same poles in all directions",
    "moves with the angle",
    "near the axis only",
    "broad, at the same place in all directions",
    "only in front",
    "level alone",
    "not of the shape of a resonance",
    "between narrow and broad",
    "over one orbit",
    "over one orbit, with an all-pass part",
    "common poles",
    "may be of an echo",
    "directions do not decide",
]
"""Reason for a cause, see :func:`cause_of`."""

KINDS_OF_SOUND: Mapping[str, tuple[str, ...]] = {
    "direct sound": ("listening_window", "on_axis"),
    "early reflections": ("early_reflections",),
    "sound power": ("sound_power",),
}
"""Curves that represent each kind of sound; the first one with evidence is used."""


@dataclass(frozen=True)
class Radiation:
    """How a peak or dip radiates.

    Attributes
    ----------
    radiates : str
        "alike in all directions", "changes with the angle" or "not determined".
    plane : str or None
        Orbit over which it changes: "horizontal", "vertical" or "both"; None if it does not change, or if the orbit is
        not determined.
    basis : str
        Reason: a short name, see :data:`RadiationBasis`.
    """

    radiates: Radiates
    plane: str | None
    basis: RadiationBasis


@dataclass(frozen=True)
class CauseVerdict:
    """What a peak or dip is.

    Attributes
    ----------
    cause : str
        See :data:`Cause`.
    basis : str
        Reason: a short name, see :data:`CauseBasis`.
    """

    cause: Cause
    basis: CauseBasis


def kinds_of_sound(evidence: DeviationEvidence) -> tuple[list[str], list[str]]:
    """Return the kinds of sound (:data:`KINDS_OF_SOUND`) without a curve, and those that do not have the feature."""
    present = {
        kind: next((name in evidence.in_curves for name in names if name in evidence.height_by_curve_db), None)
        for kind, names in KINDS_OF_SOUND.items()
    }
    unknown = [kind for kind, has_it in present.items() if has_it is None]
    absent = [kind for kind, has_it in present.items() if has_it is False]
    return unknown, absent


def rear_counts(evidence: DeviationEvidence) -> tuple[int, int]:
    """Return the number of usable directions behind that have the feature, and the number of usable ones."""
    has, usable = (sum(count[k] for count in evidence.rear_by_plane.values()) for k in (0, 1))
    return has, usable


def radiation_of(feature: PeakOrDip, evidence: DeviationEvidence, criteria: Criteria) -> Radiation:
    """Decide how a peak or dip radiates, from each orbit and, if it is broad, from the directions behind.

    Parameters
    ----------
    feature : PeakOrDip
    evidence : DeviationEvidence
    criteria : Criteria

    Returns
    -------
    Radiation
        In this order: without both orbits nothing is decided ("an orbit is missing"). In front, but in few directions
        behind: "only in front". In few front directions of an orbit: "in few directions". In some of them, or not in
        all kinds of sound: "directions do not decide". Only in the reflections or the power: "not in the direct sound".
        Broad, and in some directions behind, or with too few usable ones: "rear does not decide", "rear is unknown".
        Otherwise alike in all directions, "in most directions".
    """
    unknown, absent = kinds_of_sound(evidence)
    shares = {plane: has / looked for plane, (has, looked) in evidence.directions_by_plane.items() if looked}
    if len(shares) < len(PLANES):
        return Radiation("not determined", None, "an orbit is missing")
    has, usable = rear_counts(evidence)
    rear_share = has / usable if usable >= criteria.min_rear_directions else None
    if (
        rear_share is not None
        and rear_share <= 1 - criteria.alike_min_share
        and max(shares.values()) >= criteria.alike_min_share
        and "direct sound" not in absent
    ):
        return Radiation("changes with the angle", _orbit_absent_behind(evidence, criteria), "only in front")
    least = min(shares.values())
    if least < criteria.changing_max_share or (absent and least < criteria.alike_min_share):
        return Radiation("changes with the angle", _varying_orbit(evidence, criteria), "in few directions")
    if least < criteria.alike_min_share or unknown or absent:
        return Radiation("not determined", _varying_orbit(evidence, criteria), "directions do not decide")
    if feature.curve not in KINDS_OF_SOUND["direct sound"]:
        return Radiation("not determined", None, "not in the direct sound")
    if feature.width_octaves >= criteria.broad:
        if rear_share is not None and rear_share < criteria.alike_min_share:
            return Radiation("not determined", None, "rear does not decide")
        # If all directions behind are unusable because their level is too low, nothing contradicts it.
        if rear_share is None and (evidence.uneven_rear_directions or not evidence.weak_rear_directions):
            return Radiation("not determined", None, "rear is unknown")
    return Radiation("alike in all directions", None, "in most directions")


def cause_of(feature: PeakOrDip, evidence: DeviationEvidence, radiation: Radiation, criteria: Criteria) -> CauseVerdict:
    """Decide what a peak or dip is.

    Parameters
    ----------
    feature : PeakOrDip
    evidence : DeviationEvidence
    radiation : Radiation
    criteria : Criteria

    Returns
    -------
    CauseVerdict
        Without both orbits nothing is decided. The step of a baffle, in front only, is a change of coverage.

        Alike in all directions: a resonance if it has the shape of one and is too narrow for the sum of two drive
        units; a broader one is a crossover phase with an all-pass part, a resonance if it is minimum phase, and not
        determined from the level alone.

        Otherwise: interference or diffraction if fits with one centre and one Q leave much, since it moves, or if it is
        narrow and near the axis only. If it does not move, a broad one is a change of coverage (over one orbit alone:
        interference with an all-pass part, else not determined). A narrow one that is in half of the front directions
        and in the direct sound is a resonance.
    """
    if radiation.basis == "an orbit is missing":
        return CauseVerdict("not determined", "an orbit is missing")
    if radiation.basis == "only in front":
        return CauseVerdict("change of coverage", "only in front")
    turn = evidence.excess_turn_deg
    all_pass_dip = feature.height_db < 0 and turn is not None and turn >= criteria.all_pass_turn
    verdict = _cause_without_common_pole(feature, evidence, radiation, criteria)
    if evidence.common_pole is not None and verdict.cause not in ("resonance", "crossover phase") and not all_pass_dip:
        return CauseVerdict("resonance", "common poles")
    return verdict


def _cause_without_common_pole(
    feature: PeakOrDip, evidence: DeviationEvidence, radiation: Radiation, criteria: Criteria
) -> CauseVerdict:
    """Decide from the curves, from each direction, and from the phase on the axis."""
    left = max((share for share, _ in evidence.pole_residual_by_plane.values()), default=1.0)
    left_db = max((db for _, db in evidence.pole_residual_by_plane.values()), default=0.0)
    much_left = left_db > criteria.moving_min_db * min(feature.width_octaves, 1.0)
    if radiation.radiates == "alike in all directions":
        if much_left and left > criteria.same_poles_max_residual:
            return CauseVerdict("not determined", "directions do not decide")
        return _cause_if_alike(feature, evidence, criteria)
    turn = evidence.excess_turn_deg
    all_pass = turn is not None and turn >= criteria.all_pass_turn
    dip = feature.height_db < 0
    if dip and all_pass and radiation.basis in ("rear does not decide", "rear is unknown"):
        return CauseVerdict("crossover phase", "all-pass part")
    changes = radiation.radiates == "changes with the angle"
    if much_left and left > criteria.moving_min_residual:
        return CauseVerdict("interference or diffraction", "moves with the angle")
    if feature.q < criteria.narrow_dip_q and radiation.plane in PLANES:
        # Two drive units side by side, or one edge, change the beam over one orbit.
        if all_pass:
            return CauseVerdict("interference or diffraction", "over one orbit, with an all-pass part")
        if left_db > criteria.one_orbit_min_db:
            return CauseVerdict("interference or diffraction", "moves with the angle")
    if feature.pole_q < criteria.narrow_q:
        if not changes:
            return CauseVerdict("not determined", "directions do not decide")
        if radiation.plane in PLANES and turn is None:
            return CauseVerdict("not determined", "over one orbit")
        return CauseVerdict("change of coverage", "broad, at the same place in all directions")
    least = min((has / looked for has, looked in evidence.directions_by_plane.values() if looked), default=0.0)
    on_axis_only = "on_axis" in evidence.in_curves and "listening_window" not in evidence.in_curves
    if changes and _in_direct_sound(evidence) and (least < criteria.near_axis_share or on_axis_only):
        return CauseVerdict("interference or diffraction", "near the axis only")
    if feature.shape == NO_RESONANCE:
        return CauseVerdict("not determined", "not of the shape of a resonance")
    # In the reflections or the power as well; if not, as from a port at the rear, the poles must agree twice as well.
    in_reflections = bool({"early_reflections", "sound_power"} & set(evidence.in_curves))
    same_poles = left <= criteria.same_poles_max_residual * (1.0 if in_reflections else 0.5) and not (dip and all_pass)
    described_by_direct = feature.curve in KINDS_OF_SOUND["direct sound"]
    if not same_poles or least < criteria.beaming_min_share or not described_by_direct:
        return CauseVerdict("not determined", "directions do not decide")
    if feature.q >= criteria.narrow_dip_q:
        return CauseVerdict("resonance", "same poles in all directions")
    return CauseVerdict("not determined", "between narrow and broad")


def _cause_if_alike(feature: PeakOrDip, evidence: DeviationEvidence, criteria: Criteria) -> CauseVerdict:
    """Decide what a peak or dip is that is alike in all directions."""
    shaped = feature.shape != NO_RESONANCE
    turn = evidence.excess_turn_deg
    # The sum of two drive units has narrow dips, where it nearly vanishes, but no narrow peaks.
    narrow = feature.pole_q >= criteria.narrow_q if feature.height_db > 0 else feature.q >= criteria.narrow_dip_q
    if shaped and narrow and (feature.height_db > 0 or turn is None or turn < criteria.all_pass_turn):
        return CauseVerdict("resonance", "narrow, alike and of the shape of a resonance")
    if turn is None:
        return CauseVerdict("not determined", "level alone" if shaped else "not of the shape of a resonance")
    if turn >= criteria.all_pass_turn:
        return CauseVerdict("crossover phase", "all-pass part")
    # A broad rise by diffraction is minimum phase on the axis as well, but not as high in the sound power.
    heights = [height / feature.height_db for height in evidence.height_by_curve_db.values()]
    as_high = min(heights, default=0.0) >= criteria.as_high_share
    if shaped and as_high and turn <= criteria.all_pass_turn / 2:
        return CauseVerdict("resonance", "minimum phase")
    return CauseVerdict("not determined", "directions do not decide")


def _in_direct_sound(evidence: DeviationEvidence) -> bool:
    """Return whether a feature is on the axis or in the listening window."""
    return bool(set(KINDS_OF_SOUND["direct sound"]) & set(evidence.in_curves))


def _orbit_absent_behind(evidence: DeviationEvidence, criteria: Criteria) -> str:
    orbits = [
        plane
        for plane, (has, usable) in evidence.rear_by_plane.items()
        if usable and has / usable < criteria.changing_max_share
    ]
    return orbits[0] if len(orbits) == 1 else "both"


def _varying_orbit(evidence: DeviationEvidence, criteria: Criteria) -> str | None:
    variation = evidence.variation_by_plane_db
    if len(variation) < len(PLANES):
        return None
    more, less = sorted(PLANES, key=lambda plane: -variation[plane])
    if variation[more] < criteria.least_variation:
        return None
    return more if variation[more] >= criteria.uneven * variation[less] else "both"
