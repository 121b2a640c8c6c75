"""Trend lines and targets of each curve, as the campaign and the device ask for them."""

from __future__ import annotations

from anechain.acoustics.curve.trends import Trend, fit_trend, own_trend
from anechain.arrays import Floats
from anechain.campaign.numbers import OwnTrend, Target
from anechain.figure_of_merit.metric_inputs import MetricInputs

__all__ = ["fitted_curves", "fitted_line", "own_line", "own_trends", "requested_targets"]


def own_trends(inputs: MetricInputs) -> dict[str, OwnTrend]:
    """Return the reviewer's own lines by curve; a line of the device replaces that of the campaign."""
    return {str(curve): line for curve, line in (inputs.options.own_trends | inputs.device_options.own_trends).items()}


def fitted_curves(inputs: MetricInputs) -> list[str]:
    """Return the curves that get a fitted line: those of the options, and those with a line of the reviewer."""
    return list(dict.fromkeys([*inputs.options.trends.curves, *own_trends(inputs)]))


def requested_targets(inputs: MetricInputs) -> dict[str, Target]:
    """Return the targets by curve; a target of the device replaces that of the campaign."""
    return {str(curve): target for curve, target in (inputs.options.targets | inputs.device_options.targets).items()}


def fitted_line(inputs: MetricInputs, level: Floats) -> Trend:
    """Return the line that is fitted to the levels of a curve, dB, shape (n,), in the band of the trends."""
    return fit_trend(inputs.frequency, level, *inputs.options.trends.band)


def own_line(inputs: MetricInputs, level: Floats, own: OwnTrend) -> Trend:
    """Return the reviewer's own line of a curve, dB, shape (n,)."""
    return own_trend(
        inputs.frequency,
        level,
        own.slope,
        own.anchor_frequency,
        own.anchor_level,
        inputs.options.trends.band,
        own.reason,
    )
