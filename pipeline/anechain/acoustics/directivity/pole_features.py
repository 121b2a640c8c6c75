"""Peaks and dips that belong to resonances which the front directions have in common."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from anechain.acoustics.curve.peak_shapes import ONE_RESONANCE, RESONANCE_WITH_PHASE, PeakOrDip
from anechain.acoustics.curve.resonance_shape import level_profile
from anechain.acoustics.directivity.common_poles import CommonPole

__all__ = ["features_of_poles", "is_steady", "pole_of"]

MAX_WIDTH_RATIO = 2.5
"""Largest ratio of the widths of a pole and of the peak or dip that belongs to it."""

MIN_SHARE = 0.7
"""Least share of the directions of each orbit that have about the same strength."""

MIN_STRENGTH = 0.5
"""Least strength re that in the mean level: of the median of each orbit, and of a curve that describes it."""

MIN_BALANCE = 0.6
"""Least ratio of the medians of the orbits."""

MAX_RESIDUAL_SHARE = 0.12
"""Residual re the height above which the shape is not that of a resonance."""

MIN_Q, MIN_DIP_Q = 1.8, 4.0
"""Lowest Q of the poles of a peak and of a dip: the sum of two drive units has broader ones."""


def is_steady(pole: CommonPole) -> bool:
    """Return whether a pole is a resonance: of its shape, narrow, and about as strong in most directions."""
    medians = sorted(pole.median_by_plane.values())
    return bool(
        pole.resonance.q >= (MIN_Q if pole.height_db > 0 else MIN_DIP_Q)
        and pole.residual_db <= MAX_RESIDUAL_SHARE * abs(pole.height_db)
        and min(pole.share_by_plane.values()) >= MIN_SHARE
        and medians[0] >= max(MIN_STRENGTH, MIN_BALANCE * medians[-1])
    )


def pole_of(feature: PeakOrDip, poles: Sequence[CommonPole]) -> CommonPole | None:
    """Return the pole at the place of a peak or dip, of about its width and of its sign; None if there is none."""
    for pole in poles:
        narrower, wider = sorted((feature.width_octaves, pole.width_octaves))
        distance = abs(float(np.log2(feature.centre_hz)) - pole.resonance.centre_log2)
        if (
            wider <= MAX_WIDTH_RATIO * max(narrower, 1 / 12)
            and distance <= max(1 / 12, narrower / 2)
            and (feature.height_db * pole.height_db > 0 or pole.resonance.imaginary != 0)
        ):
            return pole
    return None


def features_of_poles(
    poles: Sequence[CommonPole], features: Sequence[PeakOrDip], names: Sequence[str], min_height_db: float
) -> list[PeakOrDip]:
    """Return peaks and dips for the poles that no peak or dip belongs to.

    Parameters
    ----------
    poles : sequence of CommonPole
    features : sequence of PeakOrDip
        Those that are known.
    names : sequence of str
        Curves that may describe them: the first in which the strength is half that in the mean level or more.
    min_height_db : float
        Smallest height in dB in that curve.

    Returns
    -------
    list of PeakOrDip
    """
    more = []
    for pole in poles:
        if any(pole_of(feature, [pole]) is not None for feature in features):
            continue
        curve = next((name for name in names if pole.strength_by_curve.get(name, 0.0) >= MIN_STRENGTH), None)
        if curve is None:
            continue
        strength = pole.strength_by_curve[curve]
        height = pole.height_db * strength
        if abs(height) < min_height_db * (1 - 1e-6):
            continue
        resonance = pole.resonance
        with_phase = resonance.imaginary != 0
        pressure = complex(resonance.real, resonance.imaginary) * strength if with_phase else 0j
        unsmoothed = level_profile(resonance, 0.0).height_db * strength
        section_q = resonance.q / float(np.sqrt(1 + resonance.real)) if not with_phase else resonance.q
        more.append(
            PeakOrDip(
                curve=curve,
                centre_hz=float(2**resonance.centre_log2),
                height_db=height,
                width_octaves=pole.width_octaves,
                q=section_q,
                pole_q=section_q if with_phase else section_q * 10 ** (abs(unsmoothed) / 40),
                shape=RESONANCE_WITH_PHASE if with_phase else ONE_RESONANCE,
                residual_db=pole.residual_db,
                unsmoothed_height_db=unsmoothed,
                strength=abs(pressure),
                phase_deg=float(np.rad2deg(np.angle(pressure))),
                opposite_db=pole.opposite_db * strength if with_phase else 0.0,
                window_octaves=pole.window_octaves,
            )
        )
    return more
