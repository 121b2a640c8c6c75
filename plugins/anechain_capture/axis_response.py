"""Response on the axis at all frequencies that the time window resolves."""

from __future__ import annotations

import numpy as np
import xarray as xr

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.acoustics.recording.transforms import level_and_phase
from anechain_capture.options import CaptureOptions
from anechain_capture.recording_set import RecordingSet

__all__ = ["axis_dataset"]


def axis_dataset(
    recording_set: RecordingSet, drive: str, options: CaptureOptions, report: list[str]
) -> xr.Dataset | None:
    """Return the response on the axis at the drive of the responses, not smoothed; None without one.

    Parameters
    ----------
    recording_set : RecordingSet
    drive : str
        Text of {drive} of the responses.
    options : CaptureOptions
    report : list of str
        Lines of the import report are appended to it.

    Returns
    -------
    xarray.Dataset or None
        `level` and `phase` by frequency; None too if the responses already have all frequencies that are resolved.
    """
    on_axis = [
        each for each in recording_set.recordings if each.label in recording_set.axis_labels and each.drive == drive
    ]
    if options.grid == "native" or not on_axis:
        return None
    first = on_axis[0]
    if first.windowed is None:
        return None
    frequency, spectrum = first.windowed
    level, phase = level_and_phase(spectrum, REFERENCE_PRESSURE if recording_set.has_pascals else 1.0)
    known = np.isfinite(level)
    if not known.any():
        return None
    others = "" if len(on_axis) == 1 else f"; the first of {len(on_axis)} takes"
    report.append(
        f"on the axis also in steps of {frequency[1] - frequency[0]:.4g} Hz, for time and phase: {first.label}{others}"
    )
    return xr.Dataset(
        {"level": ("frequency", level[known]), "phase": ("frequency", phase[known])},
        coords={"frequency": frequency[known]},
    )
