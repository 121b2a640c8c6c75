"""Part of stage report: distortion of a device in words, and why it is not compared."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from anechain.data.store import read_dataset
from anechain.figure_of_merit.fundamentals import NO_HARMONICS
from anechain.running.plan import Plan

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["distortion_gaps", "not_compared", "said_of_distortion"]


def distortion_gaps(distortion: xr.Dataset | None) -> list[tuple[str, str]]:
    """What could not be had, and why."""
    if distortion is None:
        return [("Distortion", NO_HARMONICS)]
    gaps: dict[str, str] = json.loads(str(distortion.attrs["gaps"]))
    return [(f"Distortion at {level} dB", reason) for level, reason in gaps.items()]


def not_compared(plan: Plan, device: str, distortion: xr.Dataset | None) -> list[tuple[str, str]]:
    """Why a device's distortion is not beside that of others, where its own gaps do not say it."""
    path = plan.results / "comparison-distortion.nc"
    if distortion is None or not path.is_file():
        return []
    own = json.loads(str(distortion.attrs["gaps"]))
    refused: dict[str, dict[str, str]] = json.loads(str(read_dataset(path).attrs["refused"]))
    return [
        (f"Comparison of the distortion at {level} dB", why[device])
        for level, why in refused.items()
        if device in why and level not in own
    ]


def said_of_distortion(distortion: xr.Dataset | None) -> list[str]:
    """Lines on how the distortion was read, and on peaks of harmonics, whose causes are possibilities."""
    if distortion is None:
        return []
    said = [f"distortion: {line}" for line in str(distortion.attrs["notes"]).splitlines()]
    return said + [
        f"distortion at {peak['level']:g} dB: order {peak['order']} has a peak of {peak['height_db']:.1f} dB at "
        f"{peak['excitation_hz']:g} Hz (heard at {peak['heard_hz']:g} Hz) that the fundamental has not; possible "
        f"causes, none established: {'; '.join(peak['possible_causes'])}"
        for peak in json.loads(str(distortion.attrs["peaks"]))
    ]
