"""The workflow of an RO-Crate: its files, its steps with their methods, and the software that ran it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anechain.report.crate_content import CrateContent, Step
from anechain.report.crate_entities import add_entity

if TYPE_CHECKING:
    from rocrate.rocrate import ROCrate

__all__ = ["add_software", "add_workflow"]


def add_software(crate: ROCrate, versions: Mapping[str, str]) -> str:
    """Add Anechain and the software that it needs, and return the identifier of Anechain."""
    required = []
    for name, version in versions.items():
        if name != "anechain":
            id_ = f"#software-{name}"
            required.append(add_entity(crate, id_, "SoftwareApplication", name=name, softwareVersion=version))
    software_id: str = add_entity(
        crate,
        "#software-anechain",
        "SoftwareApplication",
        name="Anechain",
        description="Loudspeaker measurements to comparable, auditable curve sets, figures and pages",
        softwareVersion=versions["anechain"],
        softwareRequirements=required,
    ).id
    return software_id


def add_workflow(crate: ROCrate, content: CrateContent, inputs: Iterable[str], outputs: Iterable[str]) -> Any:
    """Add the workflow with the names of its inputs and outputs, and return it."""
    snakefile, *rules = content.workflow
    workflow = crate.add_workflow(dest_path=snakefile, main=True, lang="snakemake")
    # Steps need the type HowTo of the Provenance Run Crate; the crate does not claim its profile, which needs an
    # action for every job.
    workflow._jsonld["@type"] = [*workflow.type, "HowTo"]
    workflow["name"] = "From raw exports to the page of a campaign"
    workflow["version"] = content.software["anechain"]
    workflow["encodingFormat"] = "text/plain"
    workflow["conformsTo"] = {"@id": "https://bioschemas.org/profiles/ComputationalWorkflow/1.0-RELEASE"}
    workflow["input"] = [{"@id": f"#slot-{slot}"} for slot in inputs]
    workflow["output"] = [{"@id": f"#slot-{slot}"} for slot in outputs]
    workflow["hasPart"] = [
        crate.add_file(dest_path=path, properties={"name": Path(path).name, "encodingFormat": "text/plain"})
        for path in rules
    ]
    workflow["step"] = [_add_step(crate, position, step) for position, step in enumerate(content.steps, 1)]
    return workflow


def _add_step(crate: ROCrate, position: int, step: Step) -> Any:
    methods = ", ".join(f"{id_} {version}" for id_, version in step.methods.items())
    return add_entity(
        crate,
        f"#step-{step.name}",
        "HowToStep",
        name=step.name,
        position=str(position),
        version=str(step.version),
        description=step.title + (f" Methods: {methods}." if methods else ""),
    )
