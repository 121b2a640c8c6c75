"""Checks of the recordings of a device."""

from __future__ import annotations

from anechain.hooks import Check
from anechain_capture.level_checks import check_clipping, check_hum, check_signal_to_noise
from anechain_capture.options import CaptureOptions
from anechain_capture.recording_set import RecordingSet
from anechain_capture.reflection_check import check_reflections
from anechain_capture.response_checks import check_polarity, check_polarity_agreement
from anechain_capture.sweep_checks import check_clock, check_drives, check_sweep_end, check_sweep_law

__all__ = ["CHECK_METHODS", "check_recordings"]

CHECK_METHODS = (
    "clock-error",
    "clock-ratio",
    "excitation-delay",
    "harmonic-misplacement",
    "later-energy",
    "later-sound",
    "level-by-drive",
    "mains-hum",
    "recording-signal-to-noise",
    "reflections",
    "response-likeness",
    "sweep-ending",
)
"""Ids of the methods that the checks use."""


def check_recordings(recording_set: RecordingSet, drive: str, options: CaptureOptions) -> tuple[Check, ...]:
    """Check the recordings of a device.

    Parameters
    ----------
    recording_set : RecordingSet
    drive : str
        Drive of the responses: clocks, polarity and reflections are checked at this drive.
    options : CaptureOptions
    """
    at_drive = [recording for recording in recording_set.recordings if recording.drive == drive]
    return (
        check_clipping(recording_set.recordings),
        check_signal_to_noise(recording_set),
        check_hum(recording_set),
        check_sweep_end(recording_set),
        check_clock(recording_set, at_drive, options),
        *check_sweep_law(recording_set, options),
        *check_drives(recording_set, options),
        check_polarity(at_drive),
        check_polarity_agreement(at_drive, recording_set.sampling_rate),
        check_reflections(recording_set, at_drive, options),
    )
