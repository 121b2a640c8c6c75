"""Stage distortion: the harmonics of a device to its harmonic distortion at stated levels."""

from __future__ import annotations

from typing import Any

from anechain.data import contract
from anechain.data.store import is_current, read_dataset, write_dataset
from anechain.figure_of_merit.distortion_dataset import USES, distortion_dataset
from anechain.methods import versions
from anechain.receipts.receipt import make_receipt
from anechain.running.plan import Plan
from anechain.stages.batch import Outcome, inputs_of

__all__ = ["USES", "VERSION", "distortion_dataset", "parameters", "run"]

VERSION = 3


def parameters(plan: Plan) -> dict[str, Any]:
    """Return everything in the campaign that the distortion depends on."""
    return plan.campaign.distortion.model_dump(mode="json")


def run(plan: Plan, device: str) -> Outcome:
    """Derive the distortion of a device, if it has harmonics: results/<device>/distortion.nc."""
    imported = inputs_of(plan, device, "ingest")
    inputs = [imported["harmonics.nc"]] if "harmonics.nc" in imported else []
    settings = parameters(plan) | {"methods": versions(USES), "contract": contract.load("distortion").name}
    receipt = make_receipt("distortion", VERSION, settings, inputs)
    target = plan.results / device / "distortion.nc"
    if not inputs:
        # An earlier run may have had harmonics.
        target.unlink(missing_ok=True)
        return Outcome(receipt["stamp"], (), made=False)
    if is_current(target, receipt["stamp"]):
        return Outcome(receipt["stamp"], (target,), made=False)
    distortion = distortion_dataset(read_dataset(target.with_name("harmonics.nc")), settings)
    contract.validate(distortion, "distortion", device)
    write_dataset(target, distortion, receipt)
    return Outcome(receipt["stamp"], (target,), made=True)
