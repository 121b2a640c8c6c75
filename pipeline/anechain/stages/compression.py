"""Stage compression: fundamentals at several drives to compression, and to how loud and how low a device is usable."""

from __future__ import annotations

from typing import Any

from anechain.data import contract
from anechain.data.store import is_current, read_dataset, write_dataset
from anechain.figure_of_merit.compression_dataset import USES, compression_dataset
from anechain.figure_of_merit.fundamentals import compression_gap
from anechain.methods import versions
from anechain.receipts.receipt import make_receipt
from anechain.running.plan import Plan
from anechain.stages.batch import Outcome, inputs_of

__all__ = ["USES", "VERSION", "compression_dataset", "parameters", "run"]

VERSION = 3


def parameters(plan: Plan) -> dict[str, Any]:
    """Return everything in the campaign that compression and usable limits depend on."""
    return {
        "compression": plan.campaign.compression.model_dump(mode="json"),
        "usable_limits": plan.campaign.usable_limits.model_dump(mode="json"),
        "distortion": plan.campaign.distortion.model_dump(mode="json", include={"false_alarm_rate", "orders"}),
    }


def run(plan: Plan, device: str) -> Outcome:
    """Compute compression and usable limits of a device, if it has two drives: results/<device>/compression.nc."""
    imported = inputs_of(plan, device, "ingest")
    inputs = {name: imported[f"{name}.nc"] for name in ("harmonics", "takes") if f"{name}.nc" in imported}
    settings = parameters(plan) | {"methods": versions(USES), "contract": contract.load("compression").name}
    receipt = make_receipt("compression", VERSION, settings, inputs.values())
    target = plan.results / device / "compression.nc"
    if inputs and is_current(target, receipt["stamp"]):
        return Outcome(receipt["stamp"], (target,), made=False)
    data = {name: read_dataset(plan.results / device / f"{name}.nc") for name in inputs}
    if compression_gap(data):
        # An earlier run may have had two drives.
        target.unlink(missing_ok=True)
        return Outcome(receipt["stamp"], (), made=False)
    compression = compression_dataset(data, settings)
    contract.validate(compression, "compression", device)
    write_dataset(target, compression, receipt)
    return Outcome(receipt["stamp"], (target,), made=True)
