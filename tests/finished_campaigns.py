"""Campaigns run to the end within this process: the stages themselves, without the workflow around them."""

from pathlib import Path

from anechain.registry.stages import CAMPAIGN_STAGES, DEVICE_STAGES
from anechain.running.plan import Plan
from anechain.running.prepare import prepare
from anechain.stages.batch import run_batch, run_whole
from campaigns import campaign


def run_all(file: Path, **consents) -> Plan:
    """Every stage of a campaign, in order."""
    plan = prepare(file, **consents)
    for stage in DEVICE_STAGES:
        for batch in plan.batches:
            run_batch(plan, stage, batch)
    for stage in CAMPAIGN_STAGES:
        run_whole(plan, stage)
    return plan


PEOPLE = (
    "about: A trial with two sources\nlicence: CC-BY-4.0\n"
    "people: [{name: The hall workshop, role: measured, orcid: 0000-0002-1825-0097}, {name: The reading circle}]\n"
)


def finished(folder: Path, extra: str = PEOPLE, **options) -> Plan:
    """Two devices, run to the end."""
    return run_all(campaign(folder, extra=extra, **options))
