"""Part of stage report: compression and usable limits of a device in words, and their comparison."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from anechain.cautions import LEVEL_CAUTION
from anechain.data.store import read_dataset
from anechain.figure_of_merit.comparable_limits import comparable_limits
from anechain.figure_of_merit.fundamentals import compression_gap
from anechain.running.manifests import entry_of
from anechain.running.plan import Plan

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "compression_gaps",
    "compression_notes",
    "compression_of",
    "limits_caption",
]

_GAPS = {
    "drift": "Drift between first and last take",
    "usable": "Usable limits",
    "listening_level": "Level at the listening place",
    "wanted_level": "Lowest usable frequency at the wanted level",
}


def compression_of(plan: Plan, device: str) -> xr.Dataset | None:
    """Compression of a device, if it could be had."""
    named = entry_of(plan, "compression", device)["outputs"]
    path = plan.results / device / "compression.nc"
    return read_dataset(path) if path.relative_to(plan.results).as_posix() in named else None


def compression_gaps(plan: Plan, device: str, compression: xr.Dataset | None) -> list[tuple[str, str]]:
    """What could not be had, and why."""
    if compression is None:
        named = entry_of(plan, "ingest", device)["outputs"]
        data = {
            name: read_dataset(plan.results / device / f"{name}.nc")
            for name in ("harmonics", "takes")
            if f"{device}/{name}.nc" in named
        }
        return [("Compression and usable limits", compression_gap(data))]
    gaps: dict[str, str] = json.loads(str(compression.attrs["gaps"]))
    return [(_GAPS.get(name, name), reason) for name, reason in gaps.items()]


def compression_notes(compression: xr.Dataset | None) -> list[str]:
    """Lines on how the compression was read, where limits are passed, and what the takes in their order tell."""
    from anechain.figures.compression_text import exceedance_texts

    if compression is None:
        return []
    said = [f"compression: {line}" for line in str(compression.attrs["notes"]).splitlines()]
    said += [f"compression: at {line}" for line in exceedance_texts(compression)]
    said += [f"usable limits: {line}" for line in str(compression.attrs["conditions"]).splitlines()]
    return said + _of_takes(json.loads(str(compression.attrs["takes"])))


def _of_takes(told: Mapping[str, Any]) -> list[str]:
    if not told:
        return []
    drives, pauses = told["drives"], told["pauses"]
    said = [f"takes: drives in measuring order {', '.join(f'{drive:.3g}' for drive in drives)} V ({told['order']})"]
    if pauses:
        said.append(f"takes: from start to start {', '.join(f'{pause:g}' for pause in pauses)} s")
    drift = told["drift"]
    if drift["rms_db"] is not None:
        said.append(
            f"takes: the first level, repeated last, differs by {drift['rms_db']:.2f} dB r.m.s. (mean "
            f"{drift['mean_db']:+.2f} dB): {drift['verdict']} the limit of {drift['limit_db']:g} dB"
        )
    for name, words in (("long_term", "last less first take at"), ("recovery", "after louder takes, less before, at")):
        for one in told[name]:
            if one["mean_db"] is None:
                continue
            when = "not timed" if one["seconds"] is None else f"{one['seconds']:g} s"
            said.append(
                f"takes: {words} {one['drive_v']:.3g} V: {one['mean_db']:+.2f} dB (takes {one['first']} and "
                f"{one['last']}, {when})"
            )
    return said


def limits_caption(plan: Plan, devices: Sequence[str]) -> str | None:
    """Caption of the comparison of usable limits; None where fewer than two devices can be compared."""
    found_by = {device: compression_of(plan, device) for device in devices}
    data = {device: one for device, one in found_by.items() if one is not None}
    found = comparable_limits(data, {device: plan.campaign.devices[device].title for device in devices})
    if len(found.devices) < 2:
        return None
    left = [f"Not compared: {line}." for line in found.left_out]
    return " ".join(["How loud against how low, all devices on the same terms.", *found.notes, *left, LEVEL_CAUTION])
