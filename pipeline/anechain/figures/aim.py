"""Figure of the direct sound at the listener, by toe-in."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panel_elements import Series
from anechain.figures.style import BLACK, BLUE, DASHES, VERMILION

if TYPE_CHECKING:
    import xarray as xr
from anechain.figures.curve_panel import single_panel_figure

__all__ = ["aim_figure", "aim_of_device"]


def aim_figure(aim: xr.Dataset) -> dict[str, Any]:
    """Return the figure of the direct sound at the listener, by toe-in.

    Curves: axis towards the listener, axis parallel to the side walls, and the best toe-in.

    Parameters
    ----------
    aim : xarray.Dataset
        After the contract `aim`.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.
    """
    attrs = aim.attrs
    toe_in, off_axis = (np.asarray(aim[name].values, np.float64) for name in ("toe_in", "off_axis"))
    level = np.asarray(aim["level"].transpose("toe_in", "frequency").values, np.float64)
    listener = float(attrs["listener"])
    candidates = {
        "axis": ("at the listener", listener, BLACK, DASHES[0]),
        "parallel": ("parallel", 0.0, VERMILION, DASHES[2]),
    }
    if "best_toe_in" in attrs:
        candidates["best"] = ("best", float(attrs["best_toe_in"]), BLUE, DASHES[1])
    drawn: list[Series] = []
    names: dict[int, str] = {}
    for column, (name, wanted_toe_in, colour, dash) in candidates.items():
        row = int(np.argmin(np.abs(toe_in - wanted_toe_in)))
        if abs(toe_in[row] - wanted_toe_in) > 0.01:
            continue
        if row in names:
            name = f"{names[row]}; {name}"
            drawn = [curve for curve in drawn if curve.column != f"toe_in_{row}"]
        names[row] = name
        angle_text = f"{off_axis[row]:g}".replace("-", "\N{MINUS SIGN}")
        title = f"Toe-in {toe_in[row]:g}°, {angle_text}° off axis: {name}"
        drawn.append(Series(f"toe_in_{row}", column, title, level[row], colour, dash))
    notes = [
        "Off axis: angle between the axis and the listener. Parallel: axis parallel to the side walls. Best: smallest "
        "deviation from its trend line. Responses between measured directions are interpolated."
    ]
    return single_panel_figure(
        aim,
        drawn,
        f"Direct sound by toe-in; listener {listener:g}° off axis without toe-in",
        notes,
    )


def aim_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the toe-in."""
    del data
    caption = "Direct sound at the listener by toe-in: towards the listener, parallel to the walls, and the best."
    yield DeviceFigure("aim", caption, ("aim.nc",), aim_figure)
