"""Figure of peaks and dips, marked on the curves by their probable cause."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, get_args

import numpy as np

from anechain.campaign.model import CurveName
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panel_elements import Point, Side

if TYPE_CHECKING:
    import xarray as xr
from anechain.figures.curve_panel import NAMED_CURVE_LOOKS, curves_with_values, single_panel_figure

__all__ = ["deviations_figure", "deviations_of_device"]


_MARKERS = {
    "resonance": ("circle", True),
    "interference or diffraction": ("diamond", False),
    "crossover phase": ("triangle-up", False),
    "change of coverage": ("cross", False),
}


_UNDETERMINED_MARKER = ("square", False)


MAX_NUMBERED = 40


def deviations_figure(curves: xr.Dataset, deviations: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Return the figure of peaks and dips, marked on their curves by their probable cause.

    Parameters
    ----------
    curves : xarray.Dataset
        After the contract `curves`.
    deviations : sequence of mapping
        The member `deviations` of numbers.json; they are numbered in its order.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If no curve has a value.
    """
    drawn, frequency = curves_with_values(curves, NAMED_CURVE_LOOKS), np.asarray(curves["frequency"].values, np.float64)
    values = {curve.column: curve.values for curve in drawn}
    points = []
    for number, deviation in enumerate(deviations[:MAX_NUMBERED], start=1):
        if deviation["curve"] not in values:
            continue
        shape, filled = _MARKERS.get(deviation["cause"], _UNDETERMINED_MARKER)
        # The extremum of the curve, since the centre of the fitted shape may be at another frequency.
        hz = deviation["centre_hz"] if deviation["extreme_hz"] is None else deviation["extreme_hz"]
        level = float(np.interp(np.log(hz), np.log(frequency), values[deviation["curve"]]))
        if np.isfinite(level):
            side: Side = "above" if deviation["height_db"] > 0 else "below"
            points.append(Point(hz, round(level, 2), str(number), shape, filled, side))
    notes = [
        "Numbers as in the table of peaks and dips; marks at the highest or lowest point of the curve of each. Filled "
        "circle: probably a resonance. Hollow diamond: interference or diffraction. Hollow triangle: crossover phase. "
        "Hollow cross: change of coverage. Hollow square: cause not determined."
    ]
    if len(deviations) > MAX_NUMBERED:
        notes.append(f"{len(deviations) - MAX_NUMBERED} more, at higher frequencies, are in the table only.")
    return single_panel_figure(curves, drawn, f"Peaks and dips: {len(deviations)}", notes, points)


def deviations_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of peaks and dips, if there is a curve that is searched for them."""
    if set(get_args(CurveName)) & set(data["curves.nc"]["curve"].values):
        caption = "Peaks and dips, numbered as in the table, by their probable cause."
        yield DeviceFigure(
            "deviations",
            caption,
            ("curves.nc", "numbers.json"),
            lambda curves, numbers: deviations_figure(curves, numbers["deviations"]),
        )
