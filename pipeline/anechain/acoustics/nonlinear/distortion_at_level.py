"""Distortion at a sound pressure level: which takes are at it, and what lies between two takes.

A take is a measurement at one drive. Its level is the mean of its fundamental in a band, as for the sensitivity. A
level that was not measured is reached from two takes around it or not at all: nothing is extrapolated.
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
    "NEAREST",
    "WIDEST_STEP",
    "AtLevel",
    "Conditions",
    "at_level",
    "chosen_takes",
    "comparable",
    "take_levels",
]


NEAREST = 0.5
"""Decibels within which a take stands for the level asked for as it is. Common practice, no source."""
WIDEST_STEP = 10.0
"""Decibels between two takes that a level between them is still read from. Common practice, no source."""


@method(
    "take-level",
    version=1,
    title="Level of a take: mean of its fundamental in a band at 1 m",
    source="mean squared pressure over log frequency, as the sensitivity",
    source_status="common practice, no source",
    limitations="One number for a curve that is not flat: at single frequencies the device is louder or softer.",
    formula="10 lg of the mean of 10^(fundamental / 10) over log frequency in the band",
)
def take_levels(
    frequency: ArrayLike,
    fundamentals: ArrayLike,
    band: tuple[float, float] = SENSITIVITY_BAND,
    level_kind: str = "spl",
) -> tuple[BandLevel, ...]:
    """Level of each take.

    Parameters
    ----------
    frequency : array_like, shape (frequencies,)
        Hz.
    fundamentals : array_like, shape (takes, frequencies)
        dB re 20 µPa at 1 m, each at the take's own drive.
    band : tuple of float
        Hz.
    level_kind : {"spl", "relative"}
        Relative levels are at no sound pressure level.

    Returns
    -------
    tuple of BandLevel
        One per take; with a reason where it is not determined.
    """
    return tuple(sensitivity(frequency, row, band, level_kind) for row in np.asarray(fundamentals, dtype=np.float64))


@dataclass(frozen=True)
class AtLevel:
    """How a level asked for is reached.

    Attributes
    ----------
    requested_db : float
        The level asked for.
    reached_db : float or None
        The level that the result is at: that of the take, or the one asked for where it lies between two; None if it
        is not reached.
    takes : tuple of int
        Which take, or which two, the softer first; empty if it is not reached.
    share : float
        Weight of the second take; 0 where there is one.
    reason : str
        Why it is not reached; empty if it is.
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
    limitations="Nothing below the softest or above the loudest take.",
    formula="The take within the tolerance; else the next softer and the next louder take",
)
def chosen_takes(
    levels: Sequence[float | None], requested_db: float, nearest_db: float = NEAREST, widest_db: float = WIDEST_STEP
) -> AtLevel:
    """Choose the take, or the two, that a level is read from.

    Parameters
    ----------
    levels : sequence of float or None
        Level in dB of each take; None where it is not determined.
    requested_db : float
        dB.
    nearest_db : float
        A take at most this far away is used as it is.
    widest_db : float
        Two takes further apart are not interpolated between.

    Returns
    -------
    AtLevel

    Raises
    ------
    ValueError
        If a tolerance is below zero.
    """
    if not (nearest_db >= 0 and widest_db >= 0):
        raise ValueError(f"tolerances are not below zero: {nearest_db}, {widest_db}")
    known = sorted((level, take) for take, level in enumerate(levels) if level is not None)

    def not_reached(reason: str) -> AtLevel:
        return AtLevel(requested_db, None, (), 0.0, reason)

    if not known:
        return not_reached("no take has a level")
    level, take = min(known, key=lambda one: (abs(one[0] - requested_db), one))
    if abs(level - requested_db) <= nearest_db:
        return AtLevel(requested_db, level, (take,), 0.0, "")
    if not known[0][0] < requested_db < known[-1][0]:
        measured = (
            f"one take, at {known[0][0]:.1f} dB"
            if len(known) == 1
            else f"takes from {known[0][0]:.1f} to {known[-1][0]:.1f} dB"
        )
        return not_reached(f"{requested_db:g} dB is outside what was measured: {measured}; nothing is extrapolated")
    at = next(row for row, one in enumerate(known) if one[0] > requested_db)
    (low, first), (high, second) = known[at - 1], known[at]
    if high - low > widest_db:
        return not_reached(
            f"{requested_db:g} dB lies between takes at {low:.1f} and {high:.1f} dB, which are more than {widest_db:g} "
            "dB apart"
        )
    return AtLevel(requested_db, requested_db, (first, second), (requested_db - low) / (high - low), "")


@method(
    "between-takes",
    version=1,
    title="Between two takes, linear in dB per dB of level, order by order",
    source="order n of a weak polynomial nonlinearity rises by n dB per dB of drive: a straight line in dB over dB",
    source_status="common practice, no source",
    limitations="Exact for a device whose orders rise steadily; a limiter or a rattle that sets in between is missed.",
    formula="(1 - t) L1 + t L2, t = (level - level 1) / (level 2 - level 1), all in dB",
)
def at_level(values: ArrayLike, choice: AtLevel) -> Floats:
    """Values at a level: those of a take, or between two.

    Parameters
    ----------
    values : array_like, shape (takes, ...)
        dB.
    choice : AtLevel
        With at least one take.

    Returns
    -------
    numpy.ndarray, shape (...)
        NaN where either of two takes has no value.

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
class Conditions:
    """What distortion was measured under.

    Attributes
    ----------
    level_kind : str
        "spl" or "relative".
    distance_m : float or None
        Distance the levels are referred to.
    environment : str
        Where it was measured, in the campaign's words; empty if it is not stated.
    reason : str
        Why the device is not at the level; empty if it is.
    """

    level_kind: str
    distance_m: float | None
    environment: str
    reason: str = ""


def _terms(one: Conditions) -> tuple[str, float | None, str]:
    return one.level_kind, one.distance_m, " ".join(one.environment.casefold().split())


@method(
    "distortion-comparability",
    version=1,
    title="Devices whose distortion may be compared",
    source="equal sound pressure level, distance and environment; of several groups the largest, then the first",
    source_status="common practice, no source",
    limitations="Environments are told apart by the words of the campaign.",
    formula="Equal level, distance and environment",
)
def comparable(conditions: Mapping[str, Conditions]) -> tuple[tuple[str, ...], dict[str, str]]:
    """Say which devices can be compared, and why others cannot.

    Parameters
    ----------
    conditions : mapping of str to Conditions
        By device.

    Returns
    -------
    (tuple of str, dict of str to str)
        Devices under equal conditions, in the order given; and the reason for each of the others.
    """
    refused = {device: one.reason for device, one in conditions.items() if one.reason}
    for device, one in conditions.items():
        if device not in refused and one.level_kind != "spl":
            refused[device] = "its levels are relative"
        elif device not in refused and one.distance_m is None:
            refused[device] = "the distance that its levels hold at is not known"
    groups: dict[tuple[str, float | None, str], list[str]] = {}
    for device in (device for device in conditions if device not in refused):
        groups.setdefault(_terms(conditions[device]), []).append(device)
    if not groups:
        return (), refused
    terms, chosen = max(groups.items(), key=lambda group: len(group[1]))
    for other, devices in groups.items():
        if other == terms:
            continue
        for device in devices:
            if other[1] != terms[1]:
                refused[device] = f"its levels hold at {other[1]:g} m, those of the others at {terms[1]:g} m"
            else:
                words = [conditions[one].environment or "no stated environment" for one in (device, chosen[0])]
                refused[device] = f"it was measured in another environment ({words[0]}) than the others ({words[1]})"
    return tuple(chosen), {device: refused[device] for device in conditions if device in refused}
