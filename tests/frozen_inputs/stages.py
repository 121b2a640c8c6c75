"""Frozen inputs of whole stages: datasets of a device, made apart from the code that the stages run."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

__all__ = ["reference_calls_of_stages"]

_DIGITS = 6
"""A stage passes its numbers through fits and searches, which enlarge what processors differ by."""


def plain(dataset: xr.Dataset) -> dict[str, Any]:
    """Variables, coordinates and attributes of a dataset, without prose and without versions of software."""
    values = {str(name): _rounded(variable.values) for name, variable in dataset.variables.items()}
    prose = ("import_report", "importer_version", "notes", "gaps")
    attributes = {str(name): value for name, value in dataset.attrs.items() if name not in prose}
    return {"values": values, "attributes": attributes}


def _rounded(values: Any) -> Any:
    if values.dtype.kind != "f":
        return values.tolist()
    return [float(f"{value:.{_DIGITS}g}") for value in values.ravel()]


@cache
def _responses() -> xr.Dataset:
    from flawed_orbits import orbits

    data = orbits()
    data.attrs |= {
        "device": "willow",
        "title": "Willow",
        "drive": 2.83,
        "measured_drive": 2.83,
        "importer": "x",
        "importer_version": "1",
        "import_report": "",
        "valid_low": 150.0,
        "valid_high": 14000.0,
    }
    return data


@cache
def _curves() -> xr.Dataset:
    from anechain.campaign.derivation import Derivation
    from anechain.figure_of_merit.curve_dataset import curve_dataset
    from anechain.methods import versions
    from anechain.stages.derive import USES

    settings = Derivation().model_dump(mode="json") | {"uncertainty": {}, "methods": versions(USES)}
    return curve_dataset(_responses(), None, settings)


@cache
def _distortion() -> xr.Dataset:
    import nonlinear_speaker
    from anechain.campaign.distortion import DistortionOptions
    from anechain.figure_of_merit.distortion_dataset import distortion_dataset
    from anechain.methods import versions
    from anechain.stages.distortion import USES

    options = DistortionOptions(levels=(84.0, 90.0)).model_dump(mode="json") | {"methods": versions(USES)}
    return distortion_dataset(nonlinear_speaker.harmonics(), options)


@cache
def _compression() -> xr.Dataset:
    import nonlinear_speaker
    from anechain.campaign.compression import CompressionOptions
    from anechain.campaign.usable_limits import UsableLimits
    from anechain.figure_of_merit.compression_dataset import compression_dataset

    data = {"harmonics": nonlinear_speaker.harmonics(), "takes": nonlinear_speaker.takes(pause=600.0)}
    options = {
        "compression": CompressionOptions(smoothing=None).model_dump(mode="json"),
        "usable_limits": UsableLimits().model_dump(mode="json"),
        "distortion": {"false_alarm_rate": 0.001, "orders": 9},
    }
    return compression_dataset(data, options)


def _numbers() -> Any:
    import nonlinear_speaker
    from anechain.campaign.derivation import Derivation
    from anechain.campaign.numbers import DeviceNumbers, Numbers
    from anechain.stages.numbers import numbered

    datasets = {
        "responses": _responses(),
        "curves": _curves(),
        "harmonics": nonlinear_speaker.harmonics(),
        "distortion": _distortion(),
        "compression": _compression(),
    }
    options = Numbers.model_validate({"uncertainty": {"draws": 20}})
    stated = {"calibration": {"value": 0.2, "kind": "standard", "source": "frozen"}}
    result = numbered(options, DeviceNumbers(), datasets, Derivation(), None, stated)
    return {
        number.id: [
            number.value if not isinstance(number.value, float) else float(f"{number.value:.{_DIGITS}g}"),
            number.unit,
            number.bound,
            None if number.uncertainty is None else float(f"{number.uncertainty:.4g}"),
            None if number.interval is None else [float(f"{end:.4g}") for end in number.interval],
        ]
        for number in result.numbers
    }


def _comparison() -> Any:
    from anechain.figure_of_merit.comparison_dataset import comparison_dataset

    other = _curves().copy(deep=True).assign_attrs(title="Elm", device="elm")
    other["level"] = other["level"] + 2.0 * np.sin(np.log(other["frequency"]))
    return plain(comparison_dataset({"willow": _curves(), "elm": other}))


def _distortion_comparison() -> Any:
    from anechain.figure_of_merit.distortion_comparison import distortion_comparison

    other = _distortion().copy(deep=True).assign_attrs(title="Elm", device="elm")
    return plain(distortion_comparison({"willow": _distortion(), "elm": other}, {"willow": "Willow", "elm": "Elm"}))


def _ingested() -> Any:
    from anechain.campaign.file import Setup
    from anechain.data.checks import Check, check_to_json
    from anechain.importing.importers import find_importers
    from anechain.importing.options import parse_options
    from anechain.importing.source_datasets import Source, read_sources
    from delimited_files import write_orbits

    frequency = np.round(np.geomspace(50, 16000, 60), 2)
    importer = find_importers()[0]["delimited"]
    checks: list[Check] = []
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        paths = write_orbits(folder, frequency, angles=(-60, -30, 0, 30, 60))
        options = parse_options(importer, {"pattern": "oak {plane} {angle}.txt"}, "frozen", "", folder)
        setup = Setup(level_kind="spl", distance=2.0, drive=4.0, valid_band=(100.0, 12000.0))
        datasets = read_sources([Source("responses", paths, importer, options, None)], setup, "oak", "Oak", checks)
    verdicts = {check.id: [check.verdict, check_to_json(check)["values"]] for check in checks}
    return {"datasets": {name: plain(data) for name, data in datasets.items()}, "checks": verdicts}


def reference_calls_of_stages() -> dict[str, Callable[[], Any]]:
    """Return a call for each stage whose code is locked."""
    return {
        "stage ingest": _ingested,
        "stage derive": lambda: plain(_curves()),
        "stage distortion": lambda: plain(_distortion()),
        "stage compression": lambda: plain(_compression()),
        "stage numbers": _numbers,
        "stage compare": _comparison,
        "stage compare_distortion": _distortion_comparison,
    }
