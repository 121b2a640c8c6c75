"""Options of a campaign: how the figures of merit are computed."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

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
    "TrendNumbers",
]


class OwnTrend(Model):
    """A reviewer's own trend line for a curve, with the reason for it."""

    slope: Number = Field(description="dB per octave")
    anchor_frequency: Positive = Field(default=1000.0, description="Hz at which the anchor level holds")
    anchor_level: Number | None = Field(
        default=None, description="dB; if absent the line meets the mean of the curve in the band of the trends"
    )
    reason: Printed = Field(min_length=1, description="Why this line and not the fitted one; shown with every number")


class Target(Model):
    """A target curve."""

    file: RelativePath = Field(description="Text file with two columns: Hz and dB; corner points are enough")
    alignment_band: Band | None = Field(
        default=(300.0, 3000.0),
        description="Hz; the target is moved to meet the mean of the curve there; null leaves it where it is "
        "(common practice)",
    )


class SensitivityNumbers(Model):
    """How loud."""

    band: Band = Field(default=(300.0, 3000.0), description="Hz; mean squared pressure on axis (common practice)")


class BandwidthNumbers(Model):
    """How deep and how high."""

    curve: CurveName = Field(default="on_axis", description="Curve that the limits are read off (common practice)")
    reference_band: Band = Field(
        default=(300.0, 3000.0), description="Hz; its mean squared pressure is the reference (common practice)"
    )
    start: Positive = Field(default=1000.0, description="Hz where the search outwards begins (common practice)")
    drops: tuple[Positive, ...] = Field(
        default=(3.0, 6.0, 10.0), min_length=1, description="dB below the reference (common practice)"
    )
    three_db: Literal["half power", "3.000 dB"] = Field(
        default="half power", description="Whether a drop of 3 is 3.0103 dB or 3.0000 dB"
    )
    ignored_dip_octaves: Annotated[Number, Field(ge=0)] = Field(
        default=0.0, description="Octaves; narrower troughs do not end the range (IEC 60268-5: 1/9; none here)"
    )
    effective_curve: CurveName = Field(
        default="on_axis", description="Curve of the effective frequency range (IEC 60268-5, 21.2: on the axis)"
    )
    effective_drop: Positive = Field(
        default=10.0, description="dB below the loudest band at which it ends (IEC 60268-5, 21.2; recalled)"
    )
    effective_octaves: Annotated[Number, Field(gt=0, le=3)] = Field(
        default=1.0, description="Octaves of that band (IEC 60268-5, 21.2; recalled)"
    )
    effective_ignored_dip_octaves: Annotated[Number, Field(ge=0)] = Field(
        default=1.0 / 9.0, description="Octaves; narrower troughs do not end it (IEC 60268-5, 21.2; recalled)"
    )


class InRoomNumbers(Model):
    """How deep in a room."""

    curve: Literal["in_room", "sound_power"] = Field(
        default="in_room", description="Curve that is read (common practice)"
    )
    reference_band: Band = Field(
        default=(200.0, 400.0), description="Hz; octave above the bass as reference (common practice)"
    )
    longest_dimension: Positive | None = Field(
        default=None,
        description="Longest side of the room in metres, for the gain of a rigid, tight room; none if absent",
    )


class LinearityNumbers(Model):
    """How flat."""

    curves: tuple[CurveName, ...] = Field(
        default=("on_axis", "listening_window"), description="Curves (common practice)"
    )
    bands: tuple[Band, ...] = Field(
        default=((100.0, 10000.0), (300.0, 10000.0)), description="Bands in Hz (common practice)"
    )


class TrendNumbers(Model):
    """Which way the curves lean."""

    curves: tuple[CurveName, ...] = Field(
        default=("on_axis", "listening_window", "early_reflections", "sound_power", "in_room"),
        description="Curves that a line is fitted to (common practice)",
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
        description="dB; added resonance of Q = 1 that is just heard with pink noise, re the sound it is added to "
        "(Toole and Olive 1988, recalled, uncertain by several decibels)",
    )
    threshold_per_doubling: Number = Field(
        default=3.0, description="dB by which it rises per doubling of Q (Toole and Olive 1988, recalled)"
    )
    curves: tuple[CurveName, ...] = Field(
        default=("listening_window", "on_axis", "early_reflections", "sound_power", "in_room"),
        min_length=1,
        description="Curves that are searched; the first that has it describes a peak or dip (our own)",
    )
    height_share: Share = Field(
        default=0.5,
        description="Share of its height that it has, at least, where it is in another curve or direction (our own)",
    )
    tolerance: Positive = Field(
        default=1.0 / 12.0, description="Octaves that its centre may always be off there (our own)"
    )
    tolerance_by_width: Annotated[Number, Field(ge=0, le=1)] = Field(
        default=0.25, description="Share of its width that its centre may be off there, if that is more (our own)"
    )
    front: Annotated[Number, Field(gt=0, le=90)] = Field(
        default=60.0, description="Degrees from the axis within which directions are counted (our own)"
    )
    behind: Annotated[Number, Field(ge=90, le=180)] = Field(
        default=120.0, description="Degrees from the axis from which on directions lie behind (our own)"
    )
    resonance_min_share: Share = Field(
        default=0.75, description="Share of the front directions of an orbit that a resonance is in, at least (our own)"
    )
    interference_max_share: Share = Field(
        default=0.5,
        description="Share of the front directions of an orbit that interference is in fewer than (our own)",
    )
    broad: Positive = Field(
        default=1.0,
        description="Octaves of width from which on a resonance must be behind as well: the step of a baffle is not "
        "(our own)",
    )
    max_drop: Positive = Field(
        default=40.0, description="dB below the loudest direction beyond which a direction is not asked (our own)"
    )
    uneven_behind: Share = Field(
        default=0.5,
        description="Share of the height that its shape may leave in a direction behind; what leaves more is not asked "
        "(our own)",
    )
    min_rear_directions: Annotated[int, Field(ge=1)] = Field(
        default=3, description="Directions behind that must be able to tell (our own)"
    )
    least_variation: Annotated[Number, Field(ge=0)] = Field(
        default=0.25, description="dB of standard deviation over an orbit below which nothing varies (our own)"
    )
    uneven: Annotated[Number, Field(ge=1)] = Field(
        default=1.5, description="Times that it varies more over one orbit than over the other to name it (our own)"
    )
    widest: Annotated[Number, Field(gt=0, le=5)] = Field(
        default=2.5, description="Octaves; what is wider is the balance of the whole (common practice)"
    )

    @field_validator("interference_max_share")
    @classmethod
    def _fewer_than_most(cls, value: float, info: ValidationInfo) -> float:
        if value > info.data.get("resonance_min_share", 1.0):
            raise ValueError("at most the share that a resonance is in (resonance_min_share)")
        return value


class BeamNumbers(Model):
    """How wide."""

    drop: Positive = Field(default=6.0, description="dB below the axis at which the beam ends (common practice)")
    bands: tuple[Band, ...] = Field(
        default=((500.0, 2000.0), (2000.0, 8000.0), (1000.0, 10000.0)),
        description="Bands in Hz for the mean coverage (common practice)",
    )
    narrower_than: Annotated[Number, Field(gt=0, lt=360)] = Field(
        default=90.0, description="Degrees of total width that the beam falls below (common practice)"
    )
    narrow_for: Annotated[Number, Field(ge=0, le=5)] = Field(
        default=1 / 6, description="Octaves that the beam stays narrower at least to count as narrow (common practice)"
    )


class HeightNumbers(Model):
    """At which heights it sounds as on the axis."""

    distance: Positive = Field(default=3.0, description="Metres from the loudspeaker (common practice)")
    tolerance: Positive = Field(default=3.0, description="dB of deviation from the axis (common practice)")
    band: Band = Field(default=(300.0, 10000.0), description="Hz (common practice)")
    measure: Literal["largest", "mean"] = Field(
        default="largest", description="Largest deviation in the band, or its mean (common practice)"
    )


class DirectivityNumbers(Model):
    """How constant the directivity is."""

    band: Band = Field(default=(300.0, 10000.0), description="Hz (common practice)")
    order: Annotated[int, Field(ge=1, le=30)] | None = Field(
        default=None,
        description="Order of the spherical harmonics of a full sphere; if absent the highest that data carry, 16 at "
        "most",
    )


class AimNumbers(Model):
    """Where to point it."""

    listener: Annotated[Number, Field(ge=-90, le=90)] = Field(
        default=30.0, description="Degrees at which the listener is seen with no toe-in (equilateral triangle)"
    )
    step: Positive = Field(default=5.0, description="Degrees between the toe-ins that are tried (common practice)")
    band: Band = Field(default=(300.0, 10000.0), description="Hz in which they are judged (common practice)")
    slope: Number | None = Field(
        default=None, description="dB per octave of the trend they are held against; each curve's own if absent"
    )


class PreferenceNumbers(Model):
    """Published predictor of preference."""

    last_band: Literal["cut", "whole"] = Field(
        default="cut", description="100 Hz to 12 kHz as 14 half-octave bands, the last one cut, or as 13 whole ones"
    )


class ImpedanceNumbers(Model):
    """What an amplifier sees."""

    band: Band = Field(default=(20.0, 20000.0), description="Hz that are looked at (audio band)")
    tuning_band: Band = Field(default=(10.0, 200.0), description="Hz in which the peaks are searched (common practice)")
    min_peak_ratio: Annotated[Number, Field(gt=1)] = Field(
        default=1.1, description="Times its surroundings that a peak must be (common practice)"
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
    """How much it distorts at the levels of the distortion."""

    bands: tuple[Band, ...] = Field(
        default=((40.0, 200.0), (200.0, 2000.0), (2000.0, 6000.0)),
        description="Bands in Hz for the worst and the mean (common practice)",
    )
    limits: tuple[Positive, ...] = Field(
        default=(1.0, 3.0, 10.0), description="Per cent that the distortion stays under down to a frequency"
    )
    start: Positive = Field(default=300.0, description="Hz from which the limits are followed down (common practice)")


class NumbersUncertainty(Model):
    """How stated uncertainties are carried to numbers."""

    draws: Annotated[int, Field(ge=20, le=100_000)] = Field(
        default=200, description="Draws of a Monte Carlo propagation (JCGM 101)"
    )
    coverage_factor: Positive = Field(
        default=2.0, description="Factor k of the expanded uncertainty that is shown (GUM: 2, about 95 %)"
    )
    repeatability_octaves: Positive = Field(
        default=3.0,
        description="Octaves after which an error from take to take is drawn anew (our own: another gain or position "
        "moves a curve over octaves; 0.05 where it is noise)",
    )
    response_octaves: Positive = Field(
        default=1.0,
        description="Octaves after which an error of the microphone's response is drawn anew (common practice); those "
        "of calibration, level chain and distance are one at all frequencies",
    )


class Numbers(Model):
    """Choices in the figures of merit; each is kept in the receipts."""

    sensitivity: SensitivityNumbers = Field(default=SensitivityNumbers(), description="How loud")
    bandwidth: BandwidthNumbers = Field(default=BandwidthNumbers(), description="How deep and how high")
    in_room: InRoomNumbers = Field(default=InRoomNumbers(), description="How deep in a room")
    linearity: LinearityNumbers = Field(default=LinearityNumbers(), description="How flat")
    trends: TrendNumbers = Field(default=TrendNumbers(), description="Which way the curves lean")
    own_trends: dict[CurveName, OwnTrend] = Field(
        default_factory=dict, description="The reviewer's own lines by curve, in place of the fitted ones"
    )
    targets: dict[CurveName, Target] = Field(default_factory=dict, description="Target curves by curve")
    deviations: DeviationNumbers = Field(default=DeviationNumbers(), description="Peaks and dips")
    beam: BeamNumbers = Field(default=BeamNumbers(), description="How wide")
    listening_height: HeightNumbers = Field(default=HeightNumbers(), description="Vertical listening window")
    directivity: DirectivityNumbers = Field(default=DirectivityNumbers(), description="Directivity indices")
    aim: AimNumbers = Field(default=AimNumbers(), description="Where to point it")
    preference: PreferenceNumbers = Field(default=PreferenceNumbers(), description="Published predictor of preference")
    impedance: ImpedanceNumbers = Field(default=ImpedanceNumbers(), description="What an amplifier sees")
    distortion: DistortionNumbers = Field(default=DistortionNumbers(), description="How much it distorts")
    uncertainty: NumbersUncertainty = Field(default=NumbersUncertainty(), description="How uncertainties are carried")


class DeviceNumbers(Model):
    """What holds for the numbers of one device only."""

    rated_impedance: Positive | None = Field(default=None, description="Ohm, as the maker states it")
    own_trends: dict[CurveName, OwnTrend] = Field(
        default_factory=dict, description="The reviewer's own lines by curve, in place of the campaign's"
    )
    targets: dict[CurveName, Target] = Field(
        default_factory=dict, description="Target curves by curve, in place of the campaign's"
    )
