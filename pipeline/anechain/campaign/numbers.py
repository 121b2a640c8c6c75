"""Options of a campaign: how the figures of merit are computed."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from anechain.acoustics.directivity.deviation_criteria import DEFAULT_CRITERIA
from anechain.campaign.model import Band, CurveName, Model, Number, Positive, Printed, RelativePath, Share

__all__ = [
    "AimNumbers",
    "BandwidthNumbers",
    "BeamNumbers",
    "DeviationNumbers",
    "DeviceNumbers",
    "DirectivityNumbers",
    "DistortionNumbers",
    "HeightNumbers",
    "ImpedanceNumbers",
    "InRoomNumbers",
    "LinearityNumbers",
    "Numbers",
    "NumbersUncertainty",
    "OwnTrend",
    "PreferenceNumbers",
    "SensitivityNumbers",
    "Target",
    "TimingNumbers",
    "TrendNumbers",
]


class OwnTrend(Model):
    """A reviewer's own trend line for a curve, with the reason for it."""

    slope: Number = Field(description="dB per octave")
    anchor_frequency: Positive = Field(default=1000.0, description="Hz of the anchor level")
    anchor_level: Number | None = Field(
        default=None, description="dB; if absent, the mean of the curve in the band of the trends"
    )
    reason: Printed = Field(
        min_length=1, description="Why this line is compared with the curve; shown with every number"
    )


class Target(Model):
    """A target curve."""

    file: RelativePath = Field(description="Text file with two columns: Hz and dB; corner points are enough")
    alignment_band: Band | None = Field(
        default=(300.0, 3000.0),
        description="Hz; the target is aligned to the mean of the curve in it; null for no alignment (common practice)",
    )


class SensitivityNumbers(Model):
    """Sensitivity."""

    band: Band = Field(default=(300.0, 3000.0), description="Hz; mean squared pressure on axis (common practice)")


class BandwidthNumbers(Model):
    """Lower and upper frequency limits."""

    curve: CurveName = Field(default="on_axis", description="Curve of the limits (common practice)")
    reference_band: Band = Field(
        default=(300.0, 3000.0), description="Hz; its mean squared pressure is the reference (common practice)"
    )
    start: Positive = Field(
        default=1000.0, description="Hz; start of the search for the limits, in both directions (common practice)"
    )
    drops: tuple[Positive, ...] = Field(
        default=(3.0, 6.0, 10.0), min_length=1, description="dB below the reference (common practice)"
    )
    three_db: Literal["half power", "3.000 dB"] = Field(
        default="half power", description="Whether a drop of 3 is 3.0103 dB or 3.0000 dB"
    )
    ignored_dip_octaves: Annotated[Number, Field(ge=0)] = Field(
        default=0.0, description="Octaves; narrower dips do not end the range (IEC 60268-5: 1/9; none here)"
    )
    effective_curve: CurveName = Field(
        default="on_axis", description="Curve of the effective frequency range (IEC 60268-5, 21.2: on the axis)"
    )
    effective_drop: Positive = Field(
        default=10.0, description="dB below the loudest band at which the range ends (IEC 60268-5, 21.2; recalled)"
    )
    effective_octaves: Annotated[Number, Field(gt=0, le=3)] = Field(
        default=1.0, description="Width of that band in octaves (IEC 60268-5, 21.2; recalled)"
    )
    effective_ignored_dip_octaves: Annotated[Number, Field(ge=0)] = Field(
        default=1.0 / 9.0, description="Octaves; narrower dips do not end it (IEC 60268-5, 21.2; recalled)"
    )


class InRoomNumbers(Model):
    """Lower frequency limit in a room."""

    curve: Literal["in_room", "sound_power"] = Field(default="in_room", description="Curve (common practice)")
    reference_band: Band = Field(
        default=(200.0, 400.0), description="Hz; octave above the bass as reference (common practice)"
    )
    longest_dimension: Positive | None = Field(
        default=None,
        description="Longest side of the room in metres, for the gain of a rigid, tight room; none if absent",
    )


class LinearityNumbers(Model):
    """Linearity of the frequency response."""

    curves: tuple[CurveName, ...] = Field(
        default=("on_axis", "listening_window"), description="Curves (common practice)"
    )
    bands: tuple[Band, ...] = Field(
        default=((100.0, 10000.0), (300.0, 10000.0)), description="Bands in Hz (common practice)"
    )


class TrendNumbers(Model):
    """Trend lines of the curves."""

    curves: tuple[CurveName, ...] = Field(
        default=("on_axis", "listening_window", "early_reflections", "sound_power", "in_room"),
        description="Curves with a fitted line (common practice)",
    )
    band: Band = Field(
        default=(200.0, 10000.0), description="Hz; leave roll-offs and room modes outside (common practice)"
    )


class DeviationNumbers(Model):
    """Peaks and dips."""

    band: Band = Field(default=(100.0, 16000.0), description="Hz that are searched (common practice)")
    least_height: Positive = Field(default=1.0, description="dB; smaller ones are left out (common practice)")
    threshold_at_q_1: Number = Field(
        default=-22.0,
        description="dB; threshold of audibility of an added resonance of Q = 1 with pink noise, re the sound it is "
        "added to "
        "(Toole and Olive 1988, recalled, uncertain by several decibels)",
    )
    threshold_per_doubling: Number = Field(
        default=3.0, description="dB; increase of the threshold per doubling of Q (Toole and Olive 1988, recalled)"
    )
    curves: tuple[CurveName, ...] = Field(
        default=("listening_window", "on_axis", "early_reflections", "sound_power", "in_room"),
        min_length=1,
        description="Curves that are searched; a peak or dip is described by the first curve that has it (our own)",
    )
    height_share: Share = Field(
        default=0.5,
        description="Smallest share of its height at which it counts as present in another curve or direction (our "
        "own)",
    )
    tolerance: Positive = Field(
        default=1.0 / 12.0, description="Octaves; tolerance of its centre in another curve or direction (our own)"
    )
    tolerance_by_width: Annotated[Number, Field(ge=0, le=1)] = Field(
        default=0.25, description="Share of its width that is the tolerance of its centre, if larger (our own)"
    )
    front: Annotated[Number, Field(gt=0, le=90)] = Field(
        default=60.0, description="Degrees from the axis within which directions are counted (our own)"
    )
    behind: Annotated[Number, Field(ge=90, le=180)] = Field(
        default=120.0, description="Degrees from the axis beyond which directions count as rear directions (our own)"
    )
    alike_min_share: Share = Field(
        default=0.75,
        description="Smallest share of the front directions of an orbit that have what is alike in all directions "
        "(our own)",
    )
    changing_max_share: Share = Field(
        default=0.5,
        description="Share of the front directions of an orbit; what changes with the angle is in fewer (our own)",
    )
    broad: Positive = Field(
        default=1.0,
        description="Octaves; what is at least this wide and radiates alike in all directions must also be present in "
        "rear directions, unlike a baffle step (our own)",
    )
    max_drop: Positive = Field(
        default=40.0, description="dB below the loudest direction; softer directions are not evaluated (our own)"
    )
    uneven_behind: Share = Field(
        default=0.5,
        description="Largest residual of the fit in a rear direction, as a share of the height; directions with a "
        "larger "
        "residual are not evaluated (our own)",
    )
    min_rear_directions: Annotated[int, Field(ge=1)] = Field(
        default=3, description="Smallest number of rear directions that can be evaluated (our own)"
    )
    least_variation: Annotated[Number, Field(ge=0)] = Field(
        default=0.25, description="dB; smaller standard deviations over an orbit count as no variation (our own)"
    )
    uneven: Annotated[Number, Field(ge=1)] = Field(
        default=1.5,
        description="Smallest ratio of the variations over the two orbits at which an orbit is named (our own)",
    )
    widest: Annotated[Number, Field(gt=0, le=5)] = Field(
        default=2.5, description="Octaves; wider features belong to the overall balance (common practice)"
    )
    narrow_q: Positive = Field(
        default=DEFAULT_CRITERIA.narrow_q,
        description="Q of the poles from which a peak is too narrow for the sum of two drive units (our own)",
    )
    narrow_dip_q: Positive = Field(
        default=DEFAULT_CRITERIA.narrow_dip_q,
        description="Q of the equaliser's section from which a dip is too narrow for the sum of two drive units (our "
        "own)",
    )
    same_poles_max_residual: Share = Field(
        default=DEFAULT_CRITERIA.same_poles_max_residual,
        description="Largest residual, as a share of the feature, of fits with one centre and one Q to the directions "
        "of an orbit up to which it has the same poles in all (our own)",
    )
    moving_min_residual: Share = Field(
        default=DEFAULT_CRITERIA.moving_min_residual,
        description="Residual, as a share of the feature, of these fits above which it moves with the angle (our own)",
    )
    moving_min_db: Annotated[Number, Field(ge=0)] = Field(
        default=DEFAULT_CRITERIA.moving_min_db,
        description="dB; a smaller residual is no sign of moving; for a shape of less than an octave this times its "
        "width in octaves (our own)",
    )
    one_orbit_min_db: Annotated[Number, Field(ge=0)] = Field(
        default=DEFAULT_CRITERIA.one_orbit_min_db,
        description="dB; with a larger residual, what changes over one orbit alone moves (our own)",
    )
    near_axis_share: Share = Field(
        default=DEFAULT_CRITERIA.near_axis_share,
        description="Share of the front directions of an orbit; what is narrow and in fewer is near the axis only, as "
        "interference is (our own)",
    )
    beaming_min_share: Share = Field(
        default=DEFAULT_CRITERIA.beaming_min_share,
        description="Smallest share of the front directions of each orbit that have a resonance which is not alike in "
        "all directions (our own)",
    )
    all_pass_turn: Annotated[Number, Field(gt=0, le=360)] = Field(
        default=DEFAULT_CRITERIA.all_pass_turn,
        description="Degrees by which the excess phase changes over the width of a feature of two drive units; with at "
        "most half of it the feature is minimum phase (our own)",
    )
    as_high_share: Share = Field(
        default=DEFAULT_CRITERIA.as_high_share,
        description="Smallest share of its height that a broad resonance has in every curve (our own)",
    )

    @field_validator("changing_max_share")
    @classmethod
    def _below_alike_share(cls, value: float, info: ValidationInfo) -> float:
        if value > info.data.get("alike_min_share", 1.0):
            raise ValueError("at most the share of what is alike in all directions (alike_min_share)")
        return value


class BeamNumbers(Model):
    """Beam width."""

    drop: Positive = Field(default=6.0, description="dB below the axis at which the beam ends (common practice)")
    bands: tuple[Band, ...] = Field(
        default=((500.0, 2000.0), (2000.0, 8000.0), (1000.0, 10000.0)),
        description="Bands in Hz for the mean coverage (common practice)",
    )
    narrower_than: Annotated[Number, Field(gt=0, lt=360)] = Field(
        default=90.0, description="Degrees; total width below which the beam is narrow (common practice)"
    )
    narrow_for: Annotated[Number, Field(ge=0, le=5)] = Field(
        default=1 / 6,
        description="Octaves; the beam is narrow if it is narrower over this range at least (common practice)",
    )


class HeightNumbers(Model):
    """Heights at which the response is as on the axis."""

    distance: Positive = Field(default=3.0, description="Metres from the loudspeaker (common practice)")
    tolerance: Positive = Field(default=3.0, description="dB of deviation from the axis (common practice)")
    band: Band = Field(default=(300.0, 10000.0), description="Hz (common practice)")
    measure: Literal["largest", "mean"] = Field(
        default="largest", description="Largest deviation in the band, or its mean (common practice)"
    )


class DirectivityNumbers(Model):
    """Constancy of the directivity."""

    band: Band = Field(default=(300.0, 10000.0), description="Hz (common practice)")
    order: Annotated[int, Field(ge=1, le=30)] | None = Field(
        default=None,
        description="Order of the spherical harmonics of a full sphere; if absent, the highest that the data allow, "
        "at most 16",
    )


class AimNumbers(Model):
    """Toe-in."""

    listener: Annotated[Number, Field(ge=-90, le=90)] = Field(
        default=30.0, description="Degrees; angle of the listener without toe-in (equilateral triangle)"
    )
    step: Positive = Field(default=5.0, description="Degrees between compared toe-ins (common practice)")
    band: Band = Field(default=(300.0, 10000.0), description="Hz; band of the comparison (common practice)")
    slope: Number | None = Field(
        default=None,
        description="dB per octave of the trend with which they are compared; each curve's own trend if absent",
    )


class PreferenceNumbers(Model):
    """Published predictor of preference."""

    last_band: Literal["cut", "whole"] = Field(
        default="cut", description="100 Hz to 12 kHz as 14 half-octave bands, the last one cut, or as 13 whole ones"
    )


class ImpedanceNumbers(Model):
    """Impedance."""

    band: Band = Field(default=(20.0, 20000.0), description="Hz; band that is evaluated (audio band)")
    tuning_band: Band = Field(default=(10.0, 200.0), description="Hz in which the peaks are searched (common practice)")
    min_peak_ratio: Annotated[Number, Field(gt=1)] = Field(
        default=1.1, description="Smallest ratio of a peak to its surroundings (common practice)"
    )
    rated_values: tuple[Positive, ...] = Field(
        default=(2.0, 4.0, 6.0, 8.0, 16.0, 32.0),
        min_length=1,
        description="Ohm; customary ratings, of which the highest that the minimum allows is stated (4, 8 and 16 are "
        "preferred values of IEC standards, recalled; the others common practice)",
    )
    rated_share: Share = Field(
        default=0.8, description="Share of the rating that the minimum must reach (IEC 60268-5, 16.1; recalled)"
    )

    @field_validator("rated_values")
    @classmethod
    def _ascending(cls, values: tuple[float, ...]) -> tuple[float, ...]:
        if any(a >= b for a, b in pairwise(values)):
            raise ValueError("ohm, rising")
        return values


class DistortionNumbers(Model):
    """Distortion at the levels of the section `distortion`."""

    bands: tuple[Band, ...] = Field(
        default=((40.0, 200.0), (200.0, 2000.0), (2000.0, 6000.0)),
        description="Bands in Hz for the worst and the mean (common practice)",
    )
    limits: tuple[Positive, ...] = Field(
        default=(1.0, 3.0, 10.0), description="Per cent; the lowest frequency with less distortion is computed for each"
    )
    start: Positive = Field(
        default=300.0, description="Hz; start of the search downwards for the limits (common practice)"
    )


class TimingNumbers(Model):
    """Time and phase on the axis."""

    band: Band = Field(
        default=(200.0, 10000.0),
        description="Hz; band of the excess group delay, of the octave bands whose arrivals are compared, and of the "
        "decay (common practice)",
    )
    decay_drop: Positive = Field(
        default=30.0, description="dB by which a burst has decayed in the number of the slowest decay (common practice)"
    )


class NumbersUncertainty(Model):
    """Propagation of stated uncertainties to numbers."""

    draws: Annotated[int, Field(ge=20, le=100_000)] = Field(
        default=200, description="Draws of a Monte Carlo propagation (JCGM 101)"
    )
    coverage_factor: Positive = Field(
        default=2.0, description="Factor k of the expanded uncertainty that is shown (GUM: 2, about 95 %)"
    )
    response_octaves: Positive = Field(
        default=1.0,
        description="Octaves after which errors of the microphone's response are independent (common practice); "
        "errors of "
        "calibration, gain, drive and distance are the same at all frequencies",
    )


class Numbers(Model):
    """How the figures of merit are computed; the receipts contain each option."""

    sensitivity: SensitivityNumbers = Field(default=SensitivityNumbers(), description="Sensitivity")
    bandwidth: BandwidthNumbers = Field(default=BandwidthNumbers(), description="Frequency limits")
    in_room: InRoomNumbers = Field(default=InRoomNumbers(), description="Lower frequency limit in a room")
    linearity: LinearityNumbers = Field(default=LinearityNumbers(), description="Linearity")
    trends: TrendNumbers = Field(default=TrendNumbers(), description="Trend lines")
    own_trends: dict[CurveName, OwnTrend] = Field(
        default_factory=dict, description="The reviewer's own lines by curve, beside the fitted lines"
    )
    targets: dict[CurveName, Target] = Field(default_factory=dict, description="Target curves by curve")
    deviations: DeviationNumbers = Field(default=DeviationNumbers(), description="Peaks and dips")
    beam: BeamNumbers = Field(default=BeamNumbers(), description="Beam width")
    listening_height: HeightNumbers = Field(default=HeightNumbers(), description="Vertical listening window")
    directivity: DirectivityNumbers = Field(default=DirectivityNumbers(), description="Directivity indices")
    aim: AimNumbers = Field(default=AimNumbers(), description="Toe-in")
    preference: PreferenceNumbers = Field(default=PreferenceNumbers(), description="Published predictor of preference")
    timing: TimingNumbers = Field(default=TimingNumbers(), description="Time and phase on the axis")
    impedance: ImpedanceNumbers = Field(default=ImpedanceNumbers(), description="Impedance")
    distortion: DistortionNumbers = Field(default=DistortionNumbers(), description="Distortion")
    uncertainty: NumbersUncertainty = Field(default=NumbersUncertainty(), description="Propagation of uncertainties")


class DeviceNumbers(Model):
    """Options of the numbers of a single device."""

    rated_impedance: Positive | None = Field(
        default=None, description="Ohm; rated impedance that the manufacturer states"
    )
    own_trends: dict[CurveName, OwnTrend] = Field(
        default_factory=dict, description="The reviewer's own lines by curve, instead of those of the campaign"
    )
    targets: dict[CurveName, Target] = Field(
        default_factory=dict, description="Target curves by curve, instead of those of the campaign"
    )
