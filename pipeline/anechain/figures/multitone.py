"""Figure of a multitone measurement: level of distortion and noise between the tones, by band and drive."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.cautions import LEVEL_CAUTION
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panel_elements import Panel, Series
from anechain.figures.panels import stack_panels
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["MAX_DRIVES", "multitone_figure", "multitone_of_device"]

MAX_DRIVES = 6
"""Limit of the number of drives in a figure: the highest drives are drawn."""
_COLOURS = (BLACK, VERMILION, BLUE, GREEN, PURPLE, ORANGE)


def multitone_figure(multitone: xr.Dataset) -> dict[str, Any]:
    """Return the figure of distortion and noise between the tones, re the tones of the same band, at each drive.

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
        If no band has both a tone and a spectral line without a tone.
    """
    device = str(multitone.attrs["title"])
    frequency = np.asarray(multitone["frequency"].values, np.float64)
    drives = np.asarray(multitone["drive"].values, np.float64)
    tones, between, noise = (
        np.asarray(multitone[name].transpose("drive", "frequency").values, np.float64)
        for name in ("tones", "between", "noise")
    )
    rows = range(drives.size)[-MAX_DRIVES:]
    curves = [
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
    if not curves:
        fix = "use a longer record or fewer tones, so that spectral lines between them are free"
        raise InputError.single(device, "multitone: no band has a tone and a spectral line between tones", fix=fix)
    highest_drive = rows[-1]
    noise_level = noise[highest_drive] - tones[highest_drive]
    if np.isfinite(noise_level).any():
        curves.append(
            Series("noise", "noise", f"noise only, at {drives[highest_drive]:.3g} V", noise_level, SKY, DASHES[5])
        )
    highest = float(np.nanmax([np.nanmax(curve.values) for curve in curves]))
    top = float(np.ceil((highest + style.HEADROOM_DB) / style.GRID_STEP_DB) * style.GRID_STEP_DB)
    lowest = float(np.nanmin([np.nanmin(curve.values) for curve in curves]))
    # At most 100 dB, the dynamic range of recordings.
    bottom = max(float(np.floor(lowest / style.GRID_STEP_DB) * style.GRID_STEP_DB), top - 100.0)
    ratios = ", ".join(
        f"{float(multitone['ratio'].values[row]):.1f} dB at {drives[row]:.3g} V".replace("-", "\N{MINUS SIGN}")
        for row in reversed(rows)
        if np.isfinite(multitone["ratio"].values[row])
    )
    omitted = f"; the {MAX_DRIVES} highest of {drives.size} drives" if drives.size > MAX_DRIVES else ""
    ratio_notes = [f"Total level between the tones re all tones: {ratios}."] if ratios.strip() else []
    return stack_panels(
        frequency,
        [Panel("between", "Between the tones, re tones in dB", (bottom, top), tuple(curves))],
        title=device,
        lines=[f"Multitone: distortion and noise between {multitone.sizes['tone']} tones, by band{omitted}"],
        notes=[
            *ratio_notes,
            "Sum of harmonics, intermodulation and noise; products at the frequency of a tone are not included. Lines "
            "join the centres of bands.",
            LEVEL_CAUTION,
        ],
        band=style.FREQUENCY_RANGE,
    )


def multitone_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the multitone measurement."""
    del data
    caption = f"Multitone: level between the tones re the tones of the same band. {LEVEL_CAUTION}"
    yield DeviceFigure("multitone", caption, ("multitone.nc",), multitone_figure)
