"""The campaign file: what is measured, from which raw exports, under which choices.

Strict: unknown keys are refused with the nearest right one, and everything wrong is said at once.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import AfterValidator, BaseModel, Field, ValidationError

from anechain.campaign.choices import (
    CheckLimits,
    CompressionChoices,
    Derivation,
    DeviceNumbers,
    DistortionChoices,
    Figures,
    Model,
    Number,
    Numbers,
    Positive,
    Printed,
    RelativePath,
    Uncertainty,
    UsableLimits,
    plain,
)
from anechain.errors import InputError, Problem

__all__ = ["SOURCES", "Campaign", "Device", "Setup", "json_schema", "load_campaign", "option_problems"]

FORMAT = 1
SOURCES = ("responses", "harmonics", "impedance", "multitone")
"""What raw exports of a device can be of."""
_RESERVED = {"comparison", "figures", "report", "manifests", "con", "prn", "aux", "nul", "workflow"}
_IDENTIFIER = re.compile(r"[a-z0-9](?:[a-z0-9_-]{0,62}[a-z0-9])?")
_MOST_BYTES = 8_000_000
_MOST_VALUES = 300_000
"""Values of a campaign once every alias stands for what it names; ten thousand devices come to about two thirds."""


class Person(Model):
    """Somebody who made the campaign."""

    name: Printed = Field(min_length=1, description="Name in print")
    orcid: str | None = Field(
        default=None, pattern=r"^\d{4}-\d{4}-\d{4}-\d{3}[\dX]$", description="ORCID, as 0000-0000-0000-0000"
    )
    role: str | None = Field(default=None, description="What they did")


class Listening(Model):
    """A listening note: the reviewer's own words, shown beside the evidence."""

    text: str = Field(min_length=1, description="The note itself")
    who: str | None = Field(default=None, description="Who listened")
    when: str | None = Field(default=None, description="When")
    room: str | None = Field(default=None, description="Where, and how it was placed")
    programme: str | None = Field(default=None, description="What was played")


class Setup(Model):
    """How the device was measured, as far as the raw files do not say."""

    level_kind: Literal["spl", "relative"] | None = Field(
        default=None, description="Whether levels are dB re 20 µPa or relative; the importer's word if absent"
    )
    distance: Annotated[Positive, Field(le=100)] | None = Field(
        default=None, description="Metres at which the exported level holds"
    )
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


class Source(Model):
    """Raw exports of one kind and how to read them."""

    files: tuple[RelativePath, ...] = Field(min_length=1, description="Files or globs, relative to the campaign file")
    importer: str | None = Field(default=None, description="Importer to use; every installed one is asked if absent")
    options: dict[str, Annotated[Any, AfterValidator(plain)]] = Field(
        default_factory=dict, description="The importer's options"
    )
    setup: Setup | None = Field(
        default=None, description="How these files were made, where that differs from the setup of the device"
    )


class Device(Model):
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


class Campaign(Model):
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
    InputError
        With everything that is wrong.
    """
    from ruamel.yaml import YAML
    from ruamel.yaml.error import YAMLError

    try:
        if path.stat().st_size > _MOST_BYTES:
            raise InputError.single(
                path, f"has {path.stat().st_size} bytes", f"at most {_MOST_BYTES}", "make several campaigns of it"
            )
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise InputError.single(path, "there is no such file", fix="give the path of a campaign file") from None
    except IsADirectoryError:
        raise InputError.single(path, "is a folder", "a campaign file", f"give {path / 'campaign.yaml'}") from None
    except UnicodeDecodeError as error:
        raise InputError.single(
            path, f"byte {error.start} is not UTF-8", "a text file in UTF-8", "save it again in UTF-8"
        ) from None
    except OSError as error:
        raise InputError.single(
            path, f"cannot be read: {error.strerror}", "a campaign file", "check the path and its rights"
        ) from None
    try:
        # A few lines of aliases of aliases can stand for billions of values: count before anything is built.
        if "&" in text and _values(YAML(typ="safe", pure=True).compose(text), {}) > _MOST_VALUES:
            raise InputError.single(
                path,
                f"stands for more than {_MOST_VALUES} values, since aliases name aliases",
                "aliases that name a few values each",
                "write the values out",
            )
        content = YAML(typ="safe", pure=True).load(text)
    except YAMLError as error:
        raise InputError.single(path, _yaml_message(error), "YAML", "correct the line named") from None
    except RecursionError:
        raise InputError.single(
            path, "is nested too deep", "a campaign: title, devices, ...", "start from the demo's campaign"
        ) from None
    except _HoldsItselfError as error:
        raise InputError.single(
            path, f"line {error}: a value holds itself", "aliases that name other values", "write the values out"
        ) from None
    if not isinstance(content, dict):
        raise InputError.single(
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
        raise InputError([*problems, *option_problems(error, Campaign, str(path))]) from None
    if problems:
        raise InputError(problems)
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
        if failure["type"] == "literal_error" and failure["loc"][-1:] == ("[key]",):
            of = prefix + ".".join([str(part) for part in failure["loc"] if part != "[key]"][:-1])
            names = re.findall(r"'([^']*)'", str(failure["ctx"]["expected"]))
            close = difflib.get_close_matches(str(found).lower(), names, n=1, cutoff=0.5)
            fix = f"did you mean {close[0]}?" if close else "remove it"
            problems.append(Problem(where, f"{of}: unknown key {_shown(found)}", ", ".join(names), fix))
        elif failure["type"] == "invalid_key" or failure["loc"][-1:] == ("[key]",):
            of = prefix + ".".join([str(part) for part in failure["loc"] if part != "[key]"][:-1])
            problems.append(
                Problem(where, f"{of or 'the file'}: key {_shown(found)} is not text", "text", "put it in quotes")
            )
        elif failure["type"] == "extra_forbidden":
            known = _fields_at(model, failure["loc"][:-1])
            key = str(failure["loc"][-1]).lower()
            close = [name for name in known if name.startswith(key)] or difflib.get_close_matches(key, known, n=1)
            fix = f"did you mean {close[0]}?" if close else "remove it"
            problems.append(Problem(where, f"{field}: unknown key", ", ".join(known), fix))
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
            if failure["type"] in ("model_type", "model_attributes_type"):
                allowed += f": {', '.join(_fields_at(model, failure['loc']))}"
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
