"""Distortion of a device on the page: its notes, its gaps, and why it is missing from the comparison."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from anechain.data.store import read_dataset
from anechain.figure_of_merit.fundamentals import NO_HARMONICS
from anechain.running.plan import Plan

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["comparison_gaps", "distortion_gaps", "distortion_notes"]


def distortion_gaps(distortion: xr.Dataset | None) -> list[tuple[str, str]]:
    """Return the titles of missing results and the reasons; `distortion` is None if it was not measured."""
    if distortion is None:
        return [("Distortion", NO_HARMONICS)]
    gaps: dict[str, str] = json.loads(str(distortion.attrs["gaps"]))
    return [(f"Distortion at {level} dB", reason) for level, reason in gaps.items()]


def comparison_gaps(plan: Plan, device: str, distortion: xr.Dataset | None) -> list[tuple[str, str]]:
    """Return the levels at which the device is missing from the comparison of distortion, and the reasons.

    Without the levels that :func:`distortion_gaps` already lists.
    """
    path = plan.results / "comparison-distortion.nc"
    if distortion is None or not path.is_file():
        return []
    listed = json.loads(str(distortion.attrs["gaps"]))
    refused: dict[str, dict[str, str]] = json.loads(str(read_dataset(path).attrs["refused"]))
    return [
        (f"Comparison of the distortion at {level} dB", reasons[device])
        for level, reasons in refused.items()
        if device in reasons and level not in listed
    ]


def distortion_notes(distortion: xr.Dataset | None) -> list[str]:
    """Return a line for each note on the distortion, and for each peak of a harmonic with its possible causes."""
    if distortion is None:
        return []
    notes = [f"distortion: {line}" for line in str(distortion.attrs["notes"]).splitlines()]
    return notes + [
        f"distortion at {peak['level']:g} dB: order {peak['order']} has a peak of {peak['height_db']:.1f} dB at "
        f"{peak['excitation_hz']:g} Hz (radiated at {peak['heard_hz']:g} Hz) that the fundamental does not have; "
        f"possible causes, not verified: {'; '.join(peak['possible_causes'])}"
        for peak in json.loads(str(distortion.attrs["peaks"]))
    ]
