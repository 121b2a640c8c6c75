"""Trend lines and targets of each curve: those that the campaign or the device asks for, and the line of a curve."""

from __future__ import annotations

import numpy as np

from anechain.acoustics.curve.trends import Trend, deviation_from_target, fit_trend, set_trend
from anechain.arrays import Floats
from anechain.campaign.numbers import OwnTrend, Target
from anechain.figure_of_merit.metric_inputs import MetricInputs

__all__ = ["requested_lines", "requested_targets", "trend_line_of"]


def requested_lines(inputs: MetricInputs) -> dict[str, OwnTrend | None]:
    """Return the curves that get a trend line, each with the reviewer's own line or None for a fitted one."""
    chosen = inputs.options.own_trends | inputs.device_options.own_trends
    own = {str(curve): line for curve, line in chosen.items()}
    return {curve: own.get(curve) for curve in dict.fromkeys([*inputs.options.trends.curves, *own])}


def requested_targets(inputs: MetricInputs) -> dict[str, Target]:
    """Return the targets by curve; a target of the device replaces that of the campaign."""
    return {str(curve): target for curve, target in (inputs.options.targets | inputs.device_options.targets).items()}


def trend_line_of(inputs: MetricInputs, level: Floats, own: OwnTrend | None) -> Trend:
    """Return the fitted line, or the reviewer's own; that is aligned with the curve if it has no level.

    Parameters
    ----------
    inputs : MetricInputs
    level : numpy.ndarray, shape (n,)
        dB, of the curve.
    own : OwnTrend or None
        The reviewer's own line; None for a fitted one.
    """
    band = inputs.options.trends.band
    if own is None:
        return fit_trend(inputs.frequency, level, *band)
    anchor_level = own.anchor_level
    if anchor_level is None:
        ends = np.array([inputs.frequency[0], inputs.frequency[-1]])
        slope = own.slope * np.log2(ends / own.anchor_frequency)
        aligned = deviation_from_target(inputs.frequency, level, ends, slope, band)
        if aligned.deviation_db is None:
            no_fit = (None,) * 4
            return Trend(None, own.anchor_frequency, None, *band, *no_fit, 0, "set by the reviewer", aligned.reason)
        anchor_level = aligned.shift_db
    return set_trend(own.slope, own.anchor_frequency, anchor_level, own.reason)
