"""Figures of the curve set of a device: all curves, curves by plane, and early reflections by surface."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.figures import style
from anechain.figures.device_figure import Data, DeviceFigure
from anechain.figures.panel_elements import Panel, Series
from anechain.figures.panels import stack_panels
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "CURVE_LOOKS",
    "Look",
    "bounces_figure",
    "bounces_of_device",
    "curve_set_figure",
    "curves_of",
    "curves_of_device",
    "planes_figure",
    "planes_of_device",
    "values_in_band",
]

Look = tuple[str, tuple[float, ...]]

CURVE_LOOKS: dict[str, Look] = {
    "on_axis": (BLACK, DASHES[0]),
    "listening_window": (BLUE, DASHES[1]),
    "early_reflections": (GREEN, DASHES[2]),
    "sound_power": (VERMILION, DASHES[3]),
    "in_room": (PURPLE, DASHES[4]),
    "sphere_power": (SKY, DASHES[5]),
}
_INDICES: dict[str, Look] = {
    "early_reflections_index": CURVE_LOOKS["early_reflections"],
    "sound_power_index": CURVE_LOOKS["sound_power"],
    "sphere_index": CURVE_LOOKS["sphere_power"],
    "two_orbit_error": (ORANGE, DASHES[6]),
}
_SPHERE = {"sphere_power", "sphere_index", "two_orbit_error"}
"""Not listed as gaps, since few devices are measured on a full sphere."""

_PLANE_CURVES: dict[str, Look] = {
    "early_reflections_horizontal": (BLUE, DASHES[0]),
    "early_reflections_vertical": (ORANGE, DASHES[1]),
    "sound_power_horizontal": (GREEN, DASHES[2]),
    "sound_power_vertical": (VERMILION, DASHES[3]),
}
_PLANE_INDICES: dict[str, Look] = {
    f"{kind}_index_{plane}": _PLANE_CURVES[f"{kind}_{plane}"]
    for kind in ("early_reflections", "sound_power")
    for plane in ("horizontal", "vertical")
}
_BOUNCES: dict[str, Look] = {
    "on_axis": (BLACK, DASHES[0]),
    "early_reflections": (GREEN, DASHES[4]),
    "floor_bounce": (ORANGE, DASHES[1]),
    "ceiling_bounce": (SKY, DASHES[2]),
    "front_wall_bounce": (BLUE, DASHES[3]),
    "side_wall_bounce": (PURPLE, DASHES[5]),
    "rear_wall_bounce": (VERMILION, DASHES[6]),
}


COVERAGE = 2.0
"""Factor from standard uncertainty to the band drawn: about 95 % (GUM, JCGM 100:2008, 6.2)."""


def _half_width(curves: xr.Dataset, variable: str, dim: str) -> Floats | None:
    """Return the half width in dB of the uncertainty band of each curve, or None if no uncertainty is known."""
    prefix = "index_" if variable == "directivity_index" else ""
    parts = [curves.get(f"{prefix}uncertainty_{part}") for part in ("common", "independent")]
    known = [part.transpose(dim, "frequency").values for part in parts if part is not None]
    return COVERAGE * np.hypot(*known) if len(known) == len(parts) else None


def curves_of(
    curves: xr.Dataset, variable: str, dim: str, looks: Mapping[str, Look], titles: Mapping[str, str]
) -> tuple[Series, ...]:
    """Return the curves with a finite value, in the order of `looks`."""
    data = curves[variable]
    present = {str(identifier): row for row, identifier in enumerate(data[dim].values)}
    values = np.asarray(data.transpose(dim, "frequency").values, np.float64)
    half_width = _half_width(curves, variable, dim)
    return tuple(
        # The title of the axis names directivity indices already.
        Series(
            name,
            name,
            titles.get(name, name).replace(" directivity index", ""),
            values[present[name]],
            colour,
            dash,
            None
            if half_width is None or not np.isfinite(half_width[present[name]]).any()
            else half_width[present[name]],
        )
        for name, (colour, dash) in looks.items()
        if name in present and np.isfinite(values[present[name]]).any()
    )


def values_in_band(series: Sequence[Series], frequency: Floats, band: tuple[float, float]) -> Floats:
    """Return the values within the valid band, which set the limits of a panel."""
    chosen = (frequency >= band[0]) & (frequency <= band[1])
    if not chosen.any():
        chosen[:] = True
    return np.concatenate([s.values[chosen] for s in series])


def _figure(
    curves: xr.Dataset,
    what: str,
    levels: Mapping[str, Look],
    indices: Mapping[str, Look],
    optional: set[str],
    more_notes: Sequence[str] = (),
) -> dict[str, Any]:
    """Return the figure of some curves and directivity indices; gaps of `optional` ones are not listed."""
    from anechain.acoustics.directivity.curve_titles import TITLES

    attrs = curves.attrs
    device = str(attrs.get("title") or attrs.get("device") or "")
    frequency = np.asarray(curves["frequency"].values, np.float64)
    band = style.valid_band(attrs)
    panels = []
    lines = curves_of(curves, "level", "curve", levels, TITLES)
    if lines:
        limits = style.level_limits(values_in_band(lines, frequency, band))
        panels.append(Panel("level", style.level_axis_title(str(attrs.get("level_kind", "spl"))), limits, lines))
    if indices and "directivity_index" in curves:
        lines = curves_of(curves, "directivity_index", "index", indices, TITLES)
        if lines:
            limits = style.index_limits(values_in_band(lines, frequency, band))
            panels.append(Panel("index", "Directivity index in dB", limits, lines))
    if not panels:
        raise InputError.single(
            device, f"{what}: none of its curves has a value", fix="see the gaps of this device for the reasons"
        )
    notes = style.gap_notes(attrs, [name for name in (*levels, *indices) if name not in optional], TITLES)
    if "resolution_limit" in attrs:
        limit = style.format_frequency(float(attrs["resolution_limit"]))
        notes.append(f"Below {limit} the frequency spacing of the data exceeds the smoothing bandwidth.")
    if any(series.half_width is not None for panel in panels for series in panel.series):
        notes.append(
            f"Bands: expanded uncertainty (k = {COVERAGE:g}), stated components only. Errors common to all directions "
            "cancel in the directivity indices."
        )
    notes += more_notes
    return stack_panels(
        frequency, panels, title=device, lines=[f"{what}; {style.conditions_text(attrs)}"], notes=notes, band=band
    )


def curve_set_figure(curves: xr.Dataset) -> dict[str, Any]:
    """Return the figure of the curve set: levels above, directivity indices below.

    Parameters
    ----------
    curves : xarray.Dataset
        After the contract `curves`: `level` (curve, frequency) and `directivity_index` (index, frequency) in dB.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If no curve has a value.
    """
    return _figure(curves, "Curve set", CURVE_LOOKS, _INDICES, _SPHERE)


def planes_figure(curves: xr.Dataset) -> dict[str, Any]:
    """Return the figure of early reflections, sound power and their directivity indices, by plane.

    Parameters, result and errors as for :func:`curve_set_figure`.
    """
    from anechain.acoustics.directivity.curve_titles import INDICES_BY_PLANE

    shared = [line for line in str(curves.attrs.get("notes", "")).splitlines() if line.startswith(INDICES_BY_PLANE)]
    notes = (
        "Both planes refer to the same listening window: their indices differ as their powers do, and a flare in one "
        "plane raises the index of the other.",
        *(f"{line[0].upper()}{line[1:]}." for line in shared),
    )
    return _figure(curves, "Curves by plane, horizontal and vertical", _PLANE_CURVES, _PLANE_INDICES, set(), notes)


def bounces_figure(curves: xr.Dataset) -> dict[str, Any]:
    """Return the figure of the early reflections by surface, with the on-axis curve for reference.

    Parameters, result and errors as for :func:`curve_set_figure`.
    """
    return _figure(curves, "Early reflections by surface", _BOUNCES, {}, set())


def curves_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the curve set, if there is a curve."""
    if data["curves.nc"].sizes["curve"]:
        caption = "Curve set above, its directivity indices below."
        yield DeviceFigure("curves", caption, ("curves.nc",), curve_set_figure)


def planes_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure by plane, if there is an index of a single orbit."""
    if any(str(name).endswith(("_horizontal", "_vertical")) for name in data["curves.nc"]["index"].values):
        caption = "Early reflections, sound power and directivity indices of each orbit separately."
        yield DeviceFigure("planes", caption, ("curves.nc",), planes_figure)


def bounces_of_device(data: Data) -> Iterator[DeviceFigure]:
    """Yield the figure of the early reflections, if there is at least one."""
    if any(str(name).endswith("_bounce") for name in data["curves.nc"]["curve"].values):
        caption = "The five early reflections: sound towards the floor, the ceiling and the walls."
        yield DeviceFigure("bounces", caption, ("curves.nc",), bounces_figure)
