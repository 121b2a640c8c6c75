"""Cause of a peak or dip: a resonance, or interference and diffraction, as far as the evidence decides it.

A resonance radiates equally in all directions: it is in the direct sound, the early reflections and the sound power.
Interference of two paths (diffraction at an edge, two drivers) changes with the angle. The step of a baffle is broad,
the same in all directions in front, and absent behind.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from anechain.acoustics.curve.peak_shapes import PeakOrDip
from anechain.acoustics.directivity.deviation_criteria import Criteria
from anechain.acoustics.directivity.deviation_evidence import DeviationEvidence
from anechain.acoustics.directivity.directions import PLANES

__all__ = ["KINDS_OF_SOUND", "Basis", "Cause", "Verdict", "kinds_of_sound", "rear_counts", "verdict"]

Cause = Literal["resonance", "interference or diffraction", "not determined"]

Basis = Literal[
    "an orbit is missing",
    "baffle step",
    "changes with the angle",
    "directions do not decide",
    "not in the direct sound",
    "rear does not decide",
    "rear is unknown",
    "same in most directions",
]
"""Reason for a cause, see :func:`verdict`."""

KINDS_OF_SOUND: Mapping[str, tuple[str, ...]] = {
    "direct sound": ("listening_window", "on_axis"),
    "early reflections": ("early_reflections",),
    "sound power": ("sound_power",),
}
"""Curves that represent each kind of sound; the first one with evidence is used."""


@dataclass(frozen=True)
class Verdict:
    """Cause of a peak or dip.

    Attributes
    ----------
    cause : str
        "resonance", "interference or diffraction" or "not determined".
    plane : str or None
        Orbit over which it varies: "horizontal", "vertical" or "both"; None if it does not vary with direction, or if
        the orbit is not determined.
    basis : str
        Reason for the cause: a short name, see :data:`Basis`.
    """

    cause: Cause
    plane: str | None
    basis: Basis


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


def verdict(feature: PeakOrDip, evidence: DeviationEvidence, criteria: Criteria) -> Verdict:
    """Decide the cause of a peak or dip from each orbit and, if it is broad, from the directions behind.

    Parameters
    ----------
    feature : PeakOrDip
    evidence : DeviationEvidence
    criteria : Criteria

    Returns
    -------
    Verdict
        In this order: without both orbits nothing is decided ("an orbit is missing"). In front, but in few directions
        behind: "baffle step". In few front directions of an orbit: "changes with the angle". In some of them, or not in
        all kinds of sound: "directions do not decide". Only in the reflections or the power: "not in the direct sound".
        Broad, and in some directions behind, or with too few usable ones: "rear does not decide", "rear is unknown".
        Otherwise a resonance, "same in most directions".
    """
    unknown, absent = kinds_of_sound(evidence)
    shares = {plane: has / looked for plane, (has, looked) in evidence.directions_by_plane.items() if looked}
    if len(shares) < len(PLANES):
        return Verdict("not determined", None, "an orbit is missing")
    has, usable = rear_counts(evidence)
    rear_share = has / usable if usable >= criteria.min_rear_directions else None
    if (
        rear_share is not None
        and rear_share <= 1 - criteria.resonance_min_share
        and max(shares.values()) >= criteria.resonance_min_share
        and "direct sound" not in absent
    ):
        return Verdict("interference or diffraction", _orbit_absent_behind(evidence, criteria), "baffle step")
    least = min(shares.values())
    if least < criteria.interference_max_share or (absent and least < criteria.resonance_min_share):
        plane = _varying_orbit(evidence, criteria)
        return Verdict("interference or diffraction", plane, "changes with the angle")
    if least < criteria.resonance_min_share or unknown or absent:
        return Verdict("not determined", _varying_orbit(evidence, criteria), "directions do not decide")
    if feature.curve not in KINDS_OF_SOUND["direct sound"]:
        return Verdict("not determined", None, "not in the direct sound")
    if feature.width_octaves >= criteria.broad:
        if rear_share is not None and rear_share < criteria.resonance_min_share:
            return Verdict("not determined", None, "rear does not decide")
        # If all directions behind are unusable because their level is too low, nothing contradicts a resonance.
        if rear_share is None and (evidence.uneven_rear_directions or not evidence.weak_rear_directions):
            return Verdict("not determined", None, "rear is unknown")
    return Verdict("resonance", None, "same in most directions")


def _orbit_absent_behind(evidence: DeviationEvidence, criteria: Criteria) -> str:
    orbits = [
        plane
        for plane, (has, usable) in evidence.rear_by_plane.items()
        if usable and has / usable < criteria.interference_max_share
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
