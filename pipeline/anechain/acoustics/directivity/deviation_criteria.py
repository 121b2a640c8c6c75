"""Criteria for the evidence and the cause of a peak or dip."""

from __future__ import annotations

from dataclasses import dataclass

from anechain.acoustics.curve.peaks_and_dips import MAX_WIDTH_OCTAVES

__all__ = ["DEFAULT_CRITERIA", "Criteria"]


@dataclass(frozen=True)
class Criteria:
    """Limits that decide where a peak or dip is present, and what its cause is.

    The defaults are our own; there is no source for them.

    Attributes
    ----------
    height_share : float
        A curve or direction has the peak or dip if its height there is at least this share of its height.
    tolerance : float
        Octaves by which the centre may differ in another curve or direction.
    tolerance_by_width : float
        The same as a share of the width; the larger of both is used. The centre of a broad shape is less well defined.
    front, behind : float
        Degrees from the axis: up to `front` a direction is in front, from `behind` on it is behind.
    alike_min_share, changing_max_share : float
        What radiates alike in all directions is in at least the first share of the front directions of each orbit; what
        changes with the angle is in less than the second share of them on one orbit.
    broad : float
        Octaves. What has this width or more and radiates alike in all directions must be behind as well: the step of a
        baffle is only in front.
    max_drop : float
        dB below the loudest direction. A direction with a lower level is not used.
    uneven_behind : float
        Share of the height. A direction behind is not used if the fit leaves a larger residual (root mean square).
    min_rear_directions : int
        Smallest number of usable directions behind.
    least_variation : float
        dB. The height varies over an orbit if its standard deviation is at least this.
    uneven : float
        The orbit with the larger variation is named alone if its variation is larger by at least this factor.
    widest : float
        Octaves. A wider shape is no peak or dip.
    narrow_q, narrow_dip_q : float
        Q of the poles from which a peak is narrow, and Q of the section from which a dip is: the sum of two drive units
        at a crossover has broader ones.
    same_poles_max_residual, moving_min_residual : float
        What fits with one centre and one Q leave in the front directions of an orbit, as a share of the feature: up to
        the first it has the same poles in all directions, above the second it moves with the angle.
    moving_min_db : float
        dB. A smaller residual is no sign of moving; for a shape of less than an octave this times its width in octaves.
    one_orbit_min_db : float
        dB. With a larger residual, what changes over one orbit alone moves.
    near_axis_share : float
        What is narrow and in less than this share of the front directions of an orbit is near the axis only.
    beaming_min_share : float
        Share of the front directions of each orbit that a resonance which does not radiate alike is in at least.
    all_pass_turn : float
        Degrees by which the excess phase changes over the width from which there is an all-pass part; with at most half
        of it the feature is minimum phase.
    as_high_share : float
        A broad resonance has at least this share of its height in every curve.
    """

    height_share: float = 0.5
    tolerance: float = 1.0 / 12.0
    tolerance_by_width: float = 1.0 / 4.0
    front: float = 60.0
    behind: float = 120.0
    alike_min_share: float = 0.75
    changing_max_share: float = 0.5
    broad: float = 1.0
    max_drop: float = 40.0
    uneven_behind: float = 0.5
    min_rear_directions: int = 3
    least_variation: float = 0.25
    uneven: float = 1.5
    widest: float = MAX_WIDTH_OCTAVES
    narrow_q: float = 1.8
    narrow_dip_q: float = 3.0
    same_poles_max_residual: float = 0.3
    moving_min_residual: float = 0.35
    moving_min_db: float = 0.25
    one_orbit_min_db: float = 0.35
    near_axis_share: float = 0.3
    beaming_min_share: float = 0.5
    all_pass_turn: float = 30.0
    as_high_share: float = 0.8


DEFAULT_CRITERIA = Criteria()
