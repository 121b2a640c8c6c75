"""Read the recordings of one device."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from anechain.assemble import assemble_responses
from anechain.hooks import Reading
from anechain.importing.direction_options import TAKE_METHODS
from anechain_capture.axis_response import axis_dataset
from anechain_capture.checks import CHECK_METHODS, check_recordings
from anechain_capture.drives import response_drive
from anechain_capture.harmonics import harmonics_dataset
from anechain_capture.multitone import MULTITONE_METHODS, read_multitone
from anechain_capture.options import CaptureOptions
from anechain_capture.recording_set import analyse_recordings
from anechain_capture.response_curves import arrival_report, response_curve
from anechain_capture.takes import takes_dataset

__all__ = ["METHODS", "read"]


METHODS = (
    *TAKE_METHODS,
    *CHECK_METHODS,
    "arrival-time",
    "calibrator-sensitivity",
    "causal-band-edge",
    "complex-smoothing",
    "deconvolution",
    "fractional-octave-smoothing",
    "harmonic-advance",
    "harmonic-bands",
    "harmonic-orders",
    "lowest-valid-frequency",
    "microphone-correction",
    "polarity",
    "regularised-inverse",
    "response-noise",
    "spectrum-at-frequencies",
    "steady-amplitude",
    "swept-sine",
    "time-window",
    "window-effect",
    *MULTITONE_METHODS,
)
"""Ids of the methods that this importer uses."""


def read(paths: Sequence[Path], options: CaptureOptions) -> Reading:
    """Read the recordings of one device, with one direction and drive each.

    Parameters
    ----------
    paths : sequence of Path
        The recordings, in any order. Files named in the options may be among them.
    options : CaptureOptions
        How they were recorded and named.

    Returns
    -------
    Reading
        With the content "multitone": `multitone`. Otherwise `responses` with level, phase and arrival, `level_kind`
        "spl" if the sensitivity of the microphone is known and "relative" if not; `axis`, the response on the axis at
        all frequencies that the window resolves; `harmonics` if the options ask for them; `takes` if several recordings
        are on the axis and their measurement order is known; and `checks`.

    Raises
    ------
    InputError
        With one problem for each thing that is wrong.
    """
    if options.content == "multitone":
        return read_multitone(paths, options)
    recording_set = analyse_recordings(paths, options)
    report = recording_set.report
    recordings, volts = recording_set.recordings, recording_set.volts
    directions = [(each.drive, each.direction.plane, each.direction.angle) for each in recordings]
    drive = response_drive(directions, volts, options)
    curves = [response_curve(each, recording_set, options) for each in recordings if each.drive == drive]
    other_drives = sorted({recording.drive for recording in recordings} - {drive})
    if other_drives:
        drive_text = f"{volts[drive]:g} V" if drive in volts else repr(drive)
        report.append(f"responses at the drive of {drive_text}; recordings at other drives: {', '.join(other_drives)}")
    if options.smoothing is not None:
        report.append(f"smoothed over 1/{options.smoothing.fraction:g} octave ({options.smoothing.kind})")
    else:
        report.append("not smoothed")
    responses = assemble_responses(curves, report)
    report.append(arrival_report(curves, options))
    axis = axis_dataset(recording_set, drive, options, report)
    harmonics = harmonics_dataset(recording_set, report) if options.harmonics else None
    takes = takes_dataset(recording_set, options, report)
    if options.harmonics is None and options.content == "sweep":
        report.append("harmonics not separated: option `harmonics` not set")
    for dataset in (responses, axis, harmonics, takes):
        if dataset is not None:
            dataset.attrs["level_kind"] = "spl" if recording_set.has_pascals else "relative"
            dataset.attrs["valid_low"], dataset.attrs["valid_high"] = recording_set.valid_band
    if takes is not None and recording_set.bands and recording_set.bands[0].low > recording_set.valid_band[0]:
        # Where the sweep fades in, the drive is lower than stated, and so is the compression.
        takes.attrs["valid_low"] = recording_set.bands[0].low
    if drive in volts:
        responses.attrs["drive"] = volts[drive]
    checks = check_recordings(recording_set, drive, options)
    return Reading(
        responses=responses, report=tuple(report), harmonics=harmonics, takes=takes, axis=axis, checks=checks
    )
