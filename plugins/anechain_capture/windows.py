"""Time window and frequency grid of a device's recordings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from anechain.acoustics.recording.sweeps import advance_times
from anechain.acoustics.recording.time_windows import Window
from anechain.arrays import Floats
from anechain.errors import InputError
from anechain_capture.excitations import Excitation
from anechain_capture.files import HERE, RecordedFile
from anechain_capture.options import CaptureOptions, Grid

__all__ = ["LONGEST", "frequencies_of", "said_of_window", "window_of"]


LONGEST = 1.0
"""Seconds after the arrival that count where no window is asked for."""


def window_of(files: Sequence[RecordedFile], options: CaptureOptions, excitation: Excitation | None) -> Window | None:
    """Window that is asked for, or the longest that every recording has room for; None for whole impulse responses."""
    if options.window is not None:
        gate = options.window
        fade = gate.after / 4 if gate.fade is None else gate.fade
        return Window(gate.before / 1e3, gate.after / 1e3, fade / 1e3, gate.shape)
    if excitation is None:
        return None
    rate = files[0].header.sampling_rate
    shortest = min(file.header.samples for file in files)
    played = shortest // 2 if excitation.signal is None else excitation.signal.size
    after = float(np.clip((shortest - played) / rate, 0.02, LONGEST))
    apart = float(advance_times(2, excitation.rate)) if excitation.rate else 2 * after
    return Window(min(0.05, apart / 2, after), after, after / 4, "hann")


def frequencies_of(
    options: CaptureOptions, low: float, high: float, window: Window | None, length: float, report: list[str]
) -> Floats:
    """Frequencies that the options ask for, as far as they lie between `low` and `high`; the report says which.

    Raises
    ------
    InputError
        If none does.
    """
    if options.grid == "native":
        step = 1.0 / (length if window is None else window.before + window.after)
        grid = step * np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1)
        report.append(f"frequencies in steps of {step:g} Hz, one over the length of what is transformed")
    else:
        assert isinstance(options.grid, Grid)
        wanted = options.grid
        ends = max(low, wanted.low), min(high, wanted.high)
        steps = wanted.per_octave * np.log2(np.array(ends) / 1000.0)
        grid = 1000.0 * 2.0 ** (np.arange(np.ceil(steps[0] - 1e-9), np.floor(steps[1] + 1e-9) + 1) / wanted.per_octave)
        report.append(
            f"the transform is evaluated at {wanted.per_octave} frequencies per octave from {wanted.low:g} to "
            f"{wanted.high:g} Hz, counted from 1 kHz"
        )
        if ends != (wanted.low, wanted.high):
            report.append(
                f"frequencies left out below {ends[0]:g} Hz and above {ends[1]:g} Hz: window, band or calibration of "
                "the microphone say nothing there"
            )
    if not grid.size:
        raise InputError.single(
            HERE,
            f"no frequency of the grid lies between {low:g} and {high:g} Hz, where the responses mean something",
            "a longer window, or a grid that reaches there",
            "correct the options `window`, `band` or `grid`",
        )
    return grid


def said_of_window(options: CaptureOptions, window: Window | None, lowest: float) -> list[str]:
    """Lines of the report on the window and on what it cannot tell."""
    if window is None:
        return [f"no window: all of each response counts; nothing is told below {lowest:.4g} Hz, one over its length"]
    shape = "no fades" if window.shape == "rectangular" else f"{window.shape} fades of"
    times = "" if window.shape == "rectangular" else f" {1e3 * window.before:g} ms and {1e3 * window.fade:g} ms"
    text = (
        f"window from {1e3 * window.before:g} ms before to {1e3 * window.after:g} ms after arrival, {shape}{times}; "
        f"nothing is told below {lowest:.4g} Hz, one over its length of {1e3 * window.length:.4g} ms"
    )
    if options.window is None:
        return [f"no window given: what reflections there are stay in the responses; {text}"]
    return [text]
