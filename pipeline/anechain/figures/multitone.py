"""Figure of a multitone signal: what sounds between the tones, band by band, at each drive."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.cautions import LEVEL_CAUTION
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panels import Panel, Series, stacked
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["MOST_DRIVES", "multitone_figure", "multitone_of_device"]

MOST_DRIVES = 6
"""Drives that are told apart in one figure; of more, the loudest."""
_COLOURS = (BLACK, VERMILION, BLUE, GREEN, PURPLE, ORANGE)


def multitone_figure(multitone: xr.Dataset) -> dict[str, Any]:
    """Distortion and noise between the tones, re the tones of the same band, at each drive.

    Parameters
    ----------
    multitone : xarray.Dataset
        After the contract `multitone`.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If no band has both a tone and a free line.
    """
    device = str(multitone.attrs["title"])
    frequency = np.asarray(multitone["frequency"].values, np.float64)
    drives = np.asarray(multitone["drive"].values, np.float64)
    tones, between, noise = (
        np.asarray(multitone[name].transpose("drive", "frequency").values, np.float64)
        for name in ("tones", "between", "noise")
    )
    rows = range(drives.size)[-MOST_DRIVES:]
    lines = [
        Series(
            f"drive_{row}",
            f"drive_{row}",
            f"{drives[row]:.3g} V ({float(multitone['level'].values[row]):.1f} dB)",
            between[row] - tones[row],
            _COLOURS[place],
            DASHES[place],
        )
        for place, row in enumerate(reversed(rows))
        if np.isfinite(between[row] - tones[row]).any()
    ]
    if not lines:
        fix = "record longer, or play fewer tones, so that lines between them are free"
        raise InputError.single(device, "multitone: no band has a tone and a line beside it", fix=fix)
    loudest = rows[-1]
    floor = noise[loudest] - tones[loudest]
    if np.isfinite(floor).any():
        lines.append(Series("noise", "noise", f"noise alone, at {drives[loudest]:.3g} V", floor, SKY, DASHES[5]))
    highest = float(np.nanmax([np.nanmax(line.values) for line in lines]))
    top = float(np.ceil((highest + style.HEADROOM) / style.RASTER) * style.RASTER)
    lowest = float(np.nanmin([np.nanmin(line.values) for line in lines]))
    # No deeper than a recording goes, and as deep as the data.
    bottom = max(float(np.floor(lowest / style.RASTER) * style.RASTER), top - 100.0)
    ratios = ", ".join(
        f"{float(multitone['ratio'].values[row]):.1f} dB at {drives[row]:.3g} V".replace("-", "\N{MINUS SIGN}")
        for row in reversed(rows)
        if np.isfinite(multitone["ratio"].values[row])
    )
    left = f"; the {MOST_DRIVES} loudest of {drives.size} drives" if drives.size > MOST_DRIVES else ""
    told = [f"All that lies between the tones, re all tones: {ratios}."] if ratios.strip() else []
    return stacked(
        frequency,
        [Panel("between", "Between the tones, re tones in dB", (bottom, top), tuple(lines))],
        title=device,
        lines=[f"Multitone: distortion and noise between {multitone.sizes['tone']} tones, by band{left}"],
        notes=[
            *told,
            "Harmonics, intermodulation and noise together; what falls on a tone is not seen. Lines join mid-bands.",
            LEVEL_CAUTION,
        ],
        band=style.FREQUENCY_RANGE,
    )


def multitone_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the intermodulation."""
    del data
    caption = f"Multitone: level between the tones re the tones of the same band. {LEVEL_CAUTION}"
    yield DeviceFigure("multitone", caption, ("multitone.nc",), multitone_figure)
