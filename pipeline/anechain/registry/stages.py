"""Stages: the steps from raw exports to the page, in the order in which they run."""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from types import ModuleType
from typing import Literal

__all__ = ["CAMPAIGN_STAGES", "DEVICE_STAGES", "STAGES", "Stage", "stage_module", "stage_versions", "stages_before"]


@dataclass(frozen=True)
class Stage:
    """One stage.

    Its module is ``anechain.stages.<name>`` and has

    - ``VERSION``, raised whenever the same inputs would give another output;
    - ``USES``, the ids of the methods that it uses;
    - ``parameters(plan)``, everything in the campaign that the output depends on (not for ``ingest``, whose parameters
      are those of each device, see :meth:`anechain.running.plan.Plan.ingest_parameters`);
    - ``run(plan, device)`` for a stage of a device, ``run(plan, devices, failed)`` for a stage of the campaign.

    Attributes
    ----------
    name : str
        Name of the stage, of its rule in the workflow and of its module.
    scope : {"device", "campaign"}
        Whether it runs for each device, in batches, or once for the campaign.
    after : tuple of str
        Stages whose manifests it waits for.
    """

    name: str
    scope: Literal["device", "campaign"]
    after: tuple[str, ...] = ()


STAGES = {
    stage.name: stage
    for stage in (
        Stage("ingest", "device"),
        Stage("derive", "device", ("ingest",)),
        Stage("distortion", "device", ("ingest", "derive")),
        Stage("compression", "device", ("ingest", "distortion")),
        Stage("numbers", "device", ("ingest", "derive", "distortion", "compression")),
        Stage("draw", "device", ("ingest", "derive", "distortion", "compression", "numbers")),
        # All stages of devices come first, so that a failed device does not stop the others.
        Stage("compare", "campaign", ("derive", "distortion", "compression", "numbers", "draw")),
        Stage("report", "campaign", ("compare", "draw")),
        Stage("crate", "campaign", ("report",)),
    )
}
"""All stages by name, in the order in which they run."""
DEVICE_STAGES = tuple(name for name, stage in STAGES.items() if stage.scope == "device")
"""Stages that run device by device, in batches."""
CAMPAIGN_STAGES = tuple(name for name, stage in STAGES.items() if stage.scope == "campaign")
"""Stages that run once for the campaign."""


def stages_before(name: str) -> tuple[str, ...]:
    """Return the stages of devices that run before a stage.

    Raises
    ------
    KeyError
        If there is no such stage.
    """
    if STAGES[name].scope == "campaign":
        return DEVICE_STAGES
    return DEVICE_STAGES[: DEVICE_STAGES.index(name)]


def stage_module(name: str) -> ModuleType:
    """Import the module of a stage.

    Raises
    ------
    KeyError
        If there is no such stage.
    """
    return importlib.import_module(f"anechain.stages.{STAGES[name].name}")


def stage_versions(name: str) -> dict[str, int]:
    """Return the versions of a stage and of every method that it uses."""
    from anechain.methods import versions

    module = stage_module(name)
    return {f"stage {name}": module.VERSION, **versions(module.USES)}
