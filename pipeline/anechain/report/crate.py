"""The RO-Crate of a run: inputs, outputs, software, times and people as linked data.

RO-Crate 1.1 with the Workflow Run Crate profile 0.5 (https://w3id.org/ro/wfrun/workflow/0.5). The crate's root is the
results folder. Raw files and the campaign file are outside of it, and often are not published; they are described by
path, size and SHA-256 under local identifiers (``#raw/rowan/...``), which need no file in the crate. In a bundle, which
contains them, :func:`anechain.report.crate_document.move_root` makes them files of the crate.

The crate is the only output with a date and time in it.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from anechain.report.crate_content import CrateContent, Run
from anechain.report.crate_document import RUN_ID, external_id
from anechain.report.crate_entities import add_authors, add_device, add_entity, add_licence, file_properties
from anechain.report.crate_parameters import add_parameters
from anechain.report.crate_workflow import add_software, add_workflow

if TYPE_CHECKING:
    from rocrate.rocrate import ROCrate

    from anechain.campaign.file import Campaign

__all__ = ["build_crate", "current_time"]

_PROFILES = {
    "https://w3id.org/ro/wfrun/process/0.5": ("Process Run Crate", "0.5"),
    "https://w3id.org/ro/wfrun/workflow/0.5": ("Workflow Run Crate", "0.5"),
    "https://w3id.org/workflowhub/workflow-ro-crate/1.0": ("Workflow RO-Crate", "1.0"),
}
_TERMS = "https://w3id.org/ro/terms/workflow-run/context"
_INPUT_SLOTS = {
    "campaign": "The campaign file: devices, set-ups and options",
    "raw": "Raw exports of the measuring instruments, and further files that the import reads",
}
_RESOLVED_SLOT = {"resolved": "The campaign with all defaults"}


def current_time() -> str:
    """Return the time in UTC, to the second, in the form of the profile."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def build_crate(campaign: Campaign, content: CrateContent, run: Run) -> dict[str, Any]:
    """Build the metadata document of the crate.

    The same arguments give the same document; it does not depend on clock, host, user or path.

    Returns
    -------
    dict
        JSON-LD, flattened.
    """
    from rocrate.rocrate import ROCrate

    crate = ROCrate(version="1.1")
    crate.metadata.extra_contexts.append(_TERMS)
    # The library sets the time of its own call; the crate has the end of the run.
    crate.datePublished = run.ended
    crate.name = campaign.title
    crate.description = campaign.about or f"Loudspeaker measurements of {len(campaign.devices)} devices"
    crate.license = add_licence(crate, campaign.licence)
    for id_, (name, version) in _PROFILES.items():
        add_entity(crate, id_, "CreativeWork", name=name, version=version)
    crate.root_dataset["conformsTo"] = [{"@id": id_} for id_ in _PROFILES]
    authors = add_authors(crate, campaign)
    parameters = add_parameters(crate, campaign)
    outputs = _add_slots(crate, content)
    software = add_software(crate, content.software)
    workflow = add_workflow(crate, content, inputs=[*_INPUT_SLOTS, *parameters], outputs=outputs)
    for device, setup in content.setups.items():
        add_device(crate, device, campaign, setup)
    for file in content.inputs:
        add_entity(crate, external_id(file.path), "File", **file_properties(file))
    for file in content.outputs:
        crate.add_file(dest_path=file.path, properties=file_properties(file))
    action = add_entity(
        crate,
        RUN_ID,
        "CreateAction",
        name=f"Run of the campaign “{campaign.title}”",
        description=_run_description(content, run),
        instrument=[{"@id": workflow.id}, {"@id": software}],
        object=[{"@id": external_id(file.path)} for file in content.inputs]
        + [{"@id": f"#value-{name}"} for name in parameters],
        result=[{"@id": quote(file.path)} for file in content.outputs],
        endTime=run.ended,
        actionStatus=f"http://schema.org/{'Failed' if run.failed else 'Completed'}ActionStatus",
    )
    if run.started:
        action["startTime"] = run.started
    if run.failed:
        action["error"] = "\n".join(f"{device}: {reason}" for device, reason in run.failed.items())
    if authors:
        crate.root_dataset["author"] = workflow["author"] = action["agent"] = authors
    crate.root_dataset["mentions"] = [action]
    document = crate.metadata.generate()
    graph = [{key: _compact(value) for key, value in entity.items()} for entity in document["@graph"]]
    return {"@context": document["@context"], "@graph": graph}


def _add_slots(crate: ROCrate, content: CrateContent) -> list[str]:
    """Add the inputs and outputs of the workflow as formal parameters, and return the names of the outputs."""
    used = {file.slot for file in content.outputs}
    outputs = _RESOLVED_SLOT | {
        step.name: f"Output of stage {step.name}: {step.title}" for step in content.steps if step.name in used
    }
    for slot, description in (*_INPUT_SLOTS.items(), *outputs.items()):
        multiple = "False" if slot in ("campaign", "resolved") else "True"
        add_entity(
            crate,
            f"#slot-{slot}",
            "FormalParameter",
            name=slot,
            additionalType="File",
            description=description,
            multipleValues=multiple,
        )
    return list(outputs)


def _compact(value: Any) -> Any:
    """Return the item of a list with a single item: a recommendation of RO-Crate 1.1 (appendix on JSON-LD)."""
    return value[0] if isinstance(value, list) and len(value) == 1 else value


def _run_description(content: CrateContent, run: Run) -> str:
    left_out = f"; left out: {', '.join(run.failed)}" if run.failed else ""
    return (
        f"Curve sets, figures and the page of {len(content.setups)} devices from {len(content.inputs)} files"
        f"{left_out}. Outputs that were already current were kept."
    )
