"""Level, phase and arrival of one recording."""

from __future__ import annotations

from collections.abc import Sequence

from anechain.acoustics.curve.levels import REFERENCE_PRESSURE
from anechain.acoustics.curve.smoothing import smooth
from anechain.acoustics.recording.complex_smoothing import complex_smooth
from anechain.acoustics.recording.transforms import level_and_phase
from anechain.assemble import Curve
from anechain_capture.files import take_word
from anechain_capture.options import CaptureOptions
from anechain_capture.recording_analysis import Recording
from anechain_capture.recording_set import RecordingSet

__all__ = ["arrival_report", "response_curve"]


def response_curve(recording: Recording, recording_set: RecordingSet, options: CaptureOptions) -> Curve:
    """Return the response of one recording, smoothed by the options.

    Levels are in dB re 20 µPa or, without a sensitivity, re a full-scale sine. Phases are in degrees, relative to the
    arrival of the sound.
    """
    spectrum, frequency = recording.spectrum, recording_set.frequency
    smoothing = options.smoothing
    if smoothing is not None and smoothing.kind == "complex":
        spectrum = complex_smooth(frequency, spectrum, smoothing.fraction)
    level, phase = level_and_phase(spectrum, REFERENCE_PRESSURE if recording_set.has_pascals else 1.0)
    if smoothing is not None and smoothing.kind == "power":
        level = smooth(frequency, level, smoothing.fraction)
    direction = recording.direction
    return Curve(
        direction.plane,
        direction.angle,
        frequency,
        level,
        phase,
        recording.label,
        recording.facts.arrival - options.latency / 1e3,
        take_word(direction),
    )


def arrival_report(curves: Sequence[Curve], options: CaptureOptions) -> str:
    """Return the line of the import report on the reference of phases and arrivals."""
    arrivals = [curve.arrival for curve in curves if curve.arrival is not None]
    origin = "the start of the impulse response" if options.content != "sweep" else "the start of the recording"
    if options.loopback is not None:
        origin = "the loopback"
    latency = f", without the stated latency of {options.latency:g} ms" if options.latency else ""
    return (
        "phase is relative to the arrival of the sound in each direction; the delay is in `arrival`, counted from "
        f"{origin}{latency}: {1e3 * min(arrivals):.4f} to {1e3 * max(arrivals):.4f} ms"
    )
