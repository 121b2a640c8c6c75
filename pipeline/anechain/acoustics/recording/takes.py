"""Several takes of one direction at one drive: one level, and how far the takes lie apart."""

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
"""Share of their power that takes must have in common for their phase to mean something: two equally loud ones may lie
up to 90 degrees apart. Common practice, no source."""


@dataclass(frozen=True)
class JoinedTakes:
    """Takes joined.

    Attributes
    ----------
    level : numpy.ndarray
        dB of the mean squared pressure of the takes that have a value; NaN where none has.
    standard_deviation : numpy.ndarray
        Of the takes' levels in dB, with one less than their number; NaN where not all takes have a level.
    phase : numpy.ndarray or None
        Degrees of the mean complex pressure; NaN where the takes do not agree on one, or where one has none.
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
    limitations="Noise is not averaged out: its power stays in the level. Takes that are to be averaged as "
    "waveforms, which "
    "needs that nothing moved and the air stayed the same, are averaged before they come here.",
)
def join_takes(levels: ArrayLike, phases: ArrayLike | None = None) -> JoinedTakes:
    """Join takes of the same direction at the same drive.

    Squared pressures are averaged, and not complex pressures: takes differ in arrival by the air's temperature and by
    the microphone's place, and a spread of s seconds would lower a complex mean by 4.343 (2 pi f s)^2 dB, 1.7 dB at
    20 kHz for 5 microseconds (1.7 mm of path), which would be taken for a property of the loudspeaker. Aligning takes
    by their arrivals does not undo what noise does to the arrivals.

    Parameters
    ----------
    levels : array_like, shape (takes, ...)
        dB; two takes or more. NaN where a take has no value.
    phases : array_like, same shape, optional
        Degrees, each relative to its own take's arrival.

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
        raise ValueError("joining needs two takes or more")
    power = power_of_level(level)
    given = ~np.isnan(power)
    count = given.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(given, power, 0.0).sum(axis=0) / count
    whole = np.isfinite(level).all(axis=0)
    spread, _ = repeatability(np.where(whole, level, 0.0), of_the_mean=False)
    phase = None
    if phases is not None:
        angle = np.asarray(phases, dtype=np.float64)
        if angle.shape != level.shape:
            raise ValueError(f"phases of shape {angle.shape} for levels of shape {level.shape}")
        common = (np.sqrt(power) * np.exp(1j * np.deg2rad(angle))).mean(axis=0)
        agreed = np.abs(common) ** 2 >= COMMON_POWER * mean * (1 - 1e-12)
        phase = np.where(agreed & (mean > 0), np.rad2deg(np.angle(common)), np.nan)
        phase = np.where(phase <= -180, phase + 360, phase)
    return JoinedTakes(level_of_power(mean), np.where(whole, spread, np.nan), phase)
