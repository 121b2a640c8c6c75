"""The campaign file: what is measured, from which raw exports, with which options.

Strict: unknown keys are refused, with a suggestion, and all problems are reported at once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import AfterValidator, Field, create_model

from anechain.campaign.checks import CheckLimits
from anechain.campaign.comparison import ComparisonOptions
from anechain.campaign.compression import CompressionOptions
from anechain.campaign.derivation import Derivation
from anechain.campaign.distortion import DistortionOptions
from anechain.campaign.figures import Figures
from anechain.campaign.importing import ImportLimits
from anechain.campaign.model import Model, Number, Positive, Printed, RelativePath, plain
from anechain.campaign.numbers import DeviceNumbers, Numbers
from anechain.campaign.uncertainty import Uncertainty
from anechain.campaign.usable_limits import UsableLimits
from anechain.registry.sources import SOURCES

__all__ = ["Campaign", "Device", "Setup", "Source", "StrongerSide", "json_schema"]


class Person(Model):
    """A person who contributed to the campaign."""

    name: Printed = Field(min_length=1, description="Name in print")
    orcid: str | None = Field(
        default=None, pattern=r"^\d{4}-\d{4}-\d{4}-\d{3}[\dX]$", description="ORCID, as 0000-0000-0000-0000"
    )
    role: str | None = Field(default=None, description="What they did")


class Listening(Model):
    """A listening note: the reviewer's own words, shown with the measurements."""

    text: str = Field(min_length=1, description="The note itself")
    who: str | None = Field(default=None, description="Who listened")
    when: str | None = Field(default=None, description="When")
    room: str | None = Field(default=None, description="Where, and how it was placed")
    programme: str | None = Field(default=None, description="What was played")


class StrongerSide(Model):
    """The side of a device that radiates more, so that exchanged sides are found."""

    side: Literal["left", "right", "up", "down"] = Field(description="Side, seen from behind the device")
    band: tuple[Positive, Positive] = Field(description="Lowest and highest Hz in which it radiates more")


class Setup(Model):
    """How the device was measured, where the raw files do not state it."""

    level_kind: Literal["spl", "relative"] | None = Field(
        default=None, description="Whether levels are dB re 20 µPa or relative; decided by the importer if absent"
    )
    distance: Annotated[Positive, Field(le=100)] | None = Field(
        default=None, description="Distance in metres to which the exported level refers"
    )
    drive: Positive | None = Field(
        default=None,
        description="Drive in volts r.m.s. to which the exported level refers. High drives and levels hurt hearing and "
        "equipment: local rules and qualified practice decide",
    )
    reference_axis: str | None = Field(default=None, description="Where the reference axis starts on the device")
    environment: str | None = Field(default=None, description="Where it was measured")
    symmetry: tuple[Literal["left/right", "up/down"], ...] = Field(
        default=(),
        description="Declared symmetry of the device about its reference axis: directions of the responses that were "
        "measured on one side only are mirrored to the other; nothing is mirrored otherwise",
    )
    stronger_side: StrongerSide | None = Field(
        default=None,
        description="Side to which the device radiates more in a band, such as that of a tweeter beside the middle; a "
        "check compares the responses with it",
    )
    valid_band: tuple[Positive, Positive] | None = Field(default=None, description="Lowest and highest valid Hz")
    microphone: str | None = Field(default=None, description="The microphone and its calibration")
    temperature: Number | None = Field(default=None, ge=-60, le=80, description="Air temperature in °C")
    pressure: Number | None = Field(default=None, ge=30, le=120, description="Atmospheric pressure in kPa")
    humidity: Number | None = Field(default=None, ge=0, le=100, description="Relative humidity in per cent")


class Source(Model):
    """Raw exports of one kind and how to read them."""

    files: tuple[RelativePath, ...] = Field(min_length=1, description="Files or globs, relative to the campaign file")
    importer: str | None = Field(
        default=None, description="Importer to use; if absent, the installed importer that recognises the files"
    )
    options: dict[str, Annotated[Any, AfterValidator(plain)]] = Field(
        default_factory=dict, description="The importer's options"
    )
    setup: Setup | None = Field(
        default=None, description="How these files were measured, where this differs from the setup of the device"
    )


def _source_field(name: str) -> Any:
    kind = SOURCES[name]
    if kind.required:
        return Source, Field(description=kind.description)
    return Source | None, Field(default=None, description=kind.description)


if TYPE_CHECKING:
    _Sources = Model
else:
    # A field for each kind of raw exports, so that a new kind needs no entry here.
    _Sources = create_model("_Sources", __base__=Model, **{name: _source_field(name) for name in SOURCES})


class Device(_Sources):
    """One loudspeaker."""

    title: Printed = Field(min_length=1, description="Name in print")
    kind: Printed = Field(default="", description="Kind of loudspeaker, in a few words")
    about: str = Field(default="", description="Other information for readers")
    listening: tuple[Listening, ...] = Field(default=(), description="Listening notes")
    setup: Setup = Field(default=Setup(), description="How it was measured")
    numbers: DeviceNumbers = Field(default=DeviceNumbers(), description="Options of its numbers only")
    uncertainty: Uncertainty | None = Field(
        default=None, description="Uncertainty of its measurement, in place of that of the campaign"
    )

    @property
    def sources(self) -> dict[str, Source]:
        """Raw exports by kind, responses first."""
        named = {name: getattr(self, name) for name in SOURCES}
        return {name: source for name, source in named.items() if source is not None}


class Campaign(Model):
    """A whole campaign."""

    anechain: Literal[1] = Field(description="Version of this file's format")
    title: Printed = Field(min_length=1, description="Title in print")
    about: str = Field(default="", description="What the campaign is for")
    licence: str | None = Field(default=None, description="Licence of the results, as an SPDX identifier")
    people: tuple[Person, ...] = Field(default=(), description="People who contributed")
    importers: tuple[RelativePath, ...] = Field(
        default=(),
        description="Private importers: Python files in the campaign's folder; loaded only with --trust-importers",
    )
    importing: ImportLimits = Field(
        default=ImportLimits(), description="Limits of the work that raw files and importers may cause"
    )
    devices: dict[str, Device] = Field(min_length=1, description="Devices by id")
    derivation: Derivation = Field(default=Derivation(), description="How the curve set is derived")
    method_versions: dict[str, Annotated[int, Field(ge=1)]] = Field(
        default_factory=dict,
        description="Older versions of methods to use, by id; other methods have their newest version (see `anechain "
        "methods`)",
    )
    comparison: ComparisonOptions = Field(
        default=ComparisonOptions(), description="How the curves of several devices are compared"
    )
    uncertainty: Uncertainty = Field(default=Uncertainty(), description="Uncertainty of the measurements")
    numbers: Numbers = Field(default=Numbers(), description="How the figures of merit are computed")
    compression: CompressionOptions = Field(default=CompressionOptions(), description="How compression is computed")
    usable_limits: UsableLimits = Field(default=UsableLimits(), description="When a device counts as usable")
    distortion: DistortionOptions = Field(
        default=DistortionOptions(), description="How distortion at a level is computed"
    )
    checks: CheckLimits = Field(default=CheckLimits(), description="Limits of the measurement checks")
    figures: Figures = Field(default=Figures(), description="Which figures are drawn")
    batch_size: int | None = Field(
        default=None, ge=1, le=10_000, description="Devices per job; depends on the number of devices if absent"
    )


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of the campaign file, for editors."""
    schema = Campaign.model_json_schema()
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
