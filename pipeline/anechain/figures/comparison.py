"""Figure that compares several devices: a curve of each, with its directivity index."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.arrays import Floats
from anechain.errors import InputError
from anechain.figure_of_merit.comparison_dataset import with_values_in_valid_bands
from anechain.figures import style
from anechain.figures.panel_elements import Panel, Series
from anechain.figures.panels import stack_panels
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["MAX_NAMED", "comparison_figure", "device_look"]


_COLOURS = (BLUE, VERMILION, GREEN, BLACK, ORANGE, PURPLE, SKY)
MAX_NAMED = 28
"""More devices than this are drawn in grey without a legend, since they could not be distinguished."""


def _index_of(curve: str, indices: list[str]) -> str | None:
    """Return the directivity index of a curve: sound_power_index_vertical for sound_power_vertical."""
    kind, plane = re.fullmatch(r"(.+?)((?:_horizontal|_vertical)?)", curve).groups()  # type: ignore[union-attr]
    name = "sphere_index" if curve == "sphere_power" else f"{kind}_index{plane}"
    return name if name in indices else None


def device_look(position: int) -> tuple[str, tuple[float, ...]]:
    """Return colour and dash of the n-th device: different for the first 28; neighbours share neither."""
    number = position % MAX_NAMED
    turn = number // len(_COLOURS)
    return _COLOURS[number % len(_COLOURS)], DASHES[(number + turn) % len(DASHES)]


def _keys(ids: list[str]) -> list[str]:
    """Return a key for each device without dots and brackets, which Vega would read as a path."""
    return [f"{position}_{re.sub(r'[^0-9A-Za-z]+', '_', name)}" for position, name in enumerate(ids, 1)]


def _lines(values: Floats, ids: list[str], titles: list[str], prefix: str) -> tuple[Series, ...]:
    return tuple(
        Series(f"{prefix}_{key}", key, title, row, *device_look(position))
        for position, (key, title, row) in enumerate(zip(_keys(ids), titles, values, strict=True))
        if np.isfinite(row).any()
    )


def _values_on_axis(series: tuple[Series, ...], frequency: Floats) -> Floats:
    low, high = style.FREQUENCY_RANGE
    return np.concatenate([s.values[(frequency >= low) & (frequency <= high)] for s in series])


def _gap_notes(comparison: xr.Dataset, curve: str) -> list[str]:
    """Return a note for each reason why devices do not have a curve, without those in the notes of the comparison."""
    notes = str(comparison.attrs["notes"]).splitlines()
    gaps: dict[str, dict[str, str]] = json.loads(str(comparison.attrs["gaps"]))
    by_reason: dict[str, list[str]] = {}
    for device, title in zip(comparison["device"].values, comparison["title"].values, strict=True):
        reason = gaps.get(str(device), {}).get(curve)
        if reason and f"{title}: {reason}" not in notes:
            by_reason.setdefault(reason, []).append(str(title))
    return [f"Level not shown ({reason}): {', '.join(names)}." for reason, names in by_reason.items()]


def comparison_figure(comparison: xr.Dataset, what: str) -> dict[str, Any]:
    """Return the figure of a curve with its directivity index, or of an index, of several devices.

    Each device is shown inside its valid band only.

    Parameters
    ----------
    comparison : xarray.Dataset
        After the contract `comparison`: `level` (device, curve, frequency) and `directivity_index` (device, index,
        frequency) in dB, coordinate `title` (device).
    what : str
        The id of a curve or of an index.

    Returns
    -------
    dict
        A Vega-Lite specification with its data inside.

    Raises
    ------
    InputError
        If the comparison has no such curve or index, or no device has a value of it.
    """
    from anechain.acoustics.directivity.curve_titles import TITLES

    comparison = with_values_in_valid_bands(comparison)
    curves = [str(c) for c in comparison["curve"].values]
    indices = [str(i) for i in comparison["index"].values] if "index" in comparison.coords else []
    ids = [str(d) for d in comparison["device"].values]
    titles = [str(t) for t in comparison["title"].values]
    frequency = np.asarray(comparison["frequency"].values, np.float64)
    if what not in curves and what not in indices:
        raise InputError.single("comparison", f"{what}: no such curve or index", ", ".join([*curves, *indices]))

    def series_of(variable: str, dim: str, name: str) -> tuple[Series, ...]:
        values = comparison[variable].sel({dim: name}).transpose("device", "frequency").values
        return _lines(np.asarray(values, np.float64), ids, titles, dim)

    panels = []
    shown: set[str] = set()
    if what in curves:
        lines = series_of("level", "curve", what)
        if lines:
            shown |= {s.key for s in lines}
            kind = str(comparison.attrs.get("level_kind", "spl"))
            limits = style.level_limits(_values_on_axis(lines, frequency))
            panels.append(Panel("level", style.level_axis_title(kind), limits, lines))
    index = what if what in indices else _index_of(what, indices)
    if index is not None and (panels or what in indices):
        lines = series_of("directivity_index", "index", index)
        if lines:
            shown |= {s.key for s in lines}
            limits = style.index_limits(_values_on_axis(lines, frequency))
            # One legend for both panels, unless a device is in the lower panel only.
            shared = bool(panels) and {s.key for s in lines} <= {s.key for s in panels[0].series}
            panels.append(
                Panel("index", "Directivity index in dB", limits, lines, legend_of="level" if shared else None)
            )
    if not panels:
        raise InputError.single(
            "comparison", f"{what}: no device has a value", fix="see the gaps of the devices for the reasons"
        )
    notes = [line for line in str(comparison.attrs.get("notes", "")).splitlines() if line.strip()]
    not_shown = [title for key, title in zip(_keys(ids), titles, strict=True) if key not in shown]
    if what in curves:
        notes += _gap_notes(comparison, what)
    elif not_shown:
        notes.append(f"Not shown, without such an index: {', '.join(not_shown)}")
    if len(ids) > MAX_NAMED:
        notes.append(f"All {len(shown)} devices in grey: too many for different colours.")
    return stack_panels(
        frequency,
        panels,
        title=TITLES.get(what, what),
        lines=[f"{len(shown)} devices; {style.conditions_text(comparison.attrs)}".rstrip("; ")],
        notes=notes,
        band=style.FREQUENCY_RANGE,
        with_legend=len(ids) <= MAX_NAMED,
    )
