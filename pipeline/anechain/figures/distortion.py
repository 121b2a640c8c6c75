"""Figure of harmonic distortion at a level: harmonic orders with their noise, and their sums in per cent."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.arrays import Floats
from anechain.cautions import LEVEL_CAUTION
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure, level_slug
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    import xarray as xr
from anechain.figures.distortion_limits import drawn_as_limit, limit_notes, row_of_level
from anechain.figures.distortion_panels import DistortionCurve, decibel_panel, percent_panel, stack_distortion_panels

__all__ = ["distortion_figure", "distortion_of_device"]


_GREY = "#8a8a8a"


_DASHES = (*DASHES, (12, 2, 2, 2, 2, 2))
"""As many as colours, so that orders up to the ninth can be distinguished without colour."""


_COLOURS = (BLACK, VERMILION, BLUE, GREEN, PURPLE, ORANGE, SKY, _GREY)


_MAX_NAMED_PEAKS = 4


_ORDERS = ("2nd", "3rd", "4th", "5th", "6th", "7th", "8th", "9th")


_SUMS = {"thd_f": "THD, re fundamental", "second_third": "Orders 2 and 3", "fourth_up": "Orders 4 and up"}


def distortion_figure(distortion: xr.Dataset, level: float) -> dict[str, Any]:
    """Return the figure of harmonic orders and their sums at a level.

    Parameters
    ----------
    distortion : xarray.Dataset
        After the contract `distortion`.
    level : float
        One of its levels, dB.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If there is no such level, or no value at it.
    """
    device = str(distortion.attrs["title"])
    at = row_of_level(distortion["level"].values, level, device)
    if reason := json.loads(str(distortion.attrs["gaps"])).get(f"{level:g}"):
        raise InputError.single(device, f"distortion at {level:g} dB: {reason}", fix="measure at levels around it")
    at_level = distortion.isel(level=at)
    frequency = np.asarray(at_level["frequency"].values, np.float64)
    harmonic, harmonic_limit = (
        np.asarray(at_level["harmonic"].values),
        np.asarray(at_level["harmonic_limit"].values) == 1,
    )
    orders = [int(order) for order in at_level["order"].values]
    lines = tuple(
        DistortionCurve(
            f"order_{order}",
            _order_title(order),
            harmonic[row],
            harmonic_limit[row],
            _colour(row),
            _DASHES[row % len(_DASHES)],
        )
        for row, order in enumerate(orders)
        if np.isfinite(harmonic[row]).any()
    )
    if not lines:
        raise InputError.single(device, f"distortion at {level:g} dB: no order has a value", fix="see the notes")
    looks = {"thd_f": (BLACK, DASHES[0]), "second_third": (BLUE, DASHES[1]), "fourth_up": (VERMILION, DASHES[2])}
    sum_names = [str(name) for name in at_level["sum"].values]
    percent = np.asarray(at_level["percent"].values)
    sum_limit = drawn_as_limit(
        percent, np.asarray(at_level["percent_least"].values), np.asarray(at_level["sum_limit"].values) == 1
    )
    sums = tuple(
        DistortionCurve(
            f"sum_{name}", title, percent[sum_names.index(name)], sum_limit[sum_names.index(name)], *looks[name]
        )
        for name, title in _SUMS.items()
        if np.isfinite(percent[sum_names.index(name)]).any()
    )
    noise = np.asarray(at_level["noise"].values)
    edges = (np.fmin.reduce(noise), np.fmax.reduce(noise)) if np.isfinite(noise).any() else None
    panels = [decibel_panel(frequency, lines)]
    if sums:
        panels.append(percent_panel(frequency, sums, "Sum in per cent"))
    return stack_distortion_panels(
        frequency,
        panels,
        device,
        [f"Harmonic distortion at {level:g} dB; {_conditions(distortion)}", _source_text(at_level)],
        [
            *limit_notes(lines, sums),
            *(["Grey: noise at the frequencies of the harmonics."] if edges else ["The noise is unknown."]),
            *_peak_notes(str(distortion.attrs["peaks"]), level),
            *_band_note(distortion),
            *_highest_order_note(np.asarray(at_level["highest_order"].values), frequency),
            LEVEL_CAUTION,
        ],
        style.valid_band(distortion.attrs),
        edges,
    )


def _band_note(distortion: xr.Dataset) -> list[str]:
    """Return the lowest frequency at which each order can be measured, where the dataset states it."""
    if "lowest" not in distortion:
        return []
    lowest = np.asarray(distortion["lowest"].values, dtype=np.float64)
    starts = [
        f"{_ordinal(int(order))} {style.format_frequency(float(f'{low:.2g}'))}"
        for order, low in zip(distortion["order"].values, lowest, strict=True)
        if np.isfinite(low)
    ]
    if not starts:
        return []
    return [f"Lowest frequency of the excitation at which each harmonic can be measured: {', '.join(starts)}."]


def _colour(row: int) -> str:
    return _COLOURS[row % len(_COLOURS)]


def _order_title(order: int) -> str:
    return f"{_ordinal(order)} harmonic"


def _ordinal(order: int) -> str:
    return _ORDERS[order - 2] if order - 2 < len(_ORDERS) else f"{order}th"


def _conditions(distortion: xr.Dataset) -> str:
    attrs = distortion.attrs
    low, high = (style.format_frequency(float(attrs[name])) for name in ("band_low", "band_high"))
    return f"mean of the fundamental {low} to {high}, at {float(attrs['distance']):g} m"


def _source_text(distortion: xr.Dataset) -> str:
    """Return which takes the distortion at a level is from."""
    first, second = float(distortion["first_drive"].values), float(distortion["second_drive"].values)
    if np.isfinite(second):
        return f"Interpolated between takes at {first:.4g} V and {second:.4g} V, linear in dB"
    return f"Take at {first:.4g} V, {float(distortion['reached'].values):.1f} dB, as measured"


def _peak_notes(peaks_json: str, level: float) -> list[str]:
    """Return a note that names the highest peaks of the orders at a level; none if there are no peaks."""
    peaks: list[Mapping[str, Any]] = [peak for peak in json.loads(peaks_json) if peak["level"] == level]
    if not peaks:
        return []
    peaks.sort(key=lambda peak: -peak["height_db"])
    texts = [
        f"order {peak['order']} at {style.format_frequency(peak['excitation_hz'])} "
        f"(audible at {style.format_frequency(peak['heard_hz'])}), {peak['height_db']:.0f} dB high"
        for peak in peaks[:_MAX_NAMED_PEAKS]
    ]
    more = f"; and {len(peaks) - _MAX_NAMED_PEAKS} more" if len(peaks) > _MAX_NAMED_PEAKS else ""
    return [f"Peaks without a peak of the fundamental: {'; '.join(texts)}{more}."]


def _highest_order_note(highest: NDArray[Any], frequency: Floats) -> list[str]:
    """Return a note on the frequencies at which sums include fewer orders, since these cannot be measured."""
    top_order = int(highest.max(initial=0))
    if top_order < 3:
        return []
    with_top_order, with_any_order = frequency[highest == top_order], frequency[highest >= 2]
    if (with_top_order[0], with_top_order[-1]) == (with_any_order[0], with_any_order[-1]):
        return []
    low, high = (style.format_frequency(float(with_top_order[end])) for end in (0, -1))
    start, end = (style.format_frequency(float(with_any_order[end])) for end in (0, -1))
    text = f"Sums include orders up to {top_order} from {low} to {high}, fewer outside"
    return [f"{text}, none below {start} or above {end}."]


def distortion_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield a figure of the harmonics for each level that the device reached."""
    distortion = data["distortion.nc"]
    gaps = json.loads(str(distortion.attrs["gaps"]))
    for level in (float(value) for value in distortion["level"].values):
        if f"{level:g}" not in gaps:
            yield DeviceFigure(
                f"distortion-{level_slug(level)}",
                f"Harmonic distortion at {level:g} dB: orders re the fundamental above, sums in per cent below. "
                f"{LEVEL_CAUTION}",
                ("distortion.nc",),
                lambda distortion, level=level: distortion_figure(distortion, level),
            )
