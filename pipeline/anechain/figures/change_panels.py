"""Panels of the figure of the change between two results: which curves are drawn, and how they look."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from anechain.arrays import Floats
from anechain.figures import style
from anechain.figures.panel_elements import Series
from anechain.figures.style import BLACK, BLUE, DASHES, GREEN, ORANGE, PURPLE, SKY, VERMILION

if TYPE_CHECKING:
    from anechain.data.changes import DeviceChange, ExplainedDifference

__all__ = ["MAX_PANELS", "ChangePanel", "drawn_devices", "drawn_panels", "finite_values", "shorten_title"]


MAX_PANELS = 12
"""Limit of the number of panels in a figure: those with the largest changes are drawn."""


SAME_LINE = 1e-3
"""dB: curves whose changes are equal within this tolerance are drawn as one line."""


_COLOURS = (BLACK, BLUE, GREEN, VERMILION, PURPLE, ORANGE, SKY)


_MAX_LEGEND_LETTERS = 48


@dataclass(frozen=True)
class ChangePanel:
    """Curves or directivity indices of one device on one frequency grid.

    Attributes
    ----------
    device, title : str
        Id and name in print of the device.
    what : str
        "curves" or "directivity indices".
    axis : str
        Title of the axis of the change.
    frequency : numpy.ndarray, shape (n,)
        Hz.
    series : tuple of Series
        The changes in dB.
    band : tuple of float
        The valid band in Hz.
    notes : tuple of str
        Notes below the figure.
    """

    device: str
    title: str
    what: str
    axis: str
    frequency: Floats
    series: tuple[Series, ...]
    band: tuple[float, float]
    notes: tuple[str, ...]

    @property
    def largest(self) -> float:
        """Largest absolute change in dB."""
        return max(float(np.max(np.abs(finite_values(s.values, self.frequency)), initial=0.0)) for s in self.series)


def drawn_panels(devices: Sequence[DeviceChange]) -> tuple[list[ChangePanel], int]:
    """Return the panels with the largest changes, and the number of all panels."""
    panels = [panel for device in devices for panel in _panels(device)]
    drawn = sorted(sorted(range(len(panels)), key=lambda index: -panels[index].largest)[:MAX_PANELS])
    return [panels[index] for index in drawn], len(panels)


def drawn_devices(devices: Sequence[DeviceChange]) -> set[str]:
    """Return the ids of the devices that :func:`anechain.figures.change.change_figure` draws."""
    return {panel.device for panel in drawn_panels(devices)[0]}


def _panels(device: DeviceChange) -> list[ChangePanel]:
    low, high = device.valid_band or style.FREQUENCY_RANGE
    band = max(low, style.FREQUENCY_RANGE[0]), min(high, style.FREQUENCY_RANGE[1])
    panels = []
    for kind, what, axis in (
        ("curve", "curves", "Change of level in dB"),
        ("index", "directivity indices", "Change of index in dB"),
    ):
        by_grid: dict[bytes, list[ExplainedDifference]] = {}
        for item in device.own_differences:
            if item.difference.kind == kind and np.isfinite(item.difference.change).any():
                by_grid.setdefault(item.difference.frequency.tobytes(), []).append(item)
        for items in by_grid.values():
            series, notes = _series(device, kind, items)
            grid = items[0].difference.frequency
            panels.append(ChangePanel(device.device, device.title, what, axis, grid, series, band, notes))
    return panels


def _series(
    device: DeviceChange, kind: str, items: Sequence[ExplainedDifference]
) -> tuple[tuple[Series, ...], tuple[str, ...]]:
    """Return the curves of a panel, equal changes merged, and notes that name the merged curves."""
    from anechain.acoustics.directivity.curve_titles import TITLES

    styles = _styles()
    series: list[Series] = []
    notes: list[str] = []
    ordered = sorted(items, key=lambda item: [*styles, item.difference.name].index(item.difference.name))
    total = device.counts.get(kind, 0)
    for group in _equal_changes(ordered):
        first = group[0].difference
        values = np.where(np.isfinite(first.change), first.change, np.nan)
        names = [
            TITLES.get(item.difference.name, item.difference.name).replace(" directivity index", "") for item in group
        ]
        colour, dash = styles.get(first.name, (BLACK, DASHES[0]))
        title = names[0]
        if len(group) > 1 and len(group) == total:
            title = f"All {total} {'curves' if kind == 'curve' else 'indices'}"
        elif len(group) > 1:
            others = f" and {len(group) - 1} equal"
            title = shorten_title(names[0], len(others)) + others
            notes.append(f"{device.title}, equal within {SAME_LINE:g} dB: {'; '.join(names)}.")
        series.append(Series(f"line_{len(series)}", f"{len(series)}", title, values, colour, dash))
    return tuple(series), tuple(notes)


def _equal_changes(items: Sequence[ExplainedDifference]) -> list[list[ExplainedDifference]]:
    """Group the curves whose changes are equal; each group in the original order."""
    groups: list[list[ExplainedDifference]] = []
    for item in items:
        change = item.difference.change
        for group in groups:
            if np.allclose(group[0].difference.change, change, rtol=0, atol=SAME_LINE, equal_nan=True):
                group.append(item)
                break
        else:
            groups.append([item])
    return groups


def _styles() -> dict[str, tuple[str, tuple[float, ...]]]:
    """Return colour and dash by curve, the same in every panel and figure; the first 49 curves all differ."""
    from anechain.acoustics.directivity.curve_titles import TITLES

    main = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
    order = dict.fromkeys([*main, *TITLES])
    size = len(_COLOURS)
    return {
        name: (_COLOURS[index % size], DASHES[(index + index // size) % len(DASHES)])
        for index, name in enumerate(order)
    }


def finite_values(values: Floats, frequency: Floats) -> Floats:
    """Return the finite values at frequencies of the axis."""
    low, high = style.FREQUENCY_RANGE
    return values[np.isfinite(values) & (frequency >= low) & (frequency <= high)]


def shorten_title(title: str, suffix_length: int = 0) -> str:
    """Return a title shortened to the length of a legend entry, with room for a suffix."""
    length = _MAX_LEGEND_LETTERS - suffix_length
    return title if len(title) <= length else f"{title[: length - 1]}…"
