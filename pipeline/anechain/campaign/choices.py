"""What a campaign can choose: how curves are derived and judged, within which limits, with which uncertainty."""

from __future__ import annotations

import math
import re
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationInfo, field_validator

from anechain.data.checks import KINDS

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")


class Model(BaseModel):
    """Base of everything in a campaign: unknown keys are refused, nothing is changed once it is read."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True, str_strip_whitespace=True)


def _relative(path: str) -> str:
    if not path.strip() or Path(path).is_absolute() or ".." in Path(path).parts or _CONTROL.search(path):
        raise ValueError("a relative path inside the campaign's folder, without '..' and control characters")
    return path


def _printable(text: str) -> str:
    # Control characters are not allowed in SVG and HTML, where names in print end up.
    if _CONTROL.search(text):
        raise ValueError("one line without control characters")
    return text


RelativePath = Annotated[str, AfterValidator(_relative)]


def plain(value: Any) -> Any:
    """Refuse what JSON cannot hold, and with it a receipt."""
    match value:
        case None | bool() | str():
            pass
        case int() if abs(value) < 2**53:
            pass
        case float() if math.isfinite(value):
            pass
        case list():
            for one in value:
                plain(one)
        case dict() if all(isinstance(key, str) for key in value):
            for one in value.values():
                plain(one)
        case _:
            raise ValueError("text, finite numbers, true, false, null, and lists and keys of these")
    return value


# Strict, since true and "1" are no measured values.
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[Number, Field(gt=0)]
Printed = Annotated[str, AfterValidator(_printable)]


class Stated(Model):
    """An uncertainty as somebody states it."""

    value: Positive | tuple[tuple[Positive, Annotated[Number, Field(ge=0)]], ...] = Field(
        description="One value above zero, or pairs of Hz and value; in between it is interpolated over log frequency"
    )
    kind: Literal["standard", "expanded", "rectangular", "triangular"] = Field(
        default="standard",
        description="Standard uncertainty; expanded by the coverage factor, as in certificates; or half the width of "
        "limits between which all values are alike (rectangular) or those in the middle likelier (triangular)",
    )
    coverage_factor: Positive = Field(default=2.0, description="Of an expanded uncertainty")
    source: Printed = Field(default="", description="Where it comes from: a certificate, a data sheet, a judgement")

    @field_validator("value")
    @classmethod
    def _rising(cls, value: Any) -> Any:
        if isinstance(value, tuple) and (len(value) < 2 or any(a[0] >= b[0] for a, b in pairwise(value))):
            raise ValueError("two pairs or more of Hz and value, Hz rising")
        return value


class Uncertainty(Model):
    """Components of the uncertainty of a measurement; what is not stated is not in the result, which says so."""

    calibration: Stated | None = Field(
        default=None, description="dB; of the calibrator and its use, all directions alike"
    )
    microphone: Stated | None = Field(
        default=None, description="dB; of the microphone's response, all directions alike"
    )
    gain_and_drive: Stated | None = Field(
        default=None, description="dB; of gains and of the drive's voltage, all directions alike"
    )
    distance: Stated | None = Field(default=None, description="Metres; of the measuring distance, all directions alike")
    angle: Stated | None = Field(
        default=None,
        description="Degrees; of the setting of each angle, apart from the others; only what repeated takes, set anew, "
        "do not show already",
    )
    repeatability: Stated | None = Field(
        default=None,
        description="dB; of a single capture. Where takes were repeated, their own spread counts instead; a direction "
        "taken once keeps it",
    )
    impedance: Stated | None = Field(
        default=None,
        description="Per cent of the modulus of the impedance; of reference resistor and gains. One error at all "
        "frequencies: pairs of Hz and value change its size only",
    )
    impedance_phase: Stated | None = Field(
        default=None,
        description="Degrees; of the phase of the impedance. One error at all frequencies: pairs of Hz and value "
        "change its size only",
    )


CurveName = Literal["on_axis", "listening_window", "early_reflections", "sound_power", "in_room"]


def _rising(band: tuple[float, float]) -> tuple[float, float]:
    if not band[0] < band[1]:
        raise ValueError("a band: its lower end in Hz, then its upper end")
    return band


Band = Annotated[tuple[Positive, Positive], AfterValidator(_rising)]


Share = Annotated[Number, Field(gt=0, le=1)]


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


class Derivation(Model):
    """Choices in deriving the curve set; each is kept in the receipts."""

    early_reflections_total: Literal["reflection_groups", "curves"] = Field(
        default="reflection_groups",
        description="Mean of the five groups of reflections (floor, ceiling, front, side, rear wall), or of all "
        "their curves",
    )
    rear_wall: Literal["three", "all"] = Field(
        default="three", description="Rear wall from 90, 180 and -90 degrees, or from every 10 degrees between"
    )
    smoothing: float | None = Field(
        default=20,
        gt=0,
        le=96,
        description="Smoothing of the derived curves, as a fraction of an octave; null for none",
    )
    interpolate_angles: bool = Field(
        default=False, description="Fill 10-degree directions from neighbours at most 15 degrees apart; recorded"
    )


class DistortionChoices(Model):
    """How distortion at a level is read off the harmonics; each choice is kept in the receipts."""

    levels: tuple[Annotated[Number, Field(ge=0, le=200)], ...] = Field(
        default=(86.0, 96.0),
        min_length=1,
        description="dB at 1 m, mean of the fundamental in the band. High levels hurt hearing and equipment: local "
        "rules and qualified practice decide",
    )
    band: Band = Field(
        default=(300.0, 3000.0), description="Hz; the mean of the fundamental in it is the level (common practice)"
    )
    nearest: Annotated[Number, Field(ge=0)] = Field(
        default=0.5, description="dB within which a take stands for a level as it is (common practice)"
    )
    widest_step: Annotated[Number, Field(ge=0)] = Field(
        default=10.0, description="dB between two takes that a level is still read from; 0 for none (common practice)"
    )
    noise_margin: Annotated[Number, Field(ge=0, le=60)] = Field(
        default=10.0,
        description="dB above the noise below which a harmonic is an upper limit (noise alone: 1 of 22 000 above)",
    )
    orders: Annotated[int, Field(ge=2, le=100)] = Field(default=9, description="Highest harmonic order")
    peak_height: Positive = Field(
        default=6.0, description="dB that a peak of a harmonic rises at least to be listed (common practice)"
    )

    @field_validator("levels")
    @classmethod
    def _once(cls, values: tuple[float, ...]) -> tuple[float, ...]:
        if len(set(values)) < len(values):
            raise ValueError("each value once")
        return tuple(sorted(values))


class CompressionChoices(Model):
    """How compression with rising level is read off the fundamentals; each choice is kept in the receipts."""

    smoothing: Annotated[Number, Field(gt=0, le=96)] | None = Field(
        default=6, description="Smoothing of the levels compared, as a fraction of an octave; null for none"
    )
    limits: tuple[Annotated[Number, Field(lt=0)], ...] = Field(
        default=(-0.5, -1.0, -3.0),
        min_length=1,
        description="dB below zero whose passing is told and drawn (common practice)",
    )
    band: Band = Field(
        default=(300.0, 3000.0),
        description="Hz; the mean in it is the change of level, the rest the change of shape (common practice)",
    )
    max_uncertainty: Positive = Field(
        default=0.5, description="dB of expanded uncertainty, from noise and rounding, beyond which nothing is given"
    )
    drift_limit: Positive = Field(
        default=0.3, description="dB r.m.s. that the first level, repeated last, may lie from itself (common practice)"
    )
    conductor: Literal["copper", "aluminium"] = Field(default="copper", description="Of the voice coil")
    series_resistance_ratio: Annotated[Number, Field(ge=0)] = Field(
        default=0.0, description="Resistance in series with the voice coil (cable, filter) re the cold coil's own"
    )


class UsableLimits(Model):
    """When a device counts as usable, and where it is listened to. High levels hurt hearing: local rules decide."""

    distortion: tuple[tuple[Positive, Positive], ...] = Field(
        default=((100.0, 10.0), (200.0, 3.0)),
        min_length=1,
        description="Pairs of Hz and per cent of the fundamental that distortion stays under (common practice)",
    )
    compression: Annotated[Number, Field(lt=0)] = Field(
        default=-1.0, description="dB that the compression stays above (common practice)"
    )
    up_to: Positive | None = Field(
        default=None, description="Hz; nothing above is judged. Everything measured is if absent"
    )
    distance: Positive = Field(default=3.0, description="Listening distance in metres, direct sound (common practice)")
    devices: Annotated[int, Field(ge=1, le=1000)] = Field(default=1, description="Number of alike devices")
    addition: Literal["incoherent", "coherent"] = Field(
        default="incoherent", description="How several devices add: their powers, or their pressures"
    )
    longest_dimension: Positive | None = Field(
        default=None,
        description="Longest side of the room in metres, for the gain of a rigid, tight room; no gain if absent",
    )
    wanted_level: Number | None = Field(
        default=None, description="dB wanted at the listening distance: how low does the device reach at it?"
    )

    @field_validator("distortion")
    @classmethod
    def _ascending(cls, value: Any) -> Any:
        if any(a[0] >= b[0] for a, b in pairwise(value)):
            raise ValueError("pairs of Hz and per cent, Hz rising")
        return value


LimitPair = tuple[Number | None, Number | None]


def _limits(id_: str) -> Any:
    kind = KINDS[id_]
    side = "above" if kind.above else "below"
    unit = f" in {kind.unit}" if kind.unit else ""
    return Field(
        default=kind.limits, description=f"Doubtful and bad {side} these: {kind.about}{unit} ({kind.source_status})"
    )


class CheckLimits(Model):
    """Limits of the checks of what came in: two numbers each, doubtful beyond the first and bad beyond the second."""

    clipping: LimitPair = _limits("clipping")
    signal_to_noise: LimitPair = _limits("signal-to-noise")
    hum: LimitPair = _limits("hum")
    sweep_end: LimitPair = _limits("sweep-end")
    clock: LimitPair = _limits("clock")
    sweep_law: LimitPair = _limits("sweep-law")
    drive: LimitPair = _limits("drive")
    tones: LimitPair = _limits("tones")
    polarity: LimitPair = _limits("polarity")
    polarity_agreement: LimitPair = _limits("polarity-agreement")
    reflection: LimitPair = _limits("reflection")
    distance: LimitPair = _limits("distance")
    rotation_centre: LimitPair = _limits("rotation-centre")
    arrival_drift: LimitPair = _limits("arrival-drift")
    mirror: LimitPair = _limits("mirror")
    neighbours: LimitPair = _limits("neighbours")
    swapped: LimitPair = _limits("swapped")
    label: LimitPair = _limits("label")
    pole_level: LimitPair = _limits("pole-level")
    pole_arrival: LimitPair = _limits("pole-arrival")
    repeats: LimitPair = _limits("repeats")
    distance_law: LimitPair = _limits("distance-law")

    @field_validator("*")
    @classmethod
    def _milder_first(cls, pair: LimitPair, info: ValidationInfo) -> LimitPair:
        doubtful, bad = pair
        above = KINDS[str(info.field_name).replace("_", "-")].above
        if doubtful is not None and bad is not None and (bad < doubtful if above else bad > doubtful):
            raise ValueError("the limit of what is doubtful first, then that of what is bad, which lies beyond it")
        return pair

    def limits(self) -> dict[str, LimitPair]:
        """Limits by kind of check."""
        return {name.replace("_", "-"): getattr(self, name) for name in type(self).model_fields}


DeviceFigureName = Literal[
    "curves",
    "planes",
    "bounces",
    "limits",
    "trends",
    "deviations",
    "map-horizontal",
    "map-vertical",
    "beam-width",
    "aim",
    "distortion",
    "compression",
    "compression-levels",
    "usable",
    "multitone",
    "impedance",
    "checks",
]
"""Figures of a device; "distortion" is one for each level."""


class Figures(Model):
    """What is drawn."""

    formats: tuple[Literal["svg", "png", "pdf"], ...] = Field(
        default=("svg", "png", "pdf"), description="File formats beside the chart specification"
    )
    of_devices: tuple[DeviceFigureName, ...] | None = Field(
        default=None, description="Which figures each device gets; all that its data allow if absent"
    )
