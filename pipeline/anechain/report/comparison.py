"""The comparison of curves on the page: captions, figures that are left out, and gaps of a device."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING

from anechain.acoustics.directivity.curve_titles import TITLES
from anechain.figure_of_merit.comparison_dataset import COMPARED

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["comparison_caption", "curves_left_out", "level_gaps"]


def comparison_caption(comparison: xr.Dataset, curve: str) -> str:
    """Return the caption of the figure of a curve: its name, and the notes of the comparison."""
    notes = [f"{line[:1].upper()}{line[1:]}." for line in str(comparison.attrs["notes"]).splitlines() if line.strip()]
    return " ".join([f"{TITLES[curve]} of all devices.", *notes])


def curves_left_out(comparison: xr.Dataset, drawn: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Return the titles of compared curves without a figure, each with the reasons of the devices."""
    gaps: dict[str, dict[str, str]] = json.loads(str(comparison.attrs["gaps"]))
    titles = dict(zip(map(str, comparison["device"].values), map(str, comparison["title"].values), strict=True))
    left_out = []
    for curve in COMPARED:
        if curve not in drawn:
            by_reason: dict[str, list[str]] = {}
            for device, title in titles.items():
                by_reason.setdefault(gaps[device][curve], []).append(title)
            reasons = "; ".join(f"{', '.join(names)}: {reason}" for reason, names in by_reason.items())
            left_out.append((TITLES[curve], reasons))
    return tuple(left_out)


def level_gaps(comparison: xr.Dataset, curves: xr.Dataset) -> list[tuple[str, str]]:
    """Return why a device has no levels in the comparison although it has curves; empty if it has.

    Parameters
    ----------
    comparison, curves : xarray.Dataset
        After the contracts `comparison` and `curves`.
    """
    if comparison.sizes["device"] < 2:
        return []
    known: dict[str, str] = json.loads(str(curves.attrs["gaps"]))
    gaps: dict[str, str] = json.loads(str(comparison.attrs["gaps"])).get(str(curves.attrs["device"]), {})
    reasons = dict.fromkeys(reason for curve, reason in gaps.items() if known.get(curve) != reason)
    return [("Comparison of levels", reason) for reason in reasons]
