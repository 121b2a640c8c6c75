"""Takes of a device: level of each recording on the axis, in the order of measurement."""

from __future__ import annotations

import numpy as np
import xarray as xr

from anechain_capture.options import CaptureOptions
from anechain_capture.recording_set import RecordingSet
from anechain_capture.response_curves import response_curve

__all__ = ["takes_dataset"]


def takes_dataset(recording_set: RecordingSet, options: CaptureOptions, report: list[str]) -> xr.Dataset | None:
    """Return the dataset of takes; None without several recordings of known order and drive on the axis.

    Parameters
    ----------
    recording_set : RecordingSet
    options : CaptureOptions
    report : list of str
        Lines of the import report are appended to it.
    """
    if len(recording_set.axis_labels) < 2:
        return None
    if recording_set.order is None:
        report.append(
            "takes on the axis not listed in their order: the measurement order is not known (option `order`, "
            "field {order}, columns order or started of the manifest)"
        )
        return None
    by_label = {recording.label: recording for recording in recording_set.recordings}
    takes = [by_label[label] for label in recording_set.order.labels]
    if unknown := sorted({take.drive for take in takes} - recording_set.volts.keys()):
        drives = ", ".join(map(repr, unknown)) if any(unknown) else "the drive"
        report.append(f"takes on the axis not listed in their order: volts of {drives} not known")
        return None
    levels = np.stack([response_curve(take, recording_set, options).level for take in takes])
    volts = [recording_set.volts[take.drive] for take in takes]
    report.append(f"takes on the axis in the order of measurement: {', '.join(f'{drive:g} V' for drive in volts)}")
    started = np.array(recording_set.order.started)
    if np.isnan(started).any():
        report.append("times of takes missing: start times are not known, or not of all")
    return xr.Dataset(
        {
            "level": (("take", "frequency"), levels),
            "drive": ("take", np.array(volts)),
            "started": ("take", started),
            "recording": ("take", np.array(recording_set.order.labels, dtype=object)),
        },
        coords={"take": np.arange(1, len(takes) + 1, dtype=np.int64), "frequency": recording_set.frequency},
    )
