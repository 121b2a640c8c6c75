"""Frozen inputs of the bundled importers: the samples of their conformance tests."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from frozen_inputs.stages import plain

__all__ = ["reference_calls_of_importers"]

_NAMES = ("arrays", "capture", "columns", "delimited", "sofa", "spherical", "tables", "uff")
_DATASETS = ("responses", "sphere", "harmonics", "impedance", "multitone", "takes", "axis")


def _readings(name: str) -> Any:
    import test_conformance
    from anechain.conformance.calls import read_case
    from anechain.conformance.cases import Case
    from anechain.importing.importers import find_importers

    importer = find_importers()[0][name]
    tests = getattr(test_conformance, f"Test{name.capitalize()}")()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        readings = []
        for number, sample in enumerate(tests.samples(folder)):
            case = Case(number, folder, tuple(sample.files), sample)
            reading: Any = read_case(importer, case)
            datasets = {each: plain(data) for each in _DATASETS if (data := getattr(reading, each)) is not None}
            checks = {check.id: [check.verdict, len(check.values)] for check in reading.checks}
            readings.append({"datasets": datasets, "checks": checks})
        return readings


def reference_calls_of_importers() -> dict[str, Callable[[], Any]]:
    """Return a call for each bundled importer."""

    def call(name: str) -> Callable[[], Any]:
        return lambda: _readings(name)

    return {f"importer {name}": call(name) for name in _NAMES}
