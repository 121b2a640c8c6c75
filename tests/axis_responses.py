"""Responses of a device on both orbits, equal in all directions, with a complex response in closed form."""

import numpy as np
import xarray as xr

import physics
from anechain.campaign.derivation import Derivation
from anechain.campaign.numbers import DeviceNumbers, Numbers
from anechain.figure_of_merit.curve_dataset import curve_dataset
from anechain.figure_of_merit.metric_inputs import MetricInputs, gather
from anechain.methods import versions
from anechain.stages.derive import USES
from phase_systems import GRID, level_and_phase

UNSMOOTHED = Derivation(smoothing=None)


def responses(response, frequency=GRID, valid=(20.0, 20_000.0), with_phase=True) -> xr.Dataset:
    """84 dB where the response is 1."""
    angles = physics.orbit_angles()
    shape = (2, angles.size, frequency.size)
    level, phase = level_and_phase(response)
    dims = ("plane", "angle", "frequency")
    variables = {
        "level": (dims, np.broadcast_to(84 + level, shape).copy()),
        "measured": (dims[:2], np.ones(shape[:2], np.int8)),
    }
    if with_phase:
        variables["phase"] = (dims, np.broadcast_to(phase, shape).copy())
    attributes = {"device": "rowan", "title": "Rowan", "level_kind": "spl", "distance": 1.0, "drive": 2.83}
    return xr.Dataset(
        variables,
        coords={"plane": ["horizontal", "vertical"], "angle": angles, "frequency": frequency},
        attrs=attributes | {"valid_low": valid[0], "valid_high": valid[1], "import_report": ""},
    )


def inputs_of(measured: xr.Dataset, options: Numbers | None = None) -> MetricInputs:
    """What the numbers are computed from."""
    settings = UNSMOOTHED.model_dump(mode="json") | {"uncertainty": {}, "methods": versions(USES)}
    curves = curve_dataset(measured, None, settings)
    datasets = {"responses": measured, "curves": curves}
    return gather(options or Numbers(), DeviceNumbers(), datasets, UNSMOOTHED)
