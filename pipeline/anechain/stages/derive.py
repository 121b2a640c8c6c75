"""Stage derive: the validated responses of a device to its curve set."""

from __future__ import annotations

from typing import Any

from anechain.data import contract
from anechain.data.store import is_current, read_dataset, write_artefact, write_dataset
from anechain.figure_of_merit.curve_dataset import USES, curve_dataset
from anechain.figure_of_merit.curve_table import curve_table
from anechain.methods import versions
from anechain.receipts.receipt import make_receipt
from anechain.running.plan import Plan
from anechain.stages.batch import Outcome, inputs_of

__all__ = ["USES", "VERSION", "curve_dataset", "parameters", "run"]

VERSION = 4


def parameters(plan: Plan) -> dict[str, Any]:
    """Return everything in the campaign that the curve sets depend on."""
    own = {name: plan.uncertainty(name) for name, device in plan.campaign.devices.items() if device.uncertainty}
    return {
        **plan.campaign.derivation.model_dump(mode="json"),
        "uncertainty": plan.campaign.uncertainty.model_dump(mode="json", exclude_none=True),
        "uncertainty_of": own,
    }


def run(plan: Plan, device: str) -> Outcome:
    """Derive the curve set of a device: results/<device>/curves.nc and curves.csv."""
    imported = inputs_of(plan, device, "ingest")
    inputs = {name: imported[name] for name in imported if name in ("responses.nc", "sphere.nc")}
    settings = {
        **plan.campaign.derivation.model_dump(mode="json"),
        "uncertainty": plan.uncertainty(device),
        "methods": versions(USES),
        "contract": contract.load("curves").name,
    }
    receipt = make_receipt("derive", VERSION, settings, inputs.values())
    folder = plan.results / device
    outputs = (folder / "curves.nc", folder / "curves.csv")
    if all(is_current(path, receipt["stamp"]) for path in outputs):
        return Outcome(receipt["stamp"], outputs, made=False)
    sphere = read_dataset(folder / "sphere.nc") if "sphere.nc" in inputs else None
    curves = curve_dataset(read_dataset(folder / "responses.nc"), sphere, settings)
    contract.validate(curves, "curves", device)
    write_dataset(outputs[0], curves, receipt)
    write_artefact(outputs[1], curve_table(curves), receipt)
    return Outcome(receipt["stamp"], outputs, made=True)
