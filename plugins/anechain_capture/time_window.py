"""Time window of a device's impulse responses."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from anechain.acoustics.recording.sweeps import advance_times
from anechain.acoustics.recording.time_windows import Window
from anechain_capture.excitation import Excitation
from anechain_capture.files import RecordedFile
from anechain_capture.options import CaptureOptions

__all__ = ["MAX_LENGTH", "latest_reflection", "time_window", "window_report"]


MAX_LENGTH = 1.0
"""Length after the arrival, in seconds, of the window that is used if the options have none."""
SEARCH = (0.028, 0.1)
"""Shortest and longest time in seconds after the arrival in which reflections are searched. Sound that arrives 0.1 s
later has travelled 34 m farther: an ordinary room has reflected sound long before. Common practice, no source."""


def latest_reflection(options: CaptureOptions, window: Window | None) -> float:
    """Return the longest delay in seconds of a reflection that is searched: the window's end, within SEARCH."""
    if options.window is None or window is None:
        return SEARCH[1]
    return float(np.clip(window.after, *SEARCH))


def time_window(files: Sequence[RecordedFile], options: CaptureOptions, excitation: Excitation | None) -> Window | None:
    """Return the time window of all impulse responses.

    It is the window of the options. Without one it is, for recordings, the longest window that fits into every
    recording, and None for impulse responses, which then count as a whole.

    Parameters
    ----------
    files : sequence of RecordedFile
        All of one sampling rate.
    options : CaptureOptions
    excitation : Excitation or None
        None for impulse responses.
    """
    if options.window is not None:
        gate = options.window
        fade = gate.after / 4 if gate.fade is None else gate.fade
        return Window(gate.before / 1e3, gate.after / 1e3, fade / 1e3, gate.shape)
    if excitation is None:
        return None
    rate = files[0].header.sampling_rate
    shortest = min(file.header.samples for file in files)
    played = shortest // 2 if excitation.signal is None else excitation.signal.size
    after = float(np.clip((shortest - played) / rate, 0.02, MAX_LENGTH))
    separation = float(advance_times(2, excitation.rate)) if excitation.rate else 2 * after
    return Window(min(0.05, separation / 2, after), after, after / 4, "hann")


def window_report(options: CaptureOptions, window: Window | None, lowest: float) -> list[str]:
    """Return the lines of the import report on the window.

    Parameters
    ----------
    options : CaptureOptions
    window : Window or None
    lowest : float
        Lowest valid frequency in Hz.
    """
    if window is None:
        return [
            f"no window: each response counts as a whole; lowest valid frequency {lowest:.4g} Hz, one over its length"
        ]
    shape = "no fades" if window.shape == "rectangular" else f"{window.shape} fades of"
    times = "" if window.shape == "rectangular" else f" {1e3 * window.before:g} ms and {1e3 * window.fade:g} ms"
    text = (
        f"window from {1e3 * window.before:g} ms before to {1e3 * window.after:g} ms after arrival, {shape}{times}; "
        f"lowest valid frequency {lowest:.4g} Hz, one over its length of {1e3 * window.length:.4g} ms"
    )
    if options.window is None:
        return [f"no window in the options: reflections stay in the responses; {text}"]
    return [text]
