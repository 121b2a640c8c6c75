"""The campaign file: what is measured, from which raw exports, under which choices.

Strict: unknown keys are refused with the nearest right one, and everything wrong is said at once.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, ValidationInfo, field_validator

from anechain.checks import KINDS
from anechain.errors import Problem, Refusal

__all__ = ["Campaign", "Device", "Numbers", "Setup", "json_schema", "load_campaign", "option_problems"]

FORMAT = 1
SOURCES = ("responses", "harmonics", "impedance", "multitone")
"""What raw exports of a device can be of."""
_RESERVED = {"comparison", "figures", "report", "manifests", "con", "prn", "aux", "nul", "workflow"}
_IDENTIFIER = re.compile(r"[a-z0-9](?:[a-z0-9_-]{0,62}[a-z0-9])?")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
_MOST_BYTES = 8_000_000
_MOST_VALUES = 300_000
"""Values of a campaign once every alias stands for what it names; ten thousand devices come to about two thirds."""


class _Model(BaseModel):
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


def _plain(value: Any) -> Any:
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
                _plain(one)
        case dict() if all(isinstance(key, str) for key in value):
            for one in value.values():
                _plain(one)
        case _:
            raise ValueError("text, finite numbers, true, false, null, and lists and keys of these")
    return value


# Strict, since true and "1" are no measured values.
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[Number, Field(gt=0)]
Printed = Annotated[str, AfterValidator(_printable)]


class Person(_Model):
    """Somebody who made the campaign."""

    name: Printed = Field(min_length=1, description="Name in print")
    orcid: str | None = Field(
        default=None, pattern=r"^\d{4}-\d{4}-\d{4}-\d{3}[\dX]$", description="ORCID, as 0000-0000-0000-0000"
    )
    role: str | None = Field(default=None, description="What they did")


class Listening(_Model):
    """A listening note: the reviewer's own words, shown beside the evidence."""

    text: str = Field(min_length=1, description="The note itself")
    who: str | None = Field(default=None, description="Who listened")
    when: str | None = Field(default=None, description="When")
    room: str | None = Field(default=None, description="Where, and how it was placed")
    programme: str | None = Field(default=None, description="What was played")


class Setup(_Model):
    """How the device was measured, as far as the raw files do not say."""

    level_kind: Literal["spl", "relative"] | None = Field(
        default=None, description="Whether levels are dB re 20 µPa or relative; the importer's word if absent"
    )
    distance: Positive | None = Field(default=None, description="Metres at which the exported level holds")
    drive: Positive | None = Field(
        default=None,
        description="Volts r.m.s. at which the exported level holds. High drives and levels hurt hearing and "
        "equipment: local rules and qualified practice decide",
    )
    reference_axis: str | None = Field(default=None, description="Where the reference axis starts on the device")
    environment: str | None = Field(default=None, description="Where it was measured")
    valid_band: tuple[Positive, Positive] | None = Field(default=None, description="Lowest and highest valid Hz")
    microphone: str | None = Field(default=None, description="The microphone and its calibration")
    temperature: Number | None = Field(default=None, ge=-60, le=80, description="Air temperature in °C")
    pressure: Number | None = Field(default=None, ge=30, le=120, description="Atmospheric pressure in kPa")
    humidity: Number | None = Field(default=None, ge=0, le=100, description="Relative humidity in per cent")


class Source(_Model):
    """Raw exports of one kind and how to read them."""

    files: tuple[RelativePath, ...] = Field(min_length=1, description="Files or globs, relative to the campaign file")
    importer: str | None = Field(default=None, description="Importer to use; every installed one is asked if absent")
    options: dict[str, Annotated[Any, AfterValidator(_plain)]] = Field(
        default_factory=dict, description="The importer's options"
    )
    setup: Setup | None = Field(
        default=None, description="How these files were made, where that differs from the setup of the device"
    )


class Stated(_Model):
    """An uncertainty as somebody states it."""

    value: Positive | tuple[tuple[Positive, Annotated[Number, Field(ge=0)]], ...] = Field(
        description="One value, or pairs of Hz and value; in between it is interpolated over log frequency"
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


class Uncertainty(_Model):
    """Components of the uncertainty of a measurement; what is not stated is not in the result, which says so."""

    calibration: Stated | None = Field(
        default=None, description="dB; of the calibrator and its use, all directions alike"
    )
    microphone: Stated | None = Field(
        default=None, description="dB; of the microphone's response, all directions alike"
    )
    level_chain: Stated | None = Field(
        default=None, description="dB; of gains and of the drive's voltage, all directions alike"
    )
    distance: Stated | None = Field(default=None, description="Metres; of the measuring distance, all directions alike")
    angle: Stated | None = Field(default=None, description="Degrees; of the setting of each angle")
    repeatability: Stated | None = Field(
        default=None, description="dB; of a single capture. Where takes were repeated, their own spread counts instead"
    )


CurveName = Literal["on_axis", "listening_window", "early_reflections", "sound_power", "in_room"]


def _rising(band: tuple[float, float]) -> tuple[float, float]:
    if not band[0] < band[1]:
        raise ValueError("a band: its lower end in Hz, then its upper end")
    return band


Band = Annotated[tuple[Positive, Positive], AfterValidator(_rising)]


class OwnTrend(_Model):
    """A reviewer's own trend line for a curve, with the reason for it."""

    slope: Number = Field(description="dB per octave")
    anchor_frequency: Positive = Field(default=1000.0, description="Hz at which the anchor level holds")
    anchor_level: Number | None = Field(
        default=None, description="dB; if absent the line meets the mean of the curve in the band of the trends"
    )
    reason: Printed = Field(min_length=1, description="Why this line and not the fitted one; shown with every number")


class Target(_Model):
    """A target curve."""

    file: RelativePath = Field(description="Text file with two columns: Hz and dB; corner points are enough")
    meet_in: Band | None = Field(
        default=(300.0, 3000.0),
        description="Hz; the target is moved to meet the mean of the curve there; null leaves it where it is "
        "(common practice)",
    )


class SensitivityNumbers(_Model):
    """How loud."""

    band: Band = Field(default=(300.0, 3000.0), description="Hz; mean squared pressure on axis (common practice)")


class BandwidthNumbers(_Model):
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
    neglect: Annotated[Number, Field(ge=0)] = Field(
        default=0.0, description="Octaves; narrower troughs do not end the range (IEC 60268-5: 1/9; none here)"
    )


class InRoomNumbers(_Model):
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


class LinearityNumbers(_Model):
    """How flat."""

    curves: tuple[CurveName, ...] = Field(
        default=("on_axis", "listening_window"), description="Curves (common practice)"
    )
    bands: tuple[Band, ...] = Field(
        default=((100.0, 10000.0), (300.0, 10000.0)), description="Bands in Hz (common practice)"
    )


class TrendNumbers(_Model):
    """Which way the curves lean."""

    curves: tuple[CurveName, ...] = Field(
        default=("on_axis", "listening_window", "early_reflections", "sound_power", "in_room"),
        description="Curves that a line is fitted to (common practice)",
    )
    band: Band = Field(
        default=(200.0, 10000.0), description="Hz; leave roll-offs and room modes outside (common practice)"
    )


class DeviationNumbers(_Model):
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


class BeamNumbers(_Model):
    """How wide."""

    drop: Positive = Field(default=6.0, description="dB below the axis at which the beam ends (common practice)")
    bands: tuple[Band, ...] = Field(
        default=((500.0, 2000.0), (2000.0, 8000.0), (1000.0, 10000.0)),
        description="Bands in Hz for the mean coverage (common practice)",
    )
    narrower_than: Annotated[Number, Field(gt=0, lt=360)] = Field(
        default=90.0, description="Degrees of total width that the beam falls below (common practice)"
    )


class HeightNumbers(_Model):
    """At which heights it sounds as on the axis."""

    distance: Positive = Field(default=3.0, description="Metres from the loudspeaker (common practice)")
    tolerance: Positive = Field(default=3.0, description="dB of deviation from the axis (common practice)")
    band: Band = Field(default=(300.0, 10000.0), description="Hz (common practice)")
    measure: Literal["largest", "mean"] = Field(
        default="largest", description="Largest deviation in the band, or its mean (common practice)"
    )


class DirectivityNumbers(_Model):
    """How constant the directivity is."""

    band: Band = Field(default=(300.0, 10000.0), description="Hz (common practice)")
    order: Annotated[int, Field(ge=1, le=30)] | None = Field(
        default=None,
        description="Order of the spherical harmonics of a full sphere; the highest the data carry if absent",
    )


class AimNumbers(_Model):
    """Where to point it."""

    listener: Annotated[Number, Field(ge=-90, le=90)] = Field(
        default=30.0, description="Degrees at which the listener is seen with no toe-in (equilateral triangle)"
    )
    step: Positive = Field(default=5.0, description="Degrees between the toe-ins that are tried (common practice)")
    band: Band = Field(default=(300.0, 10000.0), description="Hz in which they are judged (common practice)")
    slope: Number | None = Field(
        default=None, description="dB per octave of the trend they are held against; each curve's own if absent"
    )


class PreferenceNumbers(_Model):
    """Published predictor of preference."""

    last_band: Literal["cut", "whole"] = Field(
        default="cut", description="100 Hz to 12 kHz as 14 half-octave bands, the last one cut, or as 13 whole ones"
    )


class ImpedanceNumbers(_Model):
    """What an amplifier sees."""

    band: Band = Field(default=(20.0, 20000.0), description="Hz that are looked at (audio band)")
    tuning_band: Band = Field(default=(10.0, 200.0), description="Hz in which the peaks are searched (common practice)")
    least_rise: Annotated[Number, Field(gt=1)] = Field(
        default=1.1, description="Times its surroundings that a peak must be (common practice)"
    )


class DistortionNumbers(_Model):
    """How much it distorts at the levels of the distortion."""

    bands: tuple[Band, ...] = Field(
        default=((40.0, 200.0), (200.0, 2000.0), (2000.0, 6000.0)),
        description="Bands in Hz for the worst and the mean (common practice)",
    )
    limits: tuple[Positive, ...] = Field(
        default=(1.0, 3.0, 10.0), description="Per cent that the distortion stays under down to a frequency"
    )
    start: Positive = Field(default=300.0, description="Hz from which the limits are followed down (common practice)")


class NumbersUncertainty(_Model):
    """How stated uncertainties are carried to numbers."""

    draws: Annotated[int, Field(ge=20, le=100_000)] = Field(
        default=200, description="Draws of a Monte Carlo propagation (JCGM 101)"
    )
    coverage_factor: Positive = Field(
        default=2.0, description="Factor k of the expanded uncertainty that is shown (GUM: 2, about 95 %)"
    )
    per_octave: Positive = Field(
        default=20.0,
        description="Uncorrelated errors are independent from one such share of an octave to the next (our own)",
    )
    response_octaves: Positive = Field(
        default=1.0,
        description="Octaves from one to the next of which an error of the microphone's response is independent "
        "(common practice); errors of calibration, level chain and distance are the same at all frequencies",
    )


class Numbers(_Model):
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


class DeviceNumbers(_Model):
    """What holds for the numbers of one device only."""

    rated_impedance: Positive | None = Field(default=None, description="Ohm, as the maker states it")
    own_trends: dict[CurveName, OwnTrend] = Field(
        default_factory=dict, description="The reviewer's own lines by curve, in place of the campaign's"
    )
    targets: dict[CurveName, Target] = Field(
        default_factory=dict, description="Target curves by curve, in place of the campaign's"
    )


class Device(_Model):
    """One loudspeaker."""

    title: Printed = Field(min_length=1, description="Name in print")
    kind: Printed = Field(default="", description="What it is, in a few words")
    about: str = Field(default="", description="Anything a reader should know")
    listening: tuple[Listening, ...] = Field(default=(), description="Listening notes")
    responses: Source = Field(description="Raw exports of the responses")
    harmonics: Source | None = Field(
        default=None, description="Raw exports of harmonic distortion on the axis, if apart from the responses"
    )
    impedance: Source | None = Field(default=None, description="Raw exports of the electrical impedance")
    multitone: Source | None = Field(default=None, description="Raw recordings of a multitone signal on the axis")
    setup: Setup = Field(default=Setup(), description="How it was measured")
    numbers: DeviceNumbers = Field(default=DeviceNumbers(), description="Choices for its numbers only")
    uncertainty: Uncertainty | None = Field(
        default=None, description="Uncertainty of its measurement, in place of that of the campaign"
    )

    @property
    def sources(self) -> dict[str, Source]:
        """All raw exports by what they are of, the responses first."""
        named = {name: getattr(self, name) for name in SOURCES}
        return {name: source for name, source in named.items() if source is not None}


class Derivation(_Model):
    """Choices in deriving the curve set; each is kept in the receipts."""

    early_reflections_total: Literal["bounces", "curves"] = Field(
        default="bounces", description="Mean of the five bounces, or of all their curves"
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


class DistortionChoices(_Model):
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


class CompressionChoices(_Model):
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
    most_uncertain: Positive = Field(
        default=0.5, description="dB of expanded uncertainty, from noise and rounding, beyond which nothing is given"
    )
    drift_limit: Positive = Field(
        default=0.3, description="dB r.m.s. that the first level, repeated last, may lie from itself (common practice)"
    )
    conductor: Literal["copper", "aluminium"] = Field(default="copper", description="Of the voice coil")
    series_share: Annotated[Number, Field(ge=0)] = Field(
        default=0.0, description="Resistance in series with the voice coil (cable, filter) re the cold coil's own"
    )


class UsableLimits(_Model):
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
        default=kind.limits, description=f"Doubtful and bad {side} these: {kind.about}{unit} ({kind.standing})"
    )


class CheckLimits(_Model):
    """Limits of the checks of what came in: two numbers each, doubtful beyond the first and bad beyond the second."""

    clipping: LimitPair = _limits("clipping")
    signal_to_noise: LimitPair = _limits("signal-to-noise")
    hum: LimitPair = _limits("hum")
    sweep_end: LimitPair = _limits("sweep-end")
    clock: LimitPair = _limits("clock")
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


class Figures(_Model):
    """What is drawn."""

    formats: tuple[Literal["svg", "png", "pdf"], ...] = Field(
        default=("svg", "png", "pdf"), description="File formats beside the chart specification"
    )


class Campaign(_Model):
    """A whole campaign."""

    anechain: Literal[1] = Field(description="Version of this file's format")
    title: Printed = Field(min_length=1, description="Title in print")
    about: str = Field(default="", description="What the campaign is for")
    licence: str | None = Field(default=None, description="Licence of the results, as an SPDX identifier")
    people: tuple[Person, ...] = Field(default=(), description="Who made it")
    importers: tuple[RelativePath, ...] = Field(
        default=(), description="Private importers: Python files beside this one; loaded only with --trust-importers"
    )
    devices: dict[str, Device] = Field(min_length=1, description="Devices by id")
    derivation: Derivation = Field(default=Derivation(), description="Choices in deriving the curve set")
    method_versions: dict[str, Annotated[int, Field(ge=1)]] = Field(
        default_factory=dict,
        description="Older versions of methods to use, by id; the newest of each otherwise (see `anechain methods`)",
    )
    uncertainty: Uncertainty = Field(default=Uncertainty(), description="Uncertainty of the measurements")
    numbers: Numbers = Field(default=Numbers(), description="Choices in the figures of merit")
    compression: CompressionChoices = Field(
        default=CompressionChoices(), description="How compression with rising level is read"
    )
    usable_limits: UsableLimits = Field(default=UsableLimits(), description="When a device counts as usable")
    distortion: DistortionChoices = Field(
        default=DistortionChoices(), description="Choices in the distortion at a level"
    )
    checks: CheckLimits = Field(default=CheckLimits(), description="Limits of the checks of what came in")
    figures: Figures = Field(default=Figures(), description="What is drawn")
    batch_size: int | None = Field(
        default=None, ge=1, le=10_000, description="Devices per job; chosen from their number if absent"
    )


def json_schema() -> dict[str, Any]:
    """JSON Schema of the campaign file, for editors."""
    schema = Campaign.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def load_campaign(path: Path) -> Campaign:
    """Read and check a campaign file.

    Parameters
    ----------
    path : Path
        The YAML file (YAML 1.2, so that "no" is a word and a key given twice is refused).

    Raises
    ------
    Refusal
        With everything that is wrong.
    """
    from ruamel.yaml import YAML
    from ruamel.yaml.error import YAMLError

    try:
        if path.stat().st_size > _MOST_BYTES:
            raise Refusal.because(
                path, f"has {path.stat().st_size} bytes", f"at most {_MOST_BYTES}", "make several campaigns of it"
            )
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise Refusal.because(path, "there is no such file", mend="give the path of a campaign file") from None
    except IsADirectoryError:
        raise Refusal.because(path, "is a folder", "a campaign file", f"give {path / 'campaign.yaml'}") from None
    except UnicodeDecodeError as error:
        raise Refusal.because(
            path, f"byte {error.start} is not UTF-8", "a text file in UTF-8", "save it again in UTF-8"
        ) from None
    except OSError as error:
        raise Refusal.because(
            path, f"cannot be read: {error.strerror}", "a campaign file", "check the path and its rights"
        ) from None
    try:
        # A few lines of aliases of aliases can stand for billions of values: count before anything is built.
        if "&" in text and _values(YAML(typ="safe", pure=True).compose(text), {}) > _MOST_VALUES:
            raise Refusal.because(
                path,
                f"stands for more than {_MOST_VALUES} values, since aliases name aliases",
                "aliases that name a few values each",
                "write the values out",
            )
        content = YAML(typ="safe", pure=True).load(text)
    except YAMLError as error:
        raise Refusal.because(path, _yaml_message(error), "YAML", "correct the line named") from None
    except RecursionError:
        raise Refusal.because(
            path, "is nested too deep", "a campaign: title, devices, ...", "start from the demo's campaign"
        ) from None
    except _HoldsItselfError as error:
        raise Refusal.because(
            path, f"line {error}: a value holds itself", "aliases that name other values", "write the values out"
        ) from None
    if not isinstance(content, dict):
        raise Refusal.because(
            path, "holds no keys", "a campaign: title, devices, ...", "start from the demo's campaign"
        )
    problems = [
        Problem(
            str(path),
            f"devices: {_shown(identifier)} is not safe as a folder name",
            "lower-case letters, digits, - and _, starting and ending with a letter or digit, at most 64; "
            f"none of {', '.join(sorted(_RESERVED))}",
            "rename it; the name in print goes into title",
        )
        for identifier in _keys(content.get("devices"))
        if not _safe(identifier)
    ]
    problems.extend(_setup_problems(content.get("devices"), str(path)))
    try:
        campaign = Campaign.model_validate(content)
    except ValidationError as error:
        raise Refusal([*problems, *option_problems(error, Campaign, str(path))]) from None
    if problems:
        raise Refusal(problems)
    return campaign


class _HoldsItselfError(Exception):
    """An alias stands inside the value it names; the message is its line."""


def _values(node: Any, counted: dict[int, int]) -> int:
    """How many values a YAML node stands for when every alias is replaced by what it names."""
    known = counted.get(id(node))
    if known == 0:  # it is being counted, so we are inside it
        raise _HoldsItselfError(str(node.start_mark.line + 1))
    if known is None:
        counted[id(node)] = 0
        inner = node.value if isinstance(getattr(node, "value", None), list) else []
        known = 1 + sum(
            _values(one, counted) for entry in inner for one in (entry if isinstance(entry, tuple) else (entry,))
        )
        counted[id(node)] = known
    return known


def _keys(devices: object) -> list[str]:
    """Ids that are text; what is wrong with the others, the model says."""
    return [identifier for identifier in devices if isinstance(identifier, str)] if isinstance(devices, dict) else []


def _safe(identifier: str) -> bool:
    return bool(_IDENTIFIER.fullmatch(identifier)) and identifier not in _RESERVED


def _setup_problems(devices: object, where: str) -> Iterator[Problem]:
    """Say what does not fit together within a setup; asked of the raw content, so that it is said with all the rest."""
    for identifier, device in devices.items() if isinstance(devices, dict) else ():
        setup = device.get("setup") if isinstance(device, dict) else None
        if not isinstance(setup, dict):
            continue
        match setup.get("valid_band"):
            case [int() | float() as low, int() | float() as high] if low >= high:
                yield Problem(
                    where,
                    f"devices.{identifier}.setup.valid_band is {low:g} to {high:g} Hz",
                    "a rising band",
                    "give the lower end first, then the upper one",
                )
        if setup.get("level_kind") == "spl":
            for name, unit in (("distance", "metres"), ("drive", "volts r.m.s.")):
                if setup.get(name) is None:
                    yield Problem(
                        where,
                        f"devices.{identifier}.setup.{name} is absent, but level_kind is spl",
                        f"{name} in {unit}",
                        "state it: an absolute level means nothing without it; or set level_kind: relative",
                    )


def _yaml_message(error: Exception) -> str:
    mark = getattr(error, "problem_mark", None)
    line = f"line {mark.line + 1}: " if mark is not None else ""
    return f"{line}{getattr(error, 'problem', None) or str(error).splitlines()[0]}"


def _shown(value: object) -> str:
    shown = repr(value)
    return shown if len(shown) <= 80 else f"{shown[:77]}..."


_WORDS = {
    "bool_parsing": "true or false",
    "bool_type": "true or false",
    "dict_type": "keys with values",
    "finite_number": "a finite number",
    "float_parsing": "a number",
    "float_type": "a number",
    "int_from_float": "a whole number",
    "int_parsing": "a whole number",
    "int_type": "a whole number",
    "list_type": "a list",
    "model_attributes_type": "keys with values",
    "model_type": "keys with values",
    "path_type": "a path",
    "string_pattern_mismatch": "text of the right form",
    "string_type": "text",
    "tuple_type": "a list",
}
"""What is allowed, by pydantic's type of failure, where its own message speaks to a programmer."""


def option_problems(error: ValidationError, model: type[BaseModel], where: str, prefix: str = "") -> list[Problem]:
    """Word the failures of a strict model for a person, suggesting the right key for an unknown one."""
    problems = []
    failures = error.errors(include_url=False)
    branched: set[tuple[int | str, ...]] = set()
    for failure in failures:
        if (stem := _before_branch(model, failure["loc"])) is not None:
            # Each branch of "this or that" fails in its own way; what the field is for says what both allow.
            if stem not in branched:
                name = f"{prefix}{'.'.join(str(part) for part in stem)}"
                allowed = _description(model, stem) or failure["msg"].removeprefix("Input should be ")
                problems.append(Problem(where, f"{name} is {_shown(failure['input'])}", allowed, "correct it"))
            branched.add(stem)
            continue
        location = ".".join(str(part) for part in failure["loc"])
        field = f"{prefix}{location}".rstrip(".") or "the file"
        found = failure.get("input")
        if failure["type"] == "invalid_key" or failure["loc"][-1:] == ("[key]",):
            of = prefix + ".".join([str(part) for part in failure["loc"] if part != "[key]"][:-1])
            problems.append(
                Problem(where, f"{of or 'the file'}: key {_shown(found)} is not text", "text", "put it in quotes")
            )
        elif failure["type"] == "extra_forbidden":
            known = _fields_at(model, failure["loc"][:-1])
            key = str(failure["loc"][-1]).lower()
            close = [name for name in known if name.startswith(key)] or difflib.get_close_matches(key, known, n=1)
            mend = f"did you mean {close[0]}?" if close else "remove it"
            problems.append(Problem(where, f"{field}: unknown key", ", ".join(known), mend))
        elif failure["type"] == "missing":
            problems.append(Problem(where, f"{field} is absent", _description(model, failure["loc"]), "add it"))
        else:
            allowed = failure["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
            allowed = _WORDS.get(failure["type"], allowed)
            if failure["type"] in ("too_short", "string_too_short"):
                depth = len(failure["loc"])
                if any(len(one["loc"]) > depth and one["loc"][:depth] == failure["loc"] for one in failures):
                    continue  # entries that are wrong themselves were not counted; each is named on its own
                noun = "entry" if failure["type"] == "too_short" else "character"
                allowed = f"at least {failure['ctx']['min_length']} {noun}"
            described = _description(model, failure["loc"])
            allowed = f"{allowed} ({described})" if described else allowed
            problems.append(Problem(where, f"{field} is {_shown(found)}", allowed, "correct it"))
    return problems


def _fields_at(model: Any, location: tuple[int | str, ...]) -> list[str]:
    inner = _inner(model, location)
    return sorted(inner.model_fields) if inner is not None else []


def _before_branch(annotation: Any, location: tuple[int | str, ...]) -> tuple[int | str, ...] | None:
    """Location of the union that a failure lies in (pydantic adds a label for the branch); None if in none."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        field = annotation.model_fields.get(str(location[0])) if location else None
        inner, step = (field.annotation if field is not None else None), 1
    else:
        arguments = [argument for argument in get_args(annotation) if argument is not type(None)]
        origin = get_origin(annotation)
        if origin in (Union, UnionType) and len(arguments) > 1:
            return () if location else None
        if not arguments or origin is Literal:
            return None
        inner = arguments[1] if origin is dict else arguments[0]
        step = 1 if origin in (dict, tuple, list) else 0
    if inner is None or len(location) < step:
        return None
    found = _before_branch(inner, location[step:])
    return None if found is None else location[:step] + found


def _description(model: Any, location: tuple[int | str, ...]) -> str:
    inner = _inner(model, location[:-1])
    field = inner.model_fields.get(str(location[-1])) if inner is not None and location else None
    return (field.description or "") if field is not None else ""


def _inner(annotation: Any, location: tuple[int | str, ...]) -> type[BaseModel] | None:
    """Model that a location inside another model belongs to."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        if not location:
            return annotation
        field = annotation.model_fields.get(str(location[0]))
        return _inner(field.annotation, location[1:]) if field is not None else None
    arguments = [argument for argument in get_args(annotation) if argument is not type(None)]
    if not arguments:
        return None
    # A dict or tuple: the key or index itself takes one step of the location; a union takes none.
    origin = get_origin(annotation)
    if origin is dict:
        return _inner(arguments[1], location[1:])
    if origin in (tuple, list):
        return _inner(arguments[0], location[1:])
    return next((found for argument in arguments if (found := _inner(argument, location)) is not None), None)
