"""Frequencies at which spectra are evaluated."""

from __future__ import annotations

import numpy as np

from anechain.acoustics.recording.time_windows import Window
from anechain.arrays import Floats
from anechain.errors import InputError
from anechain_capture.files import HERE
from anechain_capture.options import CaptureOptions, Grid

__all__ = ["frequency_grid"]


def frequency_grid(
    options: CaptureOptions, low: float, high: float, window: Window | None, length: float, report: list[str]
) -> Floats:
    """Return the frequencies of the grid in the options that are between `low` and `high`.

    Parameters
    ----------
    options : CaptureOptions
    low, high : float
        Valid band in Hz.
    window : Window or None
        None if impulse responses count as a whole.
    length : float
        Length of the shortest recording in seconds.
    report : list of str
        Lines of the import report are appended to it.

    Returns
    -------
    numpy.ndarray, shape (frequencies,)
        Hz.

    Raises
    ------
    InputError
        If there are none.
    """
    if options.grid == "native":
        step = 1.0 / (length if window is None else window.before + window.after)
        grid = step * np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1)
        report.append(f"frequencies in steps of {step:g} Hz, one over the length of the transformed part")
    else:
        settings = options.grid
        assert isinstance(settings, Grid)
        limits = max(low, settings.low), min(high, settings.high)
        steps = settings.per_octave * np.log2(np.array(limits) / 1000.0)
        grid = 1000.0 * 2.0 ** (
            np.arange(np.ceil(steps[0] - 1e-9), np.floor(steps[1] + 1e-9) + 1) / settings.per_octave
        )
        report.append(
            f"the transform is evaluated at {settings.per_octave} frequencies per octave from {settings.low:g} to "
            f"{settings.high:g} Hz, counted from 1 kHz"
        )
        if limits != (settings.low, settings.high):
            report.append(
                f"frequencies omitted below {limits[0]:g} Hz and above {limits[1]:g} Hz: outside the valid range of "
                "window, band or microphone calibration"
            )
    if not grid.size:
        raise InputError.single(
            HERE,
            f"no frequency of the grid is between {low:g} and {high:g} Hz, where the responses are valid",
            "a longer window, or a grid with frequencies in this range",
            "correct the options `window`, `band` or `grid`",
        )
    return grid
