"""Titles of curves and bands in print, and their parts of a number's id."""

from __future__ import annotations

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.directivity.curve_titles import TITLES

__all__ = ["band_id", "band_label", "curve_title", "id_part"]


def id_part(value: float) -> str:
    """Return a value as part of an id: "3", or "2p5" for 2.5."""
    return f"{value:g}".replace(".", "p").replace("-", "m")


def band_id(band: tuple[float, float]) -> str:
    """Return a band in Hz as part of an id: "300_3000"."""
    return f"{id_part(band[0])}_{id_part(band[1])}"


def band_label(band: tuple[float, float]) -> str:
    """Return a band in print: "300 to 3000 Hz"."""
    return f"{format_hertz(band[0])} to {format_hertz(band[1])} Hz"


def curve_title(curve: str) -> str:
    """Return the title of a curve or index in print."""
    return TITLES.get(curve, curve)
