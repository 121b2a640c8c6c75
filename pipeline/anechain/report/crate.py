"""The research-object crate: what a run was made from and by, when and by whom, as linked data (RO-Crate).

RO-Crate 1.1 with the Workflow Run Crate profile 0.5 (https://w3id.org/ro/wfrun/workflow/0.5). The crate's root is the
results folder. Raw files and the campaign file lie outside it, and often are not published; they are described by path,
size and SHA-256 under local identifiers (``#raw/rowan/...``), which need not be in the payload. In a bundle, which
holds them, :func:`rebased` turns them into files of the payload.

This is the only output that holds a clock's time.
"""

from __future__ import annotations

import json
import mimetypes
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

if TYPE_CHECKING:
    from rocrate.rocrate import ROCrate

    from anechain.campaign.file import Campaign

__all__ = [
    "CRATE_NAME",
    "WORKFLOW_FOLDER",
    "CrateFile",
    "Facts",
    "Run",
    "Step",
    "build_crate",
    "crate_bytes",
    "described_outside",
    "outside_id",
    "rebased",
    "run_of",
]

CRATE_NAME = "ro-crate-metadata.json"
"""Name that the specification asks for, at the crate's root."""
WORKFLOW_FOLDER = "workflow"
"""Folder of the crate with the workflow that was run."""

_PROFILES = {
    "https://w3id.org/ro/wfrun/process/0.5": ("Process Run Crate", "0.5"),
    "https://w3id.org/ro/wfrun/workflow/0.5": ("Workflow Run Crate", "0.5"),
    "https://w3id.org/workflowhub/workflow-ro-crate/1.0": ("Workflow RO-Crate", "1.0"),
}
_TERMS = "https://w3id.org/ro/terms/workflow-run/context"
_RUN = "#run"
_ENCODINGS = {
    ".nc": "application/x-netcdf",
    ".sofa": "application/x-netcdf",
    ".yaml": "application/yaml",
    ".json": "application/json",
    ".csv": "text/csv",
    ".txt": "text/plain",
    ".py": "text/x-python",
    ".svg": "image/svg+xml",
}
_INPUTS = {
    "campaign": "The campaign file: devices, set-ups and choices",
    "raw": "Raw exports of the measuring instruments, with what their import reads beside them",
}
_RESOLVED = {"resolved": "The campaign as it was read, every default written out"}
_UNITS = {
    "distance": "m",
    "drive": "V",
    "temperature": "°C",
    "pressure": "kPa",
    "humidity": "%",
    "valid_low": "Hz",
    "valid_high": "Hz",
}


@dataclass(frozen=True)
class CrateFile:
    """A file that went into a run or came out of it.

    Attributes
    ----------
    path : str
        Relative to the campaign for what went in, to the results for what came out.
    sha256 : str
        64 hex digits.
    size : int
        Bytes.
    slot : str
        Which input or output of the workflow it is: "campaign" or "raw"; "resolved", or the stage that made it.
    devices : tuple of str
        Devices it is about.
    derived_from : tuple of str
        Identifiers in the crate of the files it was made from.
    """

    path: str
    sha256: str
    size: int
    slot: str
    devices: tuple[str, ...] = ()
    derived_from: tuple[str, ...] = ()


@dataclass(frozen=True)
class Step:
    """A stage of the workflow: its name, what it does, its version, and the versions of the methods it uses."""

    name: str
    title: str
    version: int
    methods: Mapping[str, int]


@dataclass(frozen=True)
class Run:
    """When a run started and ended (UTC), and which devices it left out, with the reasons.

    `started` is None where it is not known: a scheduler that starts the jobs in an environment of its own.
    """

    started: str | None
    ended: str
    failed: Mapping[str, str]


@dataclass(frozen=True)
class Facts:
    """Everything a crate says, but for the campaign itself and the run.

    Attributes
    ----------
    inputs, outputs : tuple of CrateFile
        In the order in which they are to be listed.
    workflow : tuple of str
        Paths below the results of the workflow's files, the Snakefile first.
    setups : mapping of str to mapping
        By device, how it was measured, as its dataset says.
    steps : tuple of Step
        In the order of the chain.
    software : mapping of str to str
        Versions of Anechain, of Python and of the libraries that decide results, by name.
    """

    inputs: tuple[CrateFile, ...]
    outputs: tuple[CrateFile, ...]
    workflow: tuple[str, ...]
    setups: Mapping[str, Mapping[str, Any]]
    steps: tuple[Step, ...]
    software: Mapping[str, str]


def now() -> str:
    """Return the time in UTC, to the second, in the form that the profile asks for."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def outside_id(path: str) -> str:
    """Identifier of a file that lies in the campaign's folder but outside the crate's root."""
    return "#" + quote(path)


def build_crate(campaign: Campaign, facts: Facts, run: Run) -> dict[str, Any]:
    """Make the crate's metadata document.

    The same arguments give the same document; nothing of it depends on clock, host, user or path.

    Returns
    -------
    dict
        JSON-LD, flattened.
    """
    from rocrate.model import Person
    from rocrate.rocrate import ROCrate

    crate = ROCrate(version="1.1")
    crate.metadata.extra_contexts.append(_TERMS)
    # The library notes the time of its own call; what counts is when the run ended.
    crate.datePublished = run.ended
    crate.name = campaign.title
    crate.description = campaign.about or f"Loudspeaker measurements of {len(campaign.devices)} devices"
    crate.license = _licence(crate, campaign.licence)
    for id_, (name, version) in _PROFILES.items():
        _add(crate, id_, "CreativeWork", name=name, version=version)
    crate.root_dataset["conformsTo"] = [{"@id": id_} for id_ in _PROFILES]
    people = []
    for number, person in enumerate(campaign.people, 1):
        id_ = f"https://orcid.org/{person.orcid}" if person.orcid else f"#person-{number}"
        role = {"description": person.role} if person.role else {}
        people.append(crate.add(Person(crate, id_, {"name": person.name, **role})))
    if people:
        crate.root_dataset["author"] = people

    parameters = _parameters(crate, campaign)
    made = {one.slot for one in facts.outputs}
    stages = {step.name: step.title for step in facts.steps if step.name in made}
    outputs = _RESOLVED | {name: f"What stage {name} makes: {title}" for name, title in stages.items()}
    for slot, about in (*_INPUTS.items(), *outputs.items()):
        many = {"multipleValues": "False" if slot in ("campaign", "resolved") else "True"}
        _add(crate, f"#slot-{slot}", "FormalParameter", name=slot, additionalType="File", description=about, **many)
    software = _software(crate, facts.software)
    workflow = _workflow(crate, facts, inputs=[*_INPUTS, *parameters], outputs=outputs)
    if people:
        workflow["author"] = people
    for device, setup in facts.setups.items():
        _device(crate, device, campaign, setup)

    for one in facts.inputs:
        _add(crate, outside_id(one.path), "File", **_file_properties(one))
    for one in facts.outputs:
        crate.add_file(dest_path=one.path, properties=_file_properties(one))

    action = _add(
        crate,
        _RUN,
        "CreateAction",
        name=f"Run of the campaign “{campaign.title}”",
        description=_told(facts, run),
        instrument=[{"@id": workflow.id}, {"@id": software}],
        object=[{"@id": outside_id(one.path)} for one in facts.inputs]
        + [{"@id": f"#value-{name}"} for name in parameters],
        result=[{"@id": quote(one.path)} for one in facts.outputs],
        endTime=run.ended,
        actionStatus=f"http://schema.org/{'Failed' if run.failed else 'Completed'}ActionStatus",
    )
    if run.started:
        action["startTime"] = run.started
    if people:
        action["agent"] = people
    if run.failed:
        action["error"] = "\n".join(f"{device}: {reason}" for device, reason in run.failed.items())
    crate.root_dataset["mentions"] = [action]
    document = crate.metadata.generate()
    # A list of one is written as that one: a recommendation of RO-Crate 1.1 (appendix on JSON-LD).
    graph = [{key: _compact(value) for key, value in entity.items()} for entity in document["@graph"]]
    return {"@context": document["@context"], "@graph": graph}


def _compact(value: Any) -> Any:
    return value[0] if isinstance(value, list) and len(value) == 1 else value


def _told(facts: Facts, run: Run) -> str:
    left_out = f"; left out: {', '.join(run.failed)}" if run.failed else ""
    return (
        f"Curve sets, figures and the page of {len(facts.setups)} devices from {len(facts.inputs)} files{left_out}. "
        "What was there already and current was kept."
    )


def _add(crate: ROCrate, id_: str, type_: str | list[str], **properties: Any) -> Any:
    from rocrate.model import ContextEntity

    return crate.add(ContextEntity(crate, id_, {"@type": type_, **properties}))


def _licence(crate: ROCrate, licence: str | None) -> Any:
    if licence is None:
        return "No licence is stated: ask the authors before you use this"
    # An expression such as "MIT OR CC0-1.0", or a licence of one's own, has no page in the list.
    if not all(sign.isalnum() or sign in "-." for sign in licence) or licence.startswith("LicenseRef-"):
        return licence
    return _add(crate, f"https://spdx.org/licenses/{licence}", "CreativeWork", name=licence, identifier=licence)


def _parameters(crate: ROCrate, campaign: Campaign) -> list[str]:
    """Add each choice of the campaign as a formal parameter with its value; return their names."""
    choices: dict[str, Any] = {
        f"derivation.{name}": value for name, value in campaign.derivation.model_dump(mode="json").items()
    }
    described = {f"derivation.{name}": field.description for name, field in _fields(campaign.derivation)}
    for section, field in _fields(campaign.numbers):
        options = getattr(campaign.numbers, section)
        if isinstance(options, Mapping):
            dumped = {str(key): one.model_dump(mode="json") for key, one in options.items()}
            choices |= {f"numbers.{section}.{key}": one for key, one in dumped.items()}
            described |= dict.fromkeys((f"numbers.{section}.{key}" for key in dumped), field.description)
            continue
        choices |= {f"numbers.{section}.{name}": value for name, value in options.model_dump(mode="json").items()}
        described |= {f"numbers.{section}.{name}": one.description for name, one in _fields(options)}
    for device, one in campaign.devices.items():
        own = one.numbers.model_dump(mode="json", exclude_defaults=True)
        choices |= {f"devices.{device}.numbers.{name}": value for name, value in own.items()}
        described |= {f"devices.{device}.numbers.{name}": field.description for name, field in _fields(one.numbers)}
    choices["figures.formats"] = list(campaign.figures.formats)
    described |= {f"figures.{name}": field.description for name, field in _fields(campaign.figures)}
    choices |= {f"method_versions.{id_}": version for id_, version in campaign.method_versions.items()}
    # What is no single value is told as JSON.
    choices = {name: json.dumps(value) if _nested(value) else value for name, value in choices.items()}
    types = {bool: "Boolean", int: "Integer", float: "Float", str: "Text", list: "Text", type(None): "Text"}
    for name, value in choices.items():
        more: dict[str, Any] = {"multipleValues": "True"} if isinstance(value, list) else {}
        if about := described.get(name):
            more["description"] = about
        _add(crate, f"#slot-{name}", "FormalParameter", name=name, additionalType=types[type(value)], **more)
        _add(
            crate,
            f"#value-{name}",
            "PropertyValue",
            name=name,
            value="none" if value is None else value,
            exampleOfWork={"@id": f"#slot-{name}"},
        )
    return list(choices)


def _nested(value: Any) -> bool:
    return isinstance(value, Mapping) or (isinstance(value, list) and any(isinstance(one, list) for one in value))


def _fields(model: Any) -> Iterable[tuple[str, Any]]:
    return list(type(model).model_fields.items())


def _software(crate: ROCrate, versions: Mapping[str, str]) -> str:
    needed = []
    for name, version in versions.items():
        if name != "anechain":
            needed.append(_add(crate, f"#software-{name}", "SoftwareApplication", name=name, softwareVersion=version))
    id_: str = _add(
        crate,
        "#software-anechain",
        "SoftwareApplication",
        name="Anechain",
        description="Loudspeaker measurements to comparable, auditable curve sets, figures and pages",
        softwareVersion=versions["anechain"],
        softwareRequirements=needed,
    ).id
    return id_


def _workflow(crate: ROCrate, facts: Facts, inputs: Iterable[str], outputs: Iterable[str]) -> Any:
    first, *others = facts.workflow
    workflow = crate.add_workflow(dest_path=first, main=True, lang="snakemake")
    # What else is needed of the profile that describes steps, without claiming its account of every job.
    workflow._jsonld["@type"] = [*workflow.type, "HowTo"]
    workflow["name"] = "From raw exports to the page of a campaign"
    workflow["version"] = facts.software["anechain"]
    workflow["encodingFormat"] = "text/plain"
    workflow["conformsTo"] = {"@id": "https://bioschemas.org/profiles/ComputationalWorkflow/1.0-RELEASE"}
    workflow["input"] = [{"@id": f"#slot-{slot}"} for slot in inputs]
    workflow["output"] = [{"@id": f"#slot-{slot}"} for slot in outputs]
    workflow["hasPart"] = [
        crate.add_file(dest_path=path, properties={"name": Path(path).name, "encodingFormat": "text/plain"})
        for path in others
    ]
    steps = []
    for position, step in enumerate(facts.steps, 1):
        used = ", ".join(f"{id_} {version}" for id_, version in step.methods.items())
        steps.append(
            _add(
                crate,
                f"#step-{step.name}",
                "HowToStep",
                name=step.name,
                position=str(position),
                version=str(step.version),
                description=step.title + (f" Methods: {used}." if used else ""),
            )
        )
    workflow["step"] = steps
    return workflow


def _device(crate: ROCrate, device: str, campaign: Campaign, setup: Mapping[str, Any]) -> None:
    one = campaign.devices[device]
    properties = []
    for name, value in setup.items():
        more = {"unitText": _UNITS[name]} if name in _UNITS else {}
        properties.append(_add(crate, f"#device-{device}-{name}", "PropertyValue", name=name, value=value, **more))
    entity = _add(crate, f"#device-{device}", "IndividualProduct", name=one.title, additionalProperty=properties)
    if about := ". ".join(text for text in (one.kind, one.about) if text):
        entity["description"] = about


def _file_properties(one: CrateFile) -> dict[str, Any]:
    ending = Path(one.path).suffix.lower()
    properties: dict[str, Any] = {
        "name": one.path,
        "sha256": one.sha256,
        "contentSize": str(one.size),
        "encodingFormat": _ENCODINGS.get(ending) or mimetypes.guess_type(one.path)[0] or "application/octet-stream",
        "exampleOfWork": {"@id": f"#slot-{one.slot}"},
    }
    if one.devices:
        properties["about"] = [{"@id": f"#device-{device}"} for device in one.devices]
    if one.derived_from:
        properties["wasDerivedFrom"] = [{"@id": id_} for id_ in one.derived_from]
    return properties


def crate_bytes(document: Mapping[str, Any]) -> bytes:
    """Write a metadata document out: the same document gives the same bytes."""
    return json.dumps(document, indent=1, sort_keys=True, ensure_ascii=False).encode() + b"\n"


def run_of(document: Mapping[str, Any]) -> tuple[str | None, str] | None:
    """Start and end of the run that a crate of ours tells of; None if it is not one."""
    graph = document.get("@graph")
    for entity in graph if isinstance(graph, list) else ():
        if isinstance(entity, dict) and entity.get("@id") == _RUN:
            started, ended = entity.get("startTime"), entity.get("endTime")
            if isinstance(ended, str) and isinstance(started, str | None):
                return started, ended
    return None


def described_outside(document: Mapping[str, Any]) -> dict[str, tuple[str, int]]:
    """Files that a crate describes but does not hold: path, to SHA-256 and size."""
    return {
        entity["name"]: (entity["sha256"], int(entity["contentSize"]))
        for entity in document["@graph"]
        if entity["@id"].startswith("#") and entity["@type"] == "File"
    }


def rebased(document: Mapping[str, Any], below: str, held: Iterable[str], more: Mapping[str, str]) -> dict[str, Any]:
    """Move a crate's root upwards, so that files beside it become part of its payload.

    Parameters
    ----------
    document : mapping
        The metadata document.
    below : str
        Folder of the old root in the new one, such as "results".
    held : iterable of str
        Paths, from the new root, of the files that the old root did not hold and the new one does.
    more : mapping of str to str
        Further files of the new root, with what each is.

    Returns
    -------
    dict
        The document for the new root.
    """
    graph = document["@graph"]
    root = next(entity for entity in graph if entity["@id"] == "./")
    parts = [part["@id"] for part in root["hasPart"]]
    new = {id_: f"{quote(below)}/{id_}" for id_ in parts if "://" not in id_}
    moved = {outside_id(path): quote(path) for path in held}
    new |= moved

    def renamed(value: Any) -> Any:
        if isinstance(value, list):
            return [renamed(one) for one in value]
        if isinstance(value, dict):
            return {key: new.get(one, one) if key == "@id" else renamed(one) for key, one in value.items()}
        return value

    entities = [renamed(entity) for entity in graph]
    for entity in entities:
        if entity["@id"] == "./":
            entity["hasPart"] += [{"@id": id_} for id_ in (*moved.values(), *map(quote, more))]
    for path, what in more.items():
        encoding = _ENCODINGS.get(Path(path).suffix.lower(), "text/plain")
        entities.append(
            {"@id": quote(path), "@type": "File", "name": path, "description": what, "encodingFormat": encoding}
        )
    return {"@context": document["@context"], "@graph": entities}
