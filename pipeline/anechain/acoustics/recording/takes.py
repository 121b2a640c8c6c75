"""Repeated takes of one direction at one drive: joined level, and standard deviation of the takes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import level_of_power, power_of_level
from anechain.acoustics.uncertainty.components import repeatability
from anechain.arrays import Floats
from anechain.methods import method

__all__ = ["COMMON_POWER", "JoinedTakes", "join_takes"]

COMMON_POWER = 0.5
"""Smallest ratio of the squared mean pressure to the mean squared pressure with which the mean has a phase: the phases
of two equal levels may differ by up to 90 degrees. Common practice, no source."""


@dataclass(frozen=True)
class JoinedTakes:
    """Repeated takes joined into one.

    Attributes
    ----------
    level : numpy.ndarray
        Level of the mean squared pressure of the takes that have a value, dB; NaN where none has.
    standard_deviation : numpy.ndarray
        Sample standard deviation (n - 1) of the levels of the takes, dB; NaN where not all takes have a level.
    phase : numpy.ndarray or None
        Phase of the mean complex pressure, degrees; NaN where the phases of the takes differ too much or a take has
        none.
    """

    level: Floats
    standard_deviation: Floats
    phase: Floats | None


@method(
    "repeated-takes",
    version=1,
    title="Takes of one direction joined: mean squared pressure, phase of the mean pressure",
    formula="10 lg of the mean of squared pressures; phase of the mean pressure; standard deviation with n - 1",
    source="mean of squared pressures, as over microphone positions in the ISO 3740 family (recalled); spread by GUM, "
    "JCGM 100:2008, 4.2",
    source_status="common practice, no source",
    limitations="Noise is not averaged out: its power stays in the level. Averaging of waveforms, which requires that "
    "nothing moved and the air did not change, must be done before import.",
)
def join_takes(levels: ArrayLike, phases: ArrayLike | None = None) -> JoinedTakes:
    """Join takes of the same direction at the same drive.

    Squared pressures are averaged, not complex pressures. Arrival times of takes differ because of air temperature and
    microphone position; a standard deviation of s seconds lowers a complex mean by 4.343 (2 pi f s)^2 dB, which is
    1.7 dB at 20 kHz for 5 microseconds (1.7 mm of path), and looks like a property of the loudspeaker. Aligning takes
    by their arrivals does not remove errors of the arrivals caused by noise.

    Parameters
    ----------
    levels : array_like, shape (takes, ...)
        dB, at least two takes; NaN where a take has no value.
    phases : array_like, same shape, optional
        Degrees, each relative to the arrival of its take.

    Returns
    -------
    JoinedTakes
        Arrays of the shape of one take.

    Raises
    ------
    ValueError
        If there are fewer than two takes, or the phases have another shape.
    """
    level = np.asarray(levels, dtype=np.float64)
    if level.ndim == 0 or level.shape[0] < 2:
        raise ValueError("joining needs at least two takes")
    power = power_of_level(level)
    known = ~np.isnan(power)
    count = known.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(known, power, 0.0).sum(axis=0) / count
    complete = np.isfinite(level).all(axis=0)
    deviation, _ = repeatability(np.where(complete, level, 0.0), of_the_mean=False)
    phase = None
    if phases is not None:
        angle = np.asarray(phases, dtype=np.float64)
        if angle.shape != level.shape:
            raise ValueError(f"phases of shape {angle.shape} for levels of shape {level.shape}")
        mean_pressure = (np.sqrt(power) * np.exp(1j * np.deg2rad(angle))).mean(axis=0)
        agree = np.abs(mean_pressure) ** 2 >= COMMON_POWER * mean * (1 - 1e-12)
        phase = np.where(agree & (mean > 0), np.rad2deg(np.angle(mean_pressure)), np.nan)
        phase = np.where(phase <= -180, phase + 360, phase)
    return JoinedTakes(level_of_power(mean), np.where(complete, deviation, np.nan), phase)
