"""Figures of time and phase on the axis: impulse and step response; phase, group delay and decay."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.arrays import Floats
from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panel_elements import Series
from anechain.figures.quantity_panels import QuantityPanel, frequency_panels, time_panels
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, ORANGE, PURPLE, VERMILION

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["phase_figure", "phase_of_device", "time_figure", "time_of_device"]

_HEIGHT = 150.0
_MAX_PHASE = 1080.0
"""Degrees; limit of the axis of phases."""
_SLACK = 5.0
"""Degrees that a phase may be beyond its axis."""
_DELAY_RANGE = (-1.0, 4.0)
"""ms; the axis of the group delay covers it, with the threshold of audibility, and the excess group delay."""
_MAX_DELAY = 50.0
_DECAY_COLOURS = (PURPLE, BLUE, VERMILION, BLACK, ORANGE)
_LEAST_PERIODS = 10.0


def time_figure(timing: xr.Dataset) -> dict[str, Any]:
    """Return the figure of impulse and step response.

    Parameters
    ----------
    timing : xarray.Dataset
        After the contract `timing`.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.
    """
    time = np.asarray(timing["time"].values, np.float64)
    panels = []
    for name, title, colour in (("impulse", "Impulse response", BLACK), ("step", "Step response", BLUE)):
        values = np.asarray(timing[name].values, np.float64)
        series = Series(name, name, title, values, colour, DASHES[0])
        ticks = (-1.0, -0.5, 0.0, 0.5, 1.0)
        panels.append(QuantityPanel(name, title, "", (-1.1, 1.1), ticks, _HEIGHT, (series,)))
    delay = f"{1e3 * float(timing.attrs['delay']):.3f}".replace("-", "\N{MINUS SIGN}")
    return time_panels(
        time,
        panels,
        title=str(timing.attrs["title"]),
        lines=["Impulse and step response on the axis, re the greatest magnitude"],
        notes=[
            f"Time 0: arrival of the highest frequencies, {delay} ms in the phase. A first peak upwards is positive "
            "polarity.",
            "Below the valid band the level goes on with the slope that the phase asks for. The upper end of the band "
            "rings by itself.",
        ],
    )


def phase_figure(timing: xr.Dataset) -> dict[str, Any]:
    """Return the figure of minimum and excess phase, group delay, and decay in periods.

    Parameters
    ----------
    timing : xarray.Dataset
        After the contract `timing`.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.
    """
    from anechain.acoustics.phase.burst_decay import shortest_decay
    from anechain.acoustics.phase.group_delay import group_delay_threshold

    attrs = timing.attrs
    frequency = np.asarray(timing["frequency"].values, np.float64)
    values = {str(name): np.asarray(timing[name].values, np.float64) for name in timing.data_vars}
    shown = (frequency >= style.FREQUENCY_RANGE[0]) & (frequency <= style.FREQUENCY_RANGE[1])
    phases = (
        Series("minimum_phase", "minimum", "Minimum phase", values["minimum_phase"], BLACK, DASHES[0]),
        Series("excess_phase", "excess", "Excess phase", values["excess_phase"], VERMILION, DASHES[1]),
    )
    factor = float(attrs["coverage_factor"])
    excess, half_width = 1e3 * values["excess_group_delay"], 1e3 * factor * values["excess_group_delay_uncertainty"]
    threshold = 1e3 * group_delay_threshold(frequency)
    delays = (
        Series("group_delay", "all", "Group delay", 1e3 * values["group_delay"], BLACK, DASHES[0]),
        Series("excess_delay", "excess", "Excess group delay", excess, VERMILION, DASHES[1], half_width),
        Series("threshold", "threshold", "Audible to trained listeners", threshold, GREEN, DASHES[2]),
    )
    drops = np.asarray(timing["drop"].values, np.float64)
    decay = np.asarray(timing["decay"].transpose("drop", "frequency").values, np.float64)
    decays = tuple(
        Series(
            f"decay_{row}",
            f"decay_{row}",
            f"by {drop:g} dB",
            decay[row],
            _DECAY_COLOURS[row % len(_DECAY_COLOURS)],
            DASHES[row % len(DASHES)],
        )
        for row, drop in reversed(list(enumerate(drops)))
    )
    burst = ", ".join(f"{shortest_decay(float(drop)):.1f}" for drop in reversed(drops))
    # Only what is certain to a millisecond sets the axis: at the end of the band the uncertainty has no limit.
    certain = np.where(shown & (half_width < 1.0), excess, np.nan)
    panels = (
        _panel("phase", "Phase in degrees", "degrees", phases, _phase_limits([s.values[shown] for s in phases]), 90.0),
        _panel("delay", "Group delay in ms", "ms", delays, _delay_limits(certain), 1.0),
        _panel("decay", "Decay in periods", "periods", decays, (0.0, _decay_top(decay[:, shown])), 1.0),
    )
    return frequency_panels(
        frequency,
        panels,
        title=str(attrs["title"]),
        lines=["Phase, group delay and decay on the axis"],
        notes=[
            "Minimum phase: implied by the level. Excess: the rest, without the delay of the highest frequencies. "
            f"Pale: expanded uncertainty (k = {factor:g}) of the unknown level beyond the valid band.",
            "Audible: threshold for trained listeners and single impulses (Blauert and Laws 1978, recalled).",
            f"Decay: periods until a burst 1/3 octave wide stays lower by each drop; the burst itself takes {burst}. "
            "No line: longer than one period of the lowest valid frequency, or noise.",
        ],
        band=style.valid_band(attrs),
    )


def _panel(
    name: str, title: str, unit: str, series: tuple[Series, ...], limits: tuple[float, float], step: float
) -> QuantityPanel:
    while (limits[1] - limits[0]) / step > 8:
        step *= 2
    first = math.ceil(limits[0] / step - 1e-9)
    ticks = tuple(step * number for number in range(first, math.floor(limits[1] / step + 1e-9) + 1))
    return QuantityPanel(name, title, unit, limits, ticks, _HEIGHT, series)


def _phase_limits(values: list[Floats]) -> tuple[float, float]:
    """Return multiples of 90 degrees about all values, at least -90 and 90."""
    low = min(-90.0, *(90.0 * math.floor((float(one.min()) + _SLACK) / 90.0) for one in values))
    high = max(90.0, *(90.0 * math.ceil((float(one.max()) - _SLACK) / 90.0) for one in values))
    return max(low, -_MAX_PHASE), min(high, _MAX_PHASE)


def _delay_limits(excess: Floats) -> tuple[float, float]:
    finite = excess[np.isfinite(excess)]
    low, high = _DELAY_RANGE
    if finite.size:
        low, high = min(low, math.floor(float(finite.min()))), max(high, math.ceil(float(finite.max())))
    return max(low, -_MAX_DELAY), min(high, _MAX_DELAY)


def _decay_top(decay: Floats) -> float:
    finite = decay[np.isfinite(decay)]
    longest = float(finite.max()) if finite.size else 0.0
    return max(_LEAST_PERIODS, 5.0 * math.ceil(longest / 5.0))


def time_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of impulse and step response."""
    del data
    caption = "Impulse and step response on the axis: polarity and the order in which the drivers arrive."
    yield DeviceFigure("time", caption, ("timing.nc",), time_figure)


def phase_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of phase, group delay and decay."""
    del data
    caption = (
        "Phase that the level implies and the rest; group delay with its threshold of audibility; decay of bursts in "
        "periods, on the axis."
    )
    yield DeviceFigure("phase", caption, ("timing.nc",), phase_figure)
