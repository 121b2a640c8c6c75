"""Check the raw data of a campaign, as the import reads them, and write nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from anechain.data.checks import BAD, DOUBTFUL, report_line
from anechain.importing.worker import Worker
from anechain.methods import use_method_versions
from anechain.running.plan import Plan
from anechain.stages.batch import problems_of
from anechain.stages.ingest import Imported, import_device

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["CheckedDevice", "check_devices", "highest_drive", "report_lines"]


@dataclass(frozen=True)
class CheckedDevice:
    """Result of the check of a device.

    Attributes
    ----------
    device : str
        Id of the device.
    imported : Imported or None
        Its validated datasets; None if there are problems.
    problems : tuple of str
        Everything that is wrong, each with its fix.
    """

    device: str
    imported: Imported | None
    problems: tuple[str, ...]


def check_devices(plan: Plan) -> Iterator[CheckedDevice]:
    """Import each device as a run does, and write nothing."""
    limits = plan.campaign.importing
    with Worker(limits.longest_time, limits.most_memory) as worker:
        for device in plan.campaign.devices:
            try:
                yield CheckedDevice(device, worker.call(device, _import, plan, device), ())
            except Exception as error:
                yield CheckedDevice(device, None, tuple(problems_of(error, device)))


def _import(plan: Plan, device: str) -> Imported:
    with use_method_versions(plan.campaign.method_versions):
        return import_device(plan, device)


def report_lines(checked: CheckedDevice, verbose: bool = False) -> list[str]:
    """Return one line on a device's raw files, then its doubtful, bad and undecided checks, or the whole import report.

    Parameters
    ----------
    checked : CheckedDevice
        The device.
    verbose : bool
        Whether to return the whole import report.
    """
    imported = checked.imported
    if imported is None:
        number = len(checked.problems)
        return [f"{checked.device}: refused, {number} problem{'s' * (number > 1)}"]
    parts = []
    for source in imported.sources:
        files = f"{source.files} file{'s' * (source.files > 1)} by {source.importer}"
        parts.append(f"{source.name} from {files} ({_extent(imported.datasets[source.name])})")
    named = {source.name for source in imported.sources}
    parts += [f"also {name} ({_extent(data)})" for name, data in imported.datasets.items() if name not in named]
    lines = [f"{checked.device}: {'; '.join(parts)}"]
    if not verbose:
        lines += [
            f"    {report_line(check)}"
            for check in imported.checks
            if check.undecided or check.verdict in (DOUBTFUL, BAD)
        ]
    else:
        for name, data in imported.datasets.items():
            report = str(data.attrs["import_report"]).splitlines()
            # Datasets that come with another source share its report.
            if name in named:
                lines += [f"    {name}: {line}" for line in report] or [f"    {name}: nothing to report"]
    return lines


def highest_drive(checked: CheckedDevice) -> float:
    """Return the highest drive, V, in a device's datasets and their attributes; 0 if there is none."""
    if checked.imported is None:
        return 0.0
    drives = [0.0]
    for data in checked.imported.datasets.values():
        drives += [float(data.attrs[name]) for name in ("drive", "measured_drive") if name in data.attrs]
        if "drive" in data.coords:
            drives.append(float(np.max(data["drive"].values)))
    return max(drives)


def _extent(data: xr.Dataset) -> str:
    """Return directions, drives and frequencies of a dataset as text."""
    parts = []
    if "plane" in data.dims:
        for plane in data["plane"].values:
            angles = data["angle"].values[data["measured"].sel(plane=plane).values == 1]
            span = f"{angles[0]:g}° to {angles[-1]:g}°" if angles.size > 1 else "".join(f"{a:g}°" for a in angles)
            parts.append(f"{plane} {angles.size} angle{'s' * (angles.size != 1)} {span}".rstrip())
    if "direction" in data.dims:
        parts.append(f"{data.sizes['direction']} directions")
    if "order" in data.dims:
        parts.append(f"orders to {int(np.max(data['order'].values))}")
    if "drive" in data.dims:
        parts.append(f"drives {', '.join(f'{drive:g} V' for drive in data['drive'].values)}")
    frequency = data["frequency"].values
    parts.append(f"{_hertz(frequency[0])} to {_hertz(frequency[-1])}")
    if "level_kind" in data.attrs:
        parts.append(str(data.attrs["level_kind"]))
    return ", ".join(parts)


def _hertz(value: float) -> str:
    return f"{value / 1000:.4g} kHz" if value >= 1000 else f"{value:.4g} Hz"
