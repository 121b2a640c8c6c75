"""Resonances added with a phase: a peak and the dip next to it that sections explain less well."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from anechain.acoustics.curve.peak_candidates import near_candidate
from anechain.acoustics.curve.peak_fits import (
    MIN_RESIDUAL_DB,
    PeakFit,
    height_of_resonance,
    level_of_resonance,
    max_height,
    polynomial_order,
    refine_fits,
    residual_power,
    sum_of_fits,
)
from anechain.acoustics.curve.resonance_fits import first_guesses, fit_resonance, fit_section
from anechain.acoustics.curve.resonance_shape import AddedResonance, bandwidth_of_q, q_of_bandwidth
from anechain.arrays import Floats

__all__ = ["fit_phase_resonances"]

MAX_RESIDUAL_SHARE = 0.06
"""Residual re the height up to which a shape is taken for a resonance with a phase: interference too causes peaks next
to dips, of another shape."""

MIN_Q = 4.0
"""Lowest Q of a resonance with a phase: over a broader resonance the phase of the other sound is not constant."""

MIN_PHASE_DEG = 10.0
"""Degrees from 0 or 180; with a smaller phase a resonance is a section."""

MAX_EXCLUDED = 1
"""Most fits that are excluded one after the other before all stay sections: ripples of interference have many."""

FACTOR_PER_PARAMETER = 1.3
"""Factor by which each further parameter of a shape must reduce the squared residual."""


def fit_phase_resonances(
    octaves: Floats, level: Floats, fits: Sequence[PeakFit], excluded: Sequence[PeakFit] = ()
) -> None:
    """Replace one or several sections, in place, by a resonance with a phase where that is the simpler explanation.

    Parameters
    ----------
    octaves, level : numpy.ndarray, shape (n,)
        log2 of the frequency in Hz, evenly spaced, and dB.
    fits : sequence of PeakFit
        Sections fitted to the curve.
    excluded : sequence of PeakFit, optional
        Fits that stay sections.
    """
    before = [(fit, replace(fit)) for fit in fits]
    replaced: list[PeakFit] = []
    for fit in sorted(fits, key=lambda fit: -abs(fit.candidate.height_db)):
        highest_q = float(q_of_bandwidth(fit.candidate.width_octaves)) * 1.5
        if fit.absorbed or fit in excluded or highest_q < MIN_Q:
            continue
        best = _best_resonance(octaves, level, fit, fits)
        if best is None:
            continue
        fit.resonance, absorbed = best
        fit.has_phase, fit.residual_db = True, fit.resonance.residual_db
        fit.level = level_of_resonance(octaves, fit.resonance, fit.window_octaves)
        for other in absorbed:
            other.absorbed, other.residual_db, other.level = True, None, np.zeros_like(octaves)
        replaced.append(fit)
    if not replaced:
        return
    # Distant fits stay unchanged: every further round of overlapping fits makes them cancel each other more.
    around = [fit for fit in fits if not fit.absorbed and any(_is_near(fit, other) for other in replaced)]
    refine_fits(octaves, level, around, fits)
    in_phase = [fit for fit in replaced if _is_close(fit) and _is_in_phase(fit.resonance)]
    for fit in in_phase:
        fit.has_phase, fit.resonance = False, replace(fit.resonance, imaginary=0.0)
    if in_phase:
        refine_fits(octaves, level, around, fits)
    # If a resonance no longer fits closely after its neighbours were refined, restore all; it stays a section.
    failed = [fit for fit in replaced if not _is_close(fit)]
    if failed:
        for fit, saved in before:
            fit.resonance, fit.level, fit.residual_db = saved.resonance, saved.level, saved.residual_db
            fit.has_phase, fit.absorbed = saved.has_phase, saved.absorbed
        if len(excluded) < MAX_EXCLUDED:
            fit_phase_resonances(octaves, level, fits, [*excluded, *failed])


def _span(fit: PeakFit) -> float:
    """Return the octaves to both sides within which the centre of a resonance with a phase is searched."""
    return max(fit.candidate.width_octaves, 1 / 12)


def _replaceable_groups(fit: PeakFit, fits: Sequence[PeakFit]) -> list[list[PeakFit]]:
    """Return the groups of neighbours that a resonance with a phase may replace; the first group is empty."""
    own, span = fit.candidate, _span(fit)
    sections = [other for other in fits if other is not fit and not other.absorbed and not other.has_phase]
    neighbours = [
        other
        for other in sections
        if abs(other.candidate.centre_log2 - own.centre_log2) <= 2 * span
        and other.candidate.width_octaves <= 2.5 * span
    ]
    opposite = [other for other in neighbours if other.candidate.height_db * own.height_db < 0]
    # Lower sections all around fit the residual that a section leaves of a resonance with a phase.
    reach = min(max(0.5, 2.0 * own.width_octaves), 2.0)
    lower = [
        other
        for other in sections
        if abs(other.candidate.centre_log2 - own.centre_log2) <= reach
        and abs(other.candidate.height_db) < abs(own.height_db)
    ]
    groups: list[list[PeakFit]] = []
    for group in ([], *([other] for other in neighbours), opposite, neighbours, lower):
        if group not in groups:
            groups.append(group)
    return groups


def _best_resonance(
    octaves: Floats, level: Floats, fit: PeakFit, fits: Sequence[PeakFit]
) -> tuple[AddedResonance, list[PeakFit]] | None:
    """Return the best resonance with a phase and the neighbours that it replaces, or None.

    It is None if sections explain the curve as well.
    """
    own, span = fit.candidate, _span(fit)
    groups = _replaceable_groups(fit, fits)
    total = sum_of_fits(octaves, fits)
    near, order = near_candidate(octaves, own), polynomial_order(own)
    x = octaves[near]
    centres = np.linspace(own.centre_log2 - span, own.centre_log2 + span, 7)
    q_values = float(q_of_bandwidth(own.width_octaves)) * np.array([0.6, 1.0, 1.7])
    rests = np.stack([level - total + fit.level + sum_of_fits(octaves, group) for group in groups])
    guesses = first_guesses(x, rests[:, near], centres, q_values, fit.window_octaves)
    best: tuple[float, AddedResonance, list[PeakFit]] | None = None
    for group, rest, guess in zip(groups, rests, guesses, strict=True):
        fitted = fit_resonance(x, rest[near], guess, span, fit.window_octaves, fit.max_q, order)
        if fitted is None or fitted.q < MIN_Q:
            continue
        fitted_level = level_of_resonance(octaves, fitted, fit.window_octaves)
        if abs(height_of_resonance(fitted, fit.window_octaves)) > max_height(own):
            continue
        if fitted.residual_db > MAX_RESIDUAL_SHARE * np.abs(fitted_level).max() + MIN_RESIDUAL_DB:
            continue
        # A resonance with a phase has four parameters, each section has three.
        power = residual_power(x, (rest - fitted_level)[near], order) * FACTOR_PER_PARAMETER**4
        sections_power = residual_power(x, (level - total)[near], order)
        sections_power *= FACTOR_PER_PARAMETER ** (3 + 3 * len(group))
        if power >= sections_power or (best is not None and power / sections_power >= best[0]):
            continue
        # Without the neighbours one section may explain the curve as well.
        in_phase = AddedResonance(fitted.centre_log2, fitted.real, 0.0, fitted.q)
        for start in (fit.resonance, in_phase):
            section = fit_section(x, rest[near], start, span, fit.window_octaves, fit.max_q, order)
            if section is not None:
                section_level = level_of_resonance(octaves, section, fit.window_octaves)
                section_power = residual_power(x, (rest - section_level)[near], order) * FACTOR_PER_PARAMETER**3
                sections_power = min(sections_power, section_power)
        if power < sections_power and (best is None or power / sections_power < best[0]):
            best = power / sections_power, fitted, group
    return None if best is None else best[1:]


def _is_near(fit: PeakFit, other: PeakFit) -> bool:
    """Return whether a fit is so near to another, or is that fit itself, that both are refined together."""
    reach = max(0.25, 2.0 * float(bandwidth_of_q(other.resonance.q)))
    return bool(abs(fit.candidate.centre_log2 - other.candidate.centre_log2) <= reach)


def _is_in_phase(resonance: AddedResonance) -> bool:
    """Return whether the phase of a resonance is so close to 0 or 180 degrees that it is a section."""
    strength = np.hypot(resonance.real, resonance.imaginary)
    return bool(abs(resonance.imaginary) < np.sin(np.deg2rad(MIN_PHASE_DEG)) * strength)


def _is_close(fit: PeakFit) -> bool:
    """Return whether a fit is close enough for a resonance with a phase."""
    if fit.residual_db is None or fit.resonance.q < MIN_Q:
        return False
    return bool(fit.residual_db <= MAX_RESIDUAL_SHARE * float(np.abs(fit.level).max()) + MIN_RESIDUAL_DB)
