"""Uncertainty of a level as read: rounding of an exported table, and noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["level_resolution", "noise_uncertainty"]

EXPORT_STEPS = (1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)
"""Rounding steps in dB that are tried, from coarse to fine."""

MIN_DISTINCT_VALUES = 8
"""With fewer distinct values no rounding step is determined."""

STEP_TOLERANCE = 2e-5
"""dB by which a value stored in single precision may differ from a multiple of the step."""

MAX_NOISE_RATIO = 0.3
"""Ratio of noise to level up to which the first-order uncertainty holds."""


@method(
    "level-resolution",
    version=1,
    title="Step that exported levels are rounded to",
    formula="Largest usual step of which all differences are whole multiples",
    source="largest usual step of which all differences between the values are multiples",
    source_status="common practice, no source",
    limitations="Does not detect the step after interpolation or averaging, or with fewer than eight distinct values.",
)
def level_resolution(level: ArrayLike) -> float:
    """Return the step in dB that levels were rounded to; 0 if not known.

    A constant added after rounding (distance, calibration) does not hide the step.

    Parameters
    ----------
    level : array_like
        dB, as exported; NaN is ignored.

    Returns
    -------
    float
        dB, from 0.001 to 1, or 0.
    """
    values = np.asarray(level, dtype=np.float64).ravel()
    values = values[np.isfinite(values)]
    if values.size == 0 or np.unique(np.round(values, 4)).size < MIN_DISTINCT_VALUES:
        return 0.0
    differences = values - values[0]
    for step in EXPORT_STEPS:
        if (np.abs(differences - step * np.rint(differences / step)) <= STEP_TOLERANCE).all():
            return step
    return 0.0


@method(
    "noise-uncertainty",
    version=1,
    title="Standard uncertainty of a level caused by noise",
    formula="8.686 dB times 10^(-S / 20) over sqrt 2, S being the level above the noise",
    source="a noise phasor of random phase: its part in phase with the tone has the standard deviation r / sqrt 2 for "
    "a ratio r of noise to tone, and 20 lg(1 + x) is 8.686 x to first order (GUM, 5.1)",
    source_status="common practice, no source",
    limitations="First order: valid for noise at least 10 dB below the level. Valid for noise, not for hum with a "
    "constant phase.",
)
def noise_uncertainty(level_to_noise_db: ArrayLike) -> Floats:
    """Return the standard uncertainty in dB of a level in noise.

    Parameters
    ----------
    level_to_noise_db : array_like
        Level minus noise, dB.

    Returns
    -------
    numpy.ndarray
        dB; infinite where the level is less than about 10 dB above the noise.
    """
    ratio = 10.0 ** (-np.asarray(level_to_noise_db, dtype=np.float64) / 20.0)
    first_order = 20.0 / np.log(10.0) * ratio / np.sqrt(2.0)
    return np.asarray(np.where(ratio > MAX_NOISE_RATIO, np.inf, first_order))
