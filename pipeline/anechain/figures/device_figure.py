"""A figure of a device: its name, its caption, the files it shows and the function that draws it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["Data", "DeviceFigure", "level_slug"]

Data = Mapping[str, Any]
"""Datasets and JSON documents of a device by file name."""


@dataclass(frozen=True)
class DeviceFigure:
    """One figure of a device.

    Attributes
    ----------
    name : str
        Part of the file name, after the device's id.
    caption : str
        Caption on the page.
    reads : tuple of str
        Names of the files that it shows.
    make : callable
        Takes the contents of these files, in this order, and returns a Vega-Lite specification.
    methods : tuple of str
        Ids of the methods that it uses itself; set from the table of figures.
    """

    name: str
    caption: str
    reads: tuple[str, ...]
    make: Callable[..., dict[str, Any]]
    methods: tuple[str, ...] = ()


def level_slug(level: float) -> str:
    """Return a level as part of a file name: 86, 86_5."""
    return f"{level:g}".replace(".", "_")
