"""The dataset `trends`: each curve with its fitted line, the reviewer's own line and its target, by frequency."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, get_args

import numpy as np

from anechain.acoustics.curve.frequencies import SAME_FREQUENCY, resample
from anechain.acoustics.curve.trends import deviation_from_target, trend_level
from anechain.campaign.model import CurveName
from anechain.figure_of_merit.metric_inputs import MetricInputs
from anechain.figure_of_merit.trend_lines import (
    fitted_curves,
    fitted_line,
    own_line,
    own_trends,
    requested_targets,
)

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["trend_dataset"]

_FIELDS = ("level", "line", "line_deviation", "own_line", "own_line_deviation", "target", "target_deviation")


def trend_dataset(inputs: MetricInputs) -> xr.Dataset | None:
    """Return the dataset `trends`: each curve with its lines and its target, and its deviations from them.

    Lines and deviations cover the band of the trends only, with both its ends. None if none of the curves exists.
    """
    import xarray as xr

    from anechain.data import contract

    fitted, own, targets = fitted_curves(inputs), own_trends(inputs), requested_targets(inputs)
    requested = {*fitted, *inputs.targets, *inputs.options.linearity.curves}
    curves = [name for name in get_args(CurveName) if name in requested and not inputs.missing_reason(name)]
    if not curves:
        return None
    low, high = band = inputs.options.trends.band
    ends = np.array(band)
    not_an_end = (np.abs(inputs.frequency[:, np.newaxis] / ends - 1) > SAME_FREQUENCY).all(axis=1)
    frequency = np.sort(np.concatenate([inputs.frequency[not_an_end], ends]))
    inside = (frequency >= low) & (frequency <= high)
    values = {field: np.full((len(curves), frequency.size), np.nan) for field in _FIELDS}
    shift = np.full(len(curves), np.nan)
    for row, curve in enumerate(curves):
        level = inputs.curves[curve]
        values["level"][row] = resample(inputs.frequency, level, frequency)
        lines = {"line": fitted_line(inputs, level)} if curve in fitted else {}
        if curve in own:
            lines["own_line"] = own_line(inputs, level, own[curve])
        for field, line in lines.items():
            straight_line = np.where(inside, trend_level(line, frequency), np.nan)
            values[field][row], values[f"{field}_deviation"][row] = straight_line, values["level"][row] - straight_line
        if curve in inputs.targets:
            deviation = deviation_from_target(
                inputs.frequency, level, *inputs.targets[curve], targets[curve].alignment_band
            )
            if deviation.deviation_db is not None:
                shift[row] = deviation.shift_db
                values["target"][row] = resample(*inputs.targets[curve], frequency) + deviation.shift_db
                in_grid = resample(inputs.frequency, deviation.deviation_db, frequency)
                values["target_deviation"][row] = np.where(inside, in_grid, np.nan)
    attributes = inputs.datasets["curves"].attrs
    optional = {
        name: attributes[name]
        for name in ("distance", "drive", "valid_low", "valid_high", "mirrored_directions")
        if name in attributes
    }
    reasons = {curve: line.reason for curve, line in own.items() if curve in curves}
    dataset = xr.Dataset(
        {
            **{field: (("curve", "frequency"), rows) for field, rows in values.items()},
            "target_shift": ("curve", shift),
        },
        coords={"curve": np.array(curves, dtype=object), "frequency": frequency},
        attrs={
            "device": attributes["device"],
            "title": attributes["title"],
            "level_kind": attributes["level_kind"],
            "smoothing": attributes["smoothing"],
            "band_low": float(low),
            "band_high": float(high),
            "own_reasons": json.dumps(reasons, ensure_ascii=False, sort_keys=True),
            **optional,
        },
    )
    return contract.describe(dataset, "trends")
