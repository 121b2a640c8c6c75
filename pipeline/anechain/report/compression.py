"""Compression and usable limits of a device on the page: notes, gaps, and the caption of their comparison."""

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
    "limits_caption",
    "read_compression",
]

_GAP_TITLES = {
    "drift": "Drift between first and last take",
    "usable": "Usable limits",
    "listening_level": "Level at the listening position",
    "wanted_level": "Lowest usable frequency at the wanted level",
}


def read_compression(plan: Plan, device: str) -> xr.Dataset | None:
    """Read the compression of a device; None if it has none."""
    outputs = entry_of(plan, "compression", device)["outputs"]
    path = plan.results / device / "compression.nc"
    return read_dataset(path) if path.relative_to(plan.results).as_posix() in outputs else None


def compression_gaps(plan: Plan, device: str, compression: xr.Dataset | None) -> list[tuple[str, str]]:
    """Return the titles of results that could not be computed, and the reasons."""
    if compression is None:
        outputs = entry_of(plan, "ingest", device)["outputs"]
        data = {
            name: read_dataset(plan.results / device / f"{name}.nc")
            for name in ("harmonics", "takes")
            if f"{device}/{name}.nc" in outputs
        }
        return [("Compression and usable limits", compression_gap(data))]
    gaps: dict[str, str] = json.loads(str(compression.attrs["gaps"]))
    return [(_GAP_TITLES.get(name, name), reason) for name, reason in gaps.items()]


def compression_notes(compression: xr.Dataset | None) -> list[str]:
    """Return lines on the compression, the limits that it exceeds, the conditions, and the order of the takes."""
    from anechain.figures.compression_text import exceedance_texts

    if compression is None:
        return []
    notes = [f"compression: {line}" for line in str(compression.attrs["notes"]).splitlines()]
    notes += [f"compression: at {line}" for line in exceedance_texts(compression)]
    notes += [f"usable limits: {line}" for line in str(compression.attrs["conditions"]).splitlines()]
    return notes + _take_notes(json.loads(str(compression.attrs["takes"])))


def _take_notes(takes: Mapping[str, Any]) -> list[str]:
    """Return lines on the measuring order and the changes between takes; none if it is not known."""
    if not takes:
        return []
    drives, intervals = takes["drives"], takes["pauses"]
    notes = [f"takes: drives in measuring order {', '.join(f'{drive:.3g}' for drive in drives)} V ({takes['order']})"]
    if intervals:
        notes.append(f"takes: time from start to start {', '.join(f'{interval:g}' for interval in intervals)} s")
    drift = takes["drift"]
    if drift["rms_db"] is not None:
        notes.append(
            f"takes: the last take repeats the first drive; its level differs by {drift['rms_db']:.2f} dB r.m.s. "
            f"(mean {drift['mean_db']:+.2f} dB): {drift['verdict']} the limit of {drift['limit_db']:g} dB"
        )
    for name, title in (
        ("long_term", "change of level of takes that follow each other (last minus first)"),
        ("recovery", "change of level after louder takes (after minus before)"),
    ):
        for change in takes[name]:
            if change["mean_db"] is None:
                continue
            time = "times not known" if change["seconds"] is None else f"{change['seconds']:g} s"
            notes.append(
                f"takes: {title} at {change['drive_v']:.3g} V: {change['mean_db']:+.2f} dB (takes {change['first']} "
                f"and {change['last']}, {time})"
            )
    return notes


def limits_caption(plan: Plan, devices: Sequence[str]) -> str | None:
    """Return the caption of the comparison of usable limits; None if fewer than two devices can be compared."""
    compressions = {device: read_compression(plan, device) for device in devices}
    data = {device: compression for device, compression in compressions.items() if compression is not None}
    comparable = comparable_limits(data, {device: plan.campaign.devices[device].title for device in devices})
    if len(comparable.devices) < 2:
        return None
    left_out = [f"Not compared: {line}." for line in comparable.left_out]
    caption = "Highest level and lowest usable frequency of all devices under the same conditions."
    return " ".join([caption, *comparable.notes, *left_out, LEVEL_CAUTION])
