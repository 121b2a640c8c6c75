"""Actual sampling rate of recordings, if their response indicates another one than they state."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from anechain.acoustics.recording.clock_errors import clock_ratio
from anechain_capture.excitation import Excitation
from anechain_capture.files import RecordedFile
from anechain_capture.options import CaptureOptions
from anechain_capture.recording_analysis import Recording
from anechain_capture.sound_files import read_samples

__all__ = ["RateRatio", "rate_ratio"]

MIN_COMPACTNESS = 0.8
"""Share of a response's energy near its maximum below which other sampling rates are tried."""


@dataclass(frozen=True)
class RateRatio:
    """Ratio of another sampling rate to the stated one.

    Attributes
    ----------
    label : str
        Recording that was examined.
    ratio : float
        Samples recorded for each sample played.
    gain : float
        Factor by which the response is more compact at this sampling rate.
    """

    label: str
    ratio: float
    gain: float


def rate_ratio(
    files: Sequence[RecordedFile],
    recordings: Sequence[Recording],
    axis_labels: Sequence[str],
    excitation: Excitation | None,
    options: CaptureOptions,
) -> RateRatio | None:
    """Search for another sampling rate if the response on the axis (else the first response) is not compact.

    Parameters
    ----------
    files : sequence of RecordedFile
    recordings : sequence of Recording
        The same recordings after their analysis.
    axis_labels : sequence of str
        Labels of the recordings on the axis.
    excitation : Excitation or None
        None for impulse responses.
    options : CaptureOptions

    Returns
    -------
    RateRatio or None
        None if the stated sampling rate fits best, or the excitation was recorded by the same clock.
    """
    if excitation is None or excitation.signal is None or options.loopback is not None:
        return None
    label = axis_labels[0] if axis_labels else recordings[0].label
    recording = next(recording for recording in recordings if recording.label == label)
    if recording.facts.compactness >= MIN_COMPACTNESS:
        return None
    file = next(file for file in files if file.label == label)
    record = read_samples(file.path, file.label, file.header, [options.channel])[0]
    ratio, gain = clock_ratio(record, excitation.signal, file.header.sampling_rate, excitation.band)
    return RateRatio(label, ratio, gain) if ratio != 1 else None
