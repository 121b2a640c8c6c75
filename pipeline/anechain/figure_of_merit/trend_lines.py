"""Which line and which target each curve is held against, and how it lies beside them by frequency."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, get_args

import numpy as np

from anechain.acoustics.curve.frequencies import SAME_FREQUENCY, resample
from anechain.acoustics.curve.trends import Trend, deviation_from_target, fit_trend, set_trend, trend_level
from anechain.arrays import Floats
from anechain.campaign.model import CurveName
from anechain.campaign.numbers import OwnTrend, Target
from anechain.figure_of_merit.metric_inputs import MetricInputs

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["line_of", "lines_wanted", "targets_wanted", "trends_dataset"]

_FIELDS = ("level", "line", "line_deviation", "target", "target_deviation")


def lines_wanted(inputs: MetricInputs) -> dict[str, OwnTrend | None]:
    """Curves that get a trend line, each with the reviewer's own where there is one."""
    own = {str(curve): line for curve, line in (inputs.options.own_trends | inputs.own.own_trends).items()}
    return {curve: own.get(curve) for curve in dict.fromkeys([*inputs.options.trends.curves, *own])}


def targets_wanted(inputs: MetricInputs) -> dict[str, Target]:
    """Curves that have a target, the device's own before the campaign's."""
    return {str(curve): one for curve, one in (inputs.options.targets | inputs.own.targets).items()}


def line_of(inputs: MetricInputs, level: Floats, own: OwnTrend | None) -> Trend:
    """The fitted line, or the reviewer's own, moved to meet the curve where no level is given for it."""
    band = inputs.options.trends.band
    if own is None:
        return fit_trend(inputs.frequency, level, *band)
    anchor_level = own.anchor_level
    if anchor_level is None:
        ends = np.array([inputs.frequency[0], inputs.frequency[-1]])
        slope = own.slope * np.log2(ends / own.anchor_frequency)
        met = deviation_from_target(inputs.frequency, level, ends, slope, band)
        if met.deviation_db is None:
            nothing = (None,) * 4
            return Trend(None, own.anchor_frequency, None, *band, *nothing, 0, "set by the reviewer", met.reason)
        anchor_level = met.shift_db
    return set_trend(own.slope, own.anchor_frequency, anchor_level, own.reason)


def trends_dataset(inputs: MetricInputs) -> xr.Dataset | None:
    """The dataset `trends`: each curve that is held against a line, a target or a band, and what is left of it.

    Lines and deviations reach across the band of the trends alone, its ends included: what lies beyond is not judged.
    None where none of these curves is there.
    """
    import xarray as xr

    from anechain.data import contract

    lines, targets = lines_wanted(inputs), targets_wanted(inputs)
    held = {*lines, *inputs.targets, *inputs.options.linearity.curves}
    curves = [name for name in get_args(CurveName) if name in held and not inputs.lacking(name)]
    if not curves:
        return None
    low, high = band = inputs.options.trends.band
    ends = np.array(band)
    apart = (np.abs(inputs.frequency[:, np.newaxis] / ends - 1) > SAME_FREQUENCY).all(axis=1)
    frequency = np.sort(np.concatenate([inputs.frequency[apart], ends]))
    inside = (frequency >= low) & (frequency <= high)
    values = {field: np.full((len(curves), frequency.size), np.nan) for field in _FIELDS}
    origin, shift = ["none"] * len(curves), np.full(len(curves), np.nan)
    for row, curve in enumerate(curves):
        level = inputs.curves[curve]
        values["level"][row] = resample(inputs.frequency, level, frequency)
        if curve in lines:
            line = line_of(inputs, level, lines[curve])
            if line.slope_db_per_octave is not None:
                origin[row] = line.origin
                straight = np.where(inside, trend_level(line, frequency), np.nan)
                values["line"][row], values["line_deviation"][row] = straight, values["level"][row] - straight
        if curve in inputs.targets:
            rest = deviation_from_target(inputs.frequency, level, *inputs.targets[curve], targets[curve].alignment_band)
            if rest.deviation_db is not None:
                shift[row] = rest.shift_db
                values["target"][row] = resample(*inputs.targets[curve], frequency) + rest.shift_db
                left = resample(inputs.frequency, rest.deviation_db, frequency)
                values["target_deviation"][row] = np.where(inside, left, np.nan)
    attrs = inputs.datasets["curves"].attrs
    known = {name: attrs[name] for name in ("distance", "drive", "valid_low", "valid_high") if name in attrs}
    reasons = {curve: own.reason for curve, own in lines.items() if own is not None and curve in curves}
    dataset = xr.Dataset(
        {
            **{field: (("curve", "frequency"), rows) for field, rows in values.items()},
            "origin": ("curve", np.array(origin, dtype=object)),
            "target_shift": ("curve", shift),
        },
        coords={"curve": np.array(curves, dtype=object), "frequency": frequency},
        attrs={
            "device": attrs["device"],
            "title": attrs["title"],
            "level_kind": attrs["level_kind"],
            "smoothing": attrs["smoothing"],
            "band_low": float(low),
            "band_high": float(high),
            "own_reasons": json.dumps(reasons, ensure_ascii=False, sort_keys=True),
            **known,
        },
    )
    return contract.describe(dataset, "trends")
