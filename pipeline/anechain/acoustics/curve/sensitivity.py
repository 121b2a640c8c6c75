"""Sensitivity: mean level in a band at 1 m for 2.83 V, and for 1 W into the rated impedance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.levels import REFERENCE_DISTANCE, REFERENCE_DRIVE
from anechain.acoustics.curve.segments import mean_power_level, segment_in_band
from anechain.methods import method

__all__ = [
    "SENSITIVITY_BAND",
    "BandLevel",
    "CharacteristicSensitivity",
    "characteristic_sensitivity",
    "sensitivity",
]

SENSITIVITY_BAND = (300.0, 3000.0)
"""Hz; default band of the sensitivity. Common practice, no source."""


@dataclass(frozen=True)
class BandLevel:
    """Mean level of a curve in a band.

    Attributes
    ----------
    level_db : float or None
        dB re 20 µPa at 1 m and 2.83 V; None if not determined.
    low_hz, high_hz : float
        The band in Hz.
    reason : str
        Why it is not determined; empty if it is.
    """

    level_db: float | None
    low_hz: float
    high_hz: float
    reason: str


@dataclass(frozen=True)
class CharacteristicSensitivity:
    """Level at 1 m for 1 W into the rated impedance.

    Attributes
    ----------
    level_db : float or None
        dB re 20 µPa at 1 m and 1 W; None if not determined.
    rated_ohm : float or None
        Rated impedance in ohm.
    low_hz, high_hz : float
        The band in Hz.
    reason : str
        Why it is not determined; empty if it is.
    """

    level_db: float | None
    rated_ohm: float | None
    low_hz: float
    high_hz: float
    reason: str


@method(
    "sensitivity",
    version=1,
    title="Sensitivity: mean level in a band at 1 m and 2.83 V",
    formula="10 lg of the mean of squared pressure over log frequency in the band, at 1 m and 2.83 V",
    source="level of the mean squared pressure over log frequency on axis in a stated band",
    source_status="common practice, no source",
    limitations="One number does not describe a curve that is not flat. 2.83 V is 1 W for 8 ohm only. "
    "Needs sound pressure levels.",
)
def sensitivity(
    frequency: ArrayLike, level: ArrayLike, band: tuple[float, float] = SENSITIVITY_BAND, level_kind: str = "spl"
) -> BandLevel:
    """Return the mean level of a curve in a band, at 1 m for 2.83 V.

    Squared pressure is averaged over log frequency, so that a linear grid does not overweight high frequencies.

    Parameters
    ----------
    frequency, level : array_like, shape (n,)
        Hz, ascending, and dB re 20 µPa at 1 m and 2.83 V.
    band : tuple of float
        The band in Hz.
    level_kind : {"spl", "relative"}
        With "relative" the sensitivity is not determined.

    Returns
    -------
    BandLevel

    Raises
    ------
    ValueError
        If the frequencies are not ascending above zero, the shapes disagree or the band is empty.
    """
    if level_kind not in ("spl", "relative"):
        raise ValueError(f'level_kind is "spl" or "relative", not {level_kind!r}')
    if level_kind == "relative":
        return BandLevel(None, *band, "the levels are relative: their reference to 20 µPa is not known")
    part = segment_in_band(frequency, level, *band)
    return BandLevel(None if part.reason else mean_power_level(part), *band, part.reason)


@method(
    "characteristic-sensitivity",
    version=1,
    title="Characteristic sensitivity level: 1 W into the rated impedance, 1 m",
    formula="Level in the band plus 20 lg(distance / 1 m) plus 20 lg(sqrt(rated impedance times 1 W) / voltage)",
    source="IEC 60268-5, 20.3 and 20.4: L_band + 20 lg(d / 1 m) + 20 lg(sqrt(R 1 W) / U)",
    source_status="recalled",
    limitations="One watt into the rated impedance, not the power that the device absorbs.",
)
def characteristic_sensitivity(
    band_level: BandLevel,
    rated_ohm: float | None,
    drive_volt: float = REFERENCE_DRIVE,
    distance_m: float = REFERENCE_DISTANCE,
) -> CharacteristicSensitivity:
    """Refer a mean level in a band to 1 m and to 1 W into the rated impedance.

    Parameters
    ----------
    band_level : BandLevel
        As :func:`sensitivity` returns it.
    rated_ohm : float or None
        Rated impedance in ohm; None if it is not known.
    drive_volt, distance_m : float
        Drive in V r.m.s. and distance in m of the level.

    Returns
    -------
    CharacteristicSensitivity

    Raises
    ------
    ValueError
        If an impedance, voltage or distance is not above zero.
    """
    for name, value in (("rated_ohm", rated_ohm), ("drive_volt", drive_volt), ("distance_m", distance_m)):
        if value is not None and not 0 < value < np.inf:
            raise ValueError(f"{name} must be above zero, not {value}")
    band = band_level.low_hz, band_level.high_hz
    if band_level.level_db is None:
        return CharacteristicSensitivity(None, rated_ohm, *band, band_level.reason)
    if rated_ohm is None:
        return CharacteristicSensitivity(None, None, *band, "the impedance is not known")
    step = 20 * np.log10(distance_m * np.sqrt(rated_ohm) / drive_volt)
    return CharacteristicSensitivity(band_level.level_db + float(step), rated_ohm, *band, "")
