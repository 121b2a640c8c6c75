"""Time and memory of the stages distortion and compression per device, and by the number of levels.

Run it by itself; it is not part of the tests:

    python benchmarks/distortion.py [--points 480] [--drives 12] [--rounds 9]

Both stages process one dataset of harmonics in memory; the harmonics are those of a weakly nonlinear device.
"""

from __future__ import annotations

import argparse
import time
import tracemalloc
from collections.abc import Callable
from typing import Any

import numpy as np
import xarray as xr

from anechain.campaign.compression import CompressionOptions
from anechain.campaign.distortion import DistortionOptions
from anechain.campaign.usable_limits import UsableLimits
from anechain.data import contract
from anechain.figure_of_merit.compression_dataset import compression_dataset
from anechain.figure_of_merit.distortion_dataset import distortion_dataset
from anechain.methods import versions
from anechain.stages.compression import USES as COMPRESSION_USES
from anechain.stages.distortion import USES

LEVELS = (1, 2, 4, 8, 16)
DRIVES = (2, 4, 8, 16)


def harmonics(points: int, drives: int, orders: int = 9) -> xr.Dataset:
    """Return the harmonics of a device at several drives, 2 dB apart from 70 dB; each order is 12 dB below the last."""
    frequency = np.geomspace(20.0, 20000.0, points)
    number = np.arange(1, orders + 1)[:, np.newaxis]
    level = np.stack([70 + number * 2.0 * drive - 12.0 * (number - 1) + 0 * frequency for drive in range(drives)])
    level = level + 0.3 * np.random.default_rng(1).standard_normal(level.shape)
    level = np.where(number * frequency > 20000.0, np.nan, level)
    dims = ("drive", "order", "frequency")
    dataset = xr.Dataset(
        {"level": (dims, level), "noise": (dims, np.where(np.isnan(level), np.nan, 5.0))},
        coords={
            "drive": 0.3 * 10 ** (np.arange(drives) / 10),
            "order": np.arange(1, orders + 1),
            "frequency": frequency,
        },
        attrs={
            "device": "rowan",
            "title": "Rowan",
            "level_kind": "spl",
            "importer": "benchmark",
            "importer_version": "1",
            "import_report": "",
            "distance": 1.0,
        },
    )
    return contract.describe(dataset, "harmonics")


def measure(task: Callable[[], Any], rounds: int) -> tuple[float, float]:
    """Return the median seconds of a task, and its peak memory in megabytes."""
    task()
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        task()
        times.append(time.perf_counter() - start)
    tracemalloc.start()
    task()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return float(np.median(times)), peak / 1e6


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--points", type=int, default=480)
    parser.add_argument("--drives", type=int, default=12)
    parser.add_argument("--rounds", type=int, default=9)
    options = parser.parse_args()
    data = harmonics(options.points, options.drives)
    print(f"harmonics: {options.drives} drives, 9 orders, {options.points} frequencies ({data.nbytes / 1e6:.2f} MB)")
    method_versions = {"methods": versions(USES)}
    for count in LEVELS:
        levels = tuple(71.0 + 20.0 * row / max(count, 2) for row in range(count))
        choices = DistortionOptions(levels=levels).model_dump(mode="json") | method_versions
        seconds, peak = measure(lambda choices=choices: distortion_dataset(data, choices), options.rounds)
        result = distortion_dataset(data, choices)
        print(
            f"distortion, {count:2} levels: {1e3 * seconds:6.1f} ms, {1e3 * seconds / count:5.1f} ms per level; "
            f"{result.nbytes / 1e6:.2f} MB of result, {peak - result.nbytes / 1e6:.2f} MB peak besides it"
        )
    parameters = {
        "compression": CompressionOptions().model_dump(mode="json"),
        "usable_limits": UsableLimits().model_dump(mode="json"),
        "distortion": DistortionOptions().model_dump(mode="json"),
        "methods": versions(COMPRESSION_USES),
    }
    for count in DRIVES:
        data = harmonics(options.points, count)
        seconds, peak = measure(lambda data=data: compression_dataset({"harmonics": data}, parameters), options.rounds)
        result = compression_dataset({"harmonics": data}, parameters)
        print(
            f"compression, {count:2} drives: {1e3 * seconds:6.1f} ms, {1e3 * seconds / count:5.1f} ms per drive; "
            f"{result.nbytes / 1e6:.2f} MB of result, {peak - result.nbytes / 1e6:.2f} MB peak besides it"
        )


if __name__ == "__main__":
    main()
