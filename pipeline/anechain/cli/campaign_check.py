"""Check a campaign before it is run: all settings, and all raw data as the import reads them; nothing is written."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from anechain.data.checks import BAD, DOUBTFUL, line_of
from anechain.methods import use_method_versions
from anechain.running.plan import Plan
from anechain.stages.batch import problems_of
from anechain.stages.ingest import Imported, imported

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Checked", "check", "greatest_drive", "told"]


@dataclass(frozen=True)
class Checked:
    """What the check of one device found.

    Attributes
    ----------
    device : str
        Its id.
    imported : Imported or None
        Its validated datasets; None if there are problems.
    problems : tuple of str
        Everything that is wrong, each with its mend.
    """

    device: str
    imported: Imported | None
    problems: tuple[str, ...]


def check(plan: Plan) -> Iterator[Checked]:
    """Import each device as a run does, one after the other, and keep nothing."""
    for device in plan.campaign.devices:
        try:
            with use_method_versions(plan.campaign.method_versions):
                yield Checked(device, imported(plan, device), ())
        except Exception as error:
            yield Checked(device, None, tuple(problems_of(error, device)))


def told(checked: Checked, verbose: bool = False) -> list[str]:
    """Say in a line what a device's raw files hold, or that they were refused; and what else there is to say.

    That is the checks that found something doubtful or bad, or the whole import report if asked for.
    """
    found = checked.imported
    if found is None:
        number = len(checked.problems)
        return [f"{checked.device}: refused, {number} problem{'s' * (number > 1)}"]
    parts = []
    for source in found.sources:
        files = f"{len(source.paths)} file{'s' * (len(source.paths) > 1)} by {source.importer.name}"
        parts.append(f"{source.name} from {files} ({_held(found.datasets[source.name])})")
    named = {source.name for source in found.sources}
    parts += [f"{name} too ({_held(data)})" for name, data in found.datasets.items() if name not in named]
    lines = [f"{checked.device}: {'; '.join(parts)}"]
    if not verbose:  # the import report has them all
        lines += [f"    {line_of(check)}" for check in found.checks if check.verdict in (DOUBTFUL, BAD)]
    else:
        for name, data in found.datasets.items():
            said = str(data.attrs["import_report"]).splitlines()
            # What is read with the responses has their report.
            if name in named:
                lines += [f"    {name}: {line}" for line in said] or [f"    {name}: nothing to report"]
    return lines


def greatest_drive(checked: Checked) -> float:
    """The greatest drive in volts that a device's datasets hold or state; 0 if none does."""
    if checked.imported is None:
        return 0.0
    drives = [0.0]
    for data in checked.imported.datasets.values():
        drives += [float(data.attrs[name]) for name in ("drive", "measured_drive") if name in data.attrs]
        if "drive" in data.coords:
            drives.append(float(np.max(data["drive"].values)))
    return max(drives)


def _held(data: xr.Dataset) -> str:
    """What one dataset covers."""
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
