"""Figure that compares the distortion of several devices at a level."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.cautions import LEVEL_CAUTION
from anechain.errors import InputError
from anechain.figures import style

if TYPE_CHECKING:
    import xarray as xr
from anechain.figures.distortion_limits import drawn_as_limit, limit_notes, row_of_level
from anechain.figures.distortion_panels import DistortionCurve, percent_panel, stack_distortion_panels

__all__ = ["distortion_comparison_figure"]


def distortion_comparison_figure(comparison: xr.Dataset, level: float) -> dict[str, Any]:
    """Return the figure of the total harmonic distortion of several devices at a level.

    Parameters
    ----------
    comparison : xarray.Dataset
        After the contract `distortion-comparison`.
    level : float
        One of its levels, dB.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If there is no such level, or no device has a value at it.
    """
    from anechain.figures.comparison import device_look

    at = row_of_level(comparison["level"].values, level, "comparison of distortion")
    at_level = comparison.isel(level=at)
    frequency = np.asarray(at_level["frequency"].values, np.float64)
    percent = np.asarray(at_level["percent"].values)
    limit = drawn_as_limit(
        percent, np.asarray(at_level["percent_least"].values), np.asarray(at_level["limit"].values) == 1
    )
    lines = tuple(
        DistortionCurve(f"sum_{row}", str(title), percent[row], limit[row], *device_look(row))
        for row, title in enumerate(at_level["title"].values)
        if np.isfinite(percent[row]).any()
    )
    if not lines:
        raise InputError.single("comparison of distortion", f"{level:g} dB: no device has a value")
    titles = dict(zip(map(str, at_level["device"].values), map(str, at_level["title"].values), strict=True))
    refused: dict[str, str] = json.loads(str(comparison.attrs["refused"])).get(f"{level:g}", {})
    low, high = (style.format_frequency(float(comparison.attrs[name])) for name in ("band_low", "band_high"))
    return stack_distortion_panels(
        frequency,
        [percent_panel(frequency, lines, "THD re fundamental in per cent")],
        f"Distortion at {level:g} dB",
        [f"{len(lines)} devices; mean of the fundamental {low} to {high}, at 1 m"],
        [
            *limit_notes((), lines),
            *json.loads(str(comparison.attrs["notes"])).get(f"{level:g}", []),
            *(f"Not compared: {titles[device]}, since {reason}." for device, reason in refused.items()),
            LEVEL_CAUTION,
        ],
        style.FREQUENCY_RANGE,
    )
