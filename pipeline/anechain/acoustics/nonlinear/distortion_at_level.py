"""Distortion at a sound pressure level: the take at that level, or interpolation between two takes.

A take is a measurement at one drive. Its level is the mean of its fundamental in a band, as for the sensitivity. A
level between two takes is interpolated; nothing is extrapolated.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from anechain.acoustics.curve.sensitivity import SENSITIVITY_BAND, BandLevel, sensitivity
from anechain.arrays import Floats
from anechain.methods import method

__all__ = [
    "LEVEL_TOLERANCE",
    "MAX_TAKE_STEP",
    "MeasurementConditions",
    "TakesAtLevel",
    "comparable_devices",
    "interpolate_takes",
    "take_levels",
    "takes_at_level",
]

LEVEL_TOLERANCE = 0.5
"""Difference in dB up to which a take is used at the requested level without interpolation. Common practice, no
source."""
MAX_TAKE_STEP = 10.0
"""Largest difference in dB between two takes that are interpolated. Common practice, no source."""


@method(
    "take-level",
    version=1,
    title="Level of a take: mean of its fundamental in a band at 1 m",
    source="mean squared pressure over log frequency, as the sensitivity",
    source_status="common practice, no source",
    limitations="One number for a curve that is not flat: levels at single frequencies are higher or lower.",
    formula="10 lg of the mean of 10^(fundamental / 10) over log frequency in the band",
)
def take_levels(
    frequency: ArrayLike,
    fundamentals: ArrayLike,
    band: tuple[float, float] = SENSITIVITY_BAND,
    level_kind: str = "spl",
) -> tuple[BandLevel, ...]:
    """Return the level of each take.

    Parameters
    ----------
    frequency : array_like, shape (frequencies,)
        Hz.
    fundamentals : array_like, shape (takes, frequencies)
        dB re 20 µPa at 1 m, at the drive of each take.
    band : tuple of float
        Ends of the band, Hz.
    level_kind : {"spl", "relative"}
        Relative levels have no sound pressure level.

    Returns
    -------
    tuple of BandLevel
        One per take; with a reason where the level is not determined.
    """
    return tuple(sensitivity(frequency, row, band, level_kind) for row in np.asarray(fundamentals, dtype=np.float64))


@dataclass(frozen=True)
class TakesAtLevel:
    """The take, or the two takes, for results at a requested level.

    Attributes
    ----------
    requested_db : float
        Requested level, dB.
    reached_db : float or None
        Level of the result: that of the take, or the requested level if it is interpolated; None if it is not reached.
    takes : tuple of int
        Index of the take, or of the two takes, the lower level first; empty if the level is not reached.
    share : float
        Weight of the second take; 0 if there is one take.
    reason : str
        Why the level is not reached; empty if it is.
    """

    requested_db: float
    reached_db: float | None
    takes: tuple[int, ...]
    share: float
    reason: str


@method(
    "take-at-level",
    version=1,
    title="The take nearest to a level, or the two around it",
    source="nearest take within a tolerance; else the two takes next to the level, if they are not too far apart",
    source_status="common practice, no source",
    limitations="Nothing below the lowest or above the highest level of the takes.",
    formula="The take within the tolerance; else the takes with the next lower and the next higher level",
)
def takes_at_level(
    levels: Sequence[float | None],
    requested_db: float,
    tolerance_db: float = LEVEL_TOLERANCE,
    max_step_db: float = MAX_TAKE_STEP,
) -> TakesAtLevel:
    """Return the take at a requested level, or the two takes to interpolate between.

    Parameters
    ----------
    levels : sequence of float or None
        Level in dB of each take; None where it is not determined.
    requested_db : float
        Requested level, dB.
    tolerance_db : float
        A take that differs by at most this is used without interpolation, dB.
    max_step_db : float
        Largest difference between two takes that are interpolated, dB.

    Returns
    -------
    TakesAtLevel

    Raises
    ------
    ValueError
        If a tolerance is below zero.
    """
    if not (tolerance_db >= 0 and max_step_db >= 0):
        raise ValueError(f"tolerances must be zero or positive, not {tolerance_db} and {max_step_db}")
    known = sorted((level, take) for take, level in enumerate(levels) if level is not None)

    def not_reached(reason: str) -> TakesAtLevel:
        return TakesAtLevel(requested_db, None, (), 0.0, reason)

    if not known:
        return not_reached("no take has a level")
    level, take = min(known, key=lambda entry: (abs(entry[0] - requested_db), entry))
    if abs(level - requested_db) <= tolerance_db:
        return TakesAtLevel(requested_db, level, (take,), 0.0, "")
    if not known[0][0] < requested_db < known[-1][0]:
        measured = (
            f"one take, at {known[0][0]:.1f} dB"
            if len(known) == 1
            else f"takes from {known[0][0]:.1f} to {known[-1][0]:.1f} dB"
        )
        return not_reached(f"{requested_db:g} dB is outside what was measured: {measured}; nothing is extrapolated")
    higher = next(row for row, entry in enumerate(known) if entry[0] > requested_db)
    (low, first), (high, second) = known[higher - 1], known[higher]
    if high - low > max_step_db:
        return not_reached(
            f"{requested_db:g} dB is between takes at {low:.1f} and {high:.1f} dB, which are more than {max_step_db:g} "
            "dB apart"
        )
    return TakesAtLevel(requested_db, requested_db, (first, second), (requested_db - low) / (high - low), "")


@method(
    "between-takes",
    version=1,
    title="Interpolation between two takes, linear in dB per dB of level, order by order",
    source="order n of a weak polynomial nonlinearity rises by n dB per dB of drive: a straight line in dB over dB",
    source_status="common practice, no source",
    limitations="Exact for a device whose orders follow straight lines; a limiter or a rattle that starts between the "
    "takes is not detected.",
    formula="(1 - t) L1 + t L2, t = (level - level 1) / (level 2 - level 1), all in dB",
)
def interpolate_takes(values: ArrayLike, choice: TakesAtLevel) -> Floats:
    """Return values at a level: those of one take, or interpolated between two.

    Parameters
    ----------
    values : array_like, shape (takes, ...)
        dB.
    choice : TakesAtLevel
        The takes to use, from :func:`takes_at_level`.

    Returns
    -------
    numpy.ndarray, shape (...)
        dB; NaN where either of the takes has no value.

    Raises
    ------
    ValueError
        If the level is not reached.
    """
    if not choice.takes:
        raise ValueError(choice.reason)
    array = np.asarray(values, dtype=np.float64)
    if len(choice.takes) == 1:
        return np.array(array[choice.takes[0]])
    first, second = choice.takes
    return np.asarray((1.0 - choice.share) * array[first] + choice.share * array[second])


@dataclass(frozen=True)
class MeasurementConditions:
    """Conditions of a measurement.

    Attributes
    ----------
    level_kind : str
        "spl" or "relative".
    distance_m : float or None
        Distance in m that the levels are referred to.
    environment : str
        Environment as the campaign states it; empty if it is not stated.
    reason : str
        Why the device has no result at the level; empty if it has.
    """

    level_kind: str
    distance_m: float | None
    environment: str
    reason: str = ""


def _comparison_key(conditions: MeasurementConditions) -> tuple[str, float | None, str]:
    return conditions.level_kind, conditions.distance_m, " ".join(conditions.environment.casefold().split())


@method(
    "distortion-comparability",
    version=1,
    title="Devices whose distortion may be compared",
    source="equal sound pressure level, distance and environment; of several groups the largest, then the first",
    source_status="common practice, no source",
    limitations="Environments are compared by the text in the campaign.",
    formula="Equal level, distance and environment",
)
def comparable_devices(conditions: Mapping[str, MeasurementConditions]) -> tuple[tuple[str, ...], dict[str, str]]:
    """Return the devices that can be compared, and the reason for each of the others.

    Parameters
    ----------
    conditions : mapping of str to MeasurementConditions
        By device.

    Returns
    -------
    devices : tuple of str
        Devices under equal conditions, in the order of `conditions`.
    reasons : dict of str to str
        Why each of the other devices cannot be compared.
    """
    reasons = {device: measured.reason for device, measured in conditions.items() if measured.reason}
    for device, measured in conditions.items():
        if device not in reasons and measured.level_kind != "spl":
            reasons[device] = "its levels are relative"
        elif device not in reasons and measured.distance_m is None:
            reasons[device] = "the distance that its levels hold at is not known"
    groups: dict[tuple[str, float | None, str], list[str]] = {}
    for device in (device for device in conditions if device not in reasons):
        groups.setdefault(_comparison_key(conditions[device]), []).append(device)
    if not groups:
        return (), reasons
    key, largest = max(groups.items(), key=lambda group: len(group[1]))
    for other_key, devices in groups.items():
        if other_key == key:
            continue
        for device in devices:
            if other_key[1] != key[1]:
                reasons[device] = f"its levels hold at {other_key[1]:g} m, those of the others at {key[1]:g} m"
            else:
                own, others = (conditions[name].environment or "no stated environment" for name in (device, largest[0]))
                reasons[device] = f"it was measured in another environment ({own}) than the others ({others})"
    return tuple(largest), {device: reasons[device] for device in conditions if device in reasons}
