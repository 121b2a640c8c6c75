"""Text of the figures of compression: drives, numbers and the bands in which limits are passed."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["exceedance_texts", "figure_title", "format_volts", "true_minus"]


def format_volts(drive: float) -> str:
    """Return a drive with three significant digits and its unit."""
    return f"{drive:.3g} V"


def true_minus(text: str) -> str:
    """Return a text with minus signs in place of hyphens."""
    return text.replace("-", "−")


def figure_title(compression: xr.Dataset, what: str) -> str:
    """Return the title of a figure of compression: the device, and what is shown."""
    return f"{compression.attrs['title']}: {what}"


def exceedance_texts(compression: xr.Dataset) -> list[str]:
    """Return the bands in which compression exceeds its limits, a line for each drive and limit."""
    from anechain.acoustics.nonlinear.exceedance_bands import ExceedanceBand, band_text

    lines: dict[tuple[float, float], list[str]] = {}
    for entry in json.loads(str(compression.attrs["passed"])):
        drive, limit = float(entry.pop("drive")), float(entry.pop("limit"))
        lines.setdefault((drive, limit), []).append(band_text(ExceedanceBand(**entry)))
    return [
        f"{format_volts(drive)}: {true_minus(f'{limit:g}')} dB exceeded {'; '.join(bands)}"
        for (drive, limit), bands in lines.items()
    ]
