"""Effect of a time window on the level of a flat response that is limited by the band of its excitation."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.recording.arrival_time import arrival_time
from anechain.acoustics.recording.response_spectra import spectrum_at
from anechain.acoustics.recording.time_windows import Window, apply_window
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["TOLERANCE", "lowest_accurate_frequency", "window_effect"]

TOLERANCE = 0.5
"""Greatest error of the level of a flat response inside the valid band, dB. Common practice, no source."""


@method(
    "window-effect",
    version=1,
    title="Effect of band edge and time window on a flat response",
    formula="Level of the excitation, deconvolved by its own inverse, through the time window",
    source="the response of an ideal device is known: one within the band",
    source_status="common practice, no source",
    limitations="Of a flat device. One whose level falls towards the edge of the band is changed less by the edge, but "
    "loses what rings longer than the window.",
)
def window_effect(
    spectrum: ArrayLike, inverse: ArrayLike, samples: int, sampling_rate: float, frequency: ArrayLike, window: Window
) -> Floats:
    """Return the level that a device with a flat response of 0 dB would show.

    Parameters
    ----------
    spectrum, inverse : array_like of complex, shape (samples // 2 + 1,)
        Of the excitation, and its inverse.
    samples : int
        Length of the transform.
    sampling_rate : float
        Hz.
    frequency : array_like, shape (n,)
        Hz.
    window : Window

    Returns
    -------
    numpy.ndarray, shape (n,)
        dB.

    Raises
    ------
    ValueError
        If the window is longer than the transform.
    """
    import scipy.fft

    response = scipy.fft.irfft(np.asarray(spectrum) * np.asarray(inverse), samples)
    part, offset = apply_window(response, sampling_rate, arrival_time(response, sampling_rate), window)
    return np.asarray(20 * np.log10(np.abs(spectrum_at(part, sampling_rate, frequency, offset))))


def lowest_accurate_frequency(frequency: ArrayLike, error_db: ArrayLike, tolerance: float = TOLERANCE) -> float:
    """Return the lowest frequency from which on no error is greater than a tolerance.

    Parameters
    ----------
    frequency : array_like, shape (n,)
        Hz, ascending.
    error_db : array_like, shape (n,)
        dB.
    tolerance : float
        dB.

    Returns
    -------
    float
        Hz; NaN if the error at the highest frequency is greater than the tolerance.
    """
    f = np.asarray(frequency, dtype=np.float64)
    wrong = np.flatnonzero(~(np.abs(np.asarray(error_db, dtype=np.float64)) <= tolerance))
    first = int(wrong[-1]) + 1 if wrong.size else 0
    return float(f[first]) if first < f.size else float("nan")
