"""Notes of a comparison: in what the devices are not compared on the same terms."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from anechain.acoustics.curve.frequency_text import format_frequency

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["comparison_notes"]


def comparison_notes(
    curves: Mapping[str, xr.Dataset], alignment_band: tuple[float, float] | None, not_aligned: Mapping[str, str]
) -> list[str]:
    """Return the notes of a comparison, one line each.

    Parameters
    ----------
    curves : mapping of str to xarray.Dataset
        Datasets of the contract `curves`, by device.
    alignment_band : tuple of float or None
        Hz, if levels are relative; None if they are absolute.
    not_aligned : mapping of str to str
        Why a device cannot be aligned in level.
    """
    titles = {device: str(curve_set.attrs["title"]) for device, curve_set in curves.items()}
    notes = []
    if alignment_band is not None:
        relative = [titles[device] for device, data in curves.items() if data.attrs["level_kind"] == "relative"]
        notes.append(
            f"only relative levels are known of {', '.join(relative)}: all devices are set to a mean of 0 dB on axis "
            f"from {alignment_band[0]:g} to {alignment_band[1]:g} Hz; their sensitivities are not compared"
        )
    notes += [f"{titles[device]}: {reason}" for device, reason in not_aligned.items()]
    notes += [
        f"{titles[device]}: mirrored by declared symmetry, not measured: {data.attrs['mirrored_directions']}"
        for device, data in curves.items()
        if "mirrored_directions" in data.attrs
    ]
    return [*notes, *_valid_band_notes(curves), *_resolution_notes(curves)]


def _valid_band_notes(curves: Mapping[str, xr.Dataset]) -> list[str]:
    """Return a note with the valid bands, if they differ."""
    by_band: dict[str, list[str]] = {}
    for curve_set in curves.values():
        attrs, band = curve_set.attrs, "not stated"
        if "valid_low" in attrs and "valid_high" in attrs:
            band = f"{format_frequency(attrs['valid_low'])} to {format_frequency(attrs['valid_high'])}"
        by_band.setdefault(band, []).append(str(attrs["title"]))
    if len(by_band) < 2:
        return []
    bands = "; ".join(f"{', '.join(names)} {band}" for band, names in by_band.items())
    return [f"valid bands differ, each curve is shown inside that of its device: {bands}"]


def _resolution_notes(curves: Mapping[str, xr.Dataset]) -> list[str]:
    """Return a note for each device whose data are coarser than the smoothing below a frequency, if others differ."""
    limits = {device: curve_set.attrs.get("resolution_limit") for device, curve_set in curves.items()}
    if len({None if limit is None else format_frequency(limit) for limit in limits.values()}) < 2:
        return []
    return [
        f"{curves[device].attrs['title']}: below {format_frequency(limit)} fewer points than "
        f"{str(curves[device].attrs['smoothing']).partition(' octave')[0]}-octave smoothing needs"
        for device, limit in limits.items()
        if limit is not None
    ]
