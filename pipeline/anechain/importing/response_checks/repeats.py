"""Check of repeated takes: the standard deviation of their levels."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from anechain.arrays import Floats
from anechain.data.checks import Check, Series, check_not_possible, check_result

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["check_repeats"]

ONE_TAKE = "one take of each direction"


def check_repeats(responses: xr.Dataset) -> Check:
    """Return the check `repeats`: the median over frequency of the takes' standard deviation, for each direction."""
    if "level_std" not in responses:
        return check_not_possible("repeats", ONE_TAKE)
    ordered = responses.transpose("plane", "angle", "frequency", ...)
    frequency = np.asarray(ordered["frequency"].values, np.float64)
    low = float(responses.attrs.get("valid_low", 0.0))
    high = float(responses.attrs.get("valid_high", math.inf))
    inside = (frequency >= low) & (frequency <= high)
    deviation = np.asarray(ordered["level_std"].values, np.float64)[..., inside]
    has_takes = np.isfinite(deviation).any(axis=-1)
    if not has_takes.any():
        return check_not_possible("repeats", ONE_TAKE)
    values: list[tuple[str, float]] = []
    for plane, row in np.argwhere(has_takes):
        direction = f"{ordered['plane'].values[plane]} {float(ordered['angle'].values[row]):g}°"
        values.append((direction, float(np.nanmedian(deviation[plane, row]))))
    worst_direction, worst_value = max(values, key=lambda entry: entry[1])
    series = Series(
        "Frequency in Hz",
        "Standard deviation in dB",
        tuple(frequency[inside].tolist()),
        (("median of directions", tuple(_column_medians(deviation[has_takes]).tolist())),),
        log=True,
    )
    text = f"{len(values)} directions with several takes, largest at {worst_direction} ({worst_value:.2f} dB)"
    return check_result("repeats", text, values, series)


def _column_medians(values: Floats) -> Floats:
    """Return the median of each column without NaN; NaN where a column has no other value."""
    medians = np.full(values.shape[1], np.nan)
    has_value = np.isfinite(values).any(axis=0)
    medians[has_value] = np.nanmedian(values[:, has_value], axis=0)
    return medians
