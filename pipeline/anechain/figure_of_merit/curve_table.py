"""The table curves.csv of a curve set: levels and indices, each followed by its uncertainty."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from anechain.arrays import Floats
from anechain.data.tables import UNCERTAINTY_COLUMN, csv_bytes

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["curve_table"]


def curve_table(curves: xr.Dataset) -> bytes:
    """Return the table of a dataset `curves`; a combined standard uncertainty follows each curve that has one."""
    return csv_bytes(_columns(curves), comments=_comments(curves))


def _columns(curves: xr.Dataset) -> dict[str, Floats]:
    columns = {"frequency_Hz": np.asarray(curves["frequency"].values)}
    for variable, dimension, prefix in (("level", "curve", ""), ("directivity_index", "index", "index_")):
        parts = [f"{prefix}uncertainty_{part}" for part in ("common", "independent")]
        for name in curves[dimension].values:
            columns[f"{name}_dB"] = np.asarray(curves[variable].sel({dimension: name}).values)
            if all(part in curves for part in parts):
                common, independent = (np.asarray(curves[part].sel({dimension: name}).values) for part in parts)
                columns[f"{name}{UNCERTAINTY_COLUMN}"] = np.hypot(common, independent)
    return columns


def _comments(curves: xr.Dataset) -> list[str]:
    if "uncertainty_common" not in curves:
        return ["No uncertainty is stated in the campaign."]
    comments = [
        f"A column *{UNCERTAINTY_COLUMN} is the combined standard uncertainty (k = 1) of the column before it.",
        "curves.nc has its two parts: errors common to all directions and errors independent between directions.",
    ]
    if not (curves["uncertainty_common"].values > 0).any():
        comments.append(
            "Only independent errors are known: without calibration and distance a level's uncertainty is too small."
        )
    return comments
