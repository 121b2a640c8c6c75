"""The usable range of a device at each drive: lowest usable frequency, levels, and what they assume."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.segments import mean_power_level, segment_in_band
from anechain.acoustics.nonlinear import listening_level, usable_limits
from anechain.acoustics.nonlinear.harmonic_sums import harmonic_sum, percent_of_level
from anechain.acoustics.nonlinear.noise_rule import NoiseRule
from anechain.acoustics.nonlinear.relative_orders import order_noise, referred_orders
from anechain.arrays import Floats
from anechain.figure_of_merit.fundamentals import Fundamentals, beyond_band, inside
from anechain.figure_of_merit.noise_rules import noise_rules

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["UsableRange", "usable_range"]


@dataclass(frozen=True)
class UsableRange:
    """Usable range, as parts of the dataset `compression`.

    Attributes
    ----------
    variables : dict
        Variables of the dataset.
    attributes : dict
        Attributes of the dataset.
    gaps : dict of str to str
        Values that could not be computed, with the reason.
    assumptions : tuple of str
        What the values assume, one line each.
    """

    variables: dict[str, Any] = field(default_factory=dict)
    attributes: dict[str, Any] = field(default_factory=dict)
    gaps: dict[str, str] = field(default_factory=dict)
    assumptions: tuple[str, ...] = ()


def usable_range(
    harmonics: xr.Dataset | None,
    fundamentals: Fundamentals,
    delta: Floats,
    smoothed: Floats,
    band: tuple[float, float],
    parameters: Mapping[str, Any],
) -> UsableRange:
    """Compute the usable range at each drive.

    Parameters
    ----------
    harmonics : xarray.Dataset or None
        Dataset of the contract `harmonics`.
    fundamentals : Fundamentals
        Fundamentals from which the compression was computed.
    delta : numpy.ndarray, shape (drives, n)
        Compression, dB.
    smoothed : numpy.ndarray, shape (drives, n)
        Smoothed level of the fundamental, dB.
    band : (float, float)
        Hz; band of the mean level.
    parameters : mapping
        The campaign's sections `usable_limits` and `distortion` as plain values.
    """
    options = parameters["usable_limits"]
    if harmonics is None or fundamentals.made_of == "takes" or not (harmonics["order"].values > 1).any():
        return UsableRange(gaps={"usable": "usable limits need harmonics of order 2 and up at two drives or more"})
    gaps: dict[str, str] = {}
    attributes: dict[str, Any] = {}
    limit = usable_limits.distortion_limit_curve(fundamentals.frequency, options["distortion"])
    # The data end at the valid band. Missing values there would be taken for a gap within the data.
    valid = inside(harmonics)
    lowest = [
        usable_limits.lowest_usable(
            fundamentals.frequency[valid],
            low[valid],
            high[valid],
            limit[valid],
            row[valid],
            options["compression"],
            options["up_to"],
        )
        for (low, high), row in zip(_distortion(harmonics, parameters), delta, strict=True)
    ]
    drives = fundamentals.drive.size
    mean, held, listening = np.full(drives, np.nan), np.full(drives, np.nan), np.full(drives, np.nan)
    for row, limits in enumerate(lowest):
        segment = segment_in_band(fundamentals.frequency, smoothed[row], *band)
        mean[row] = np.nan if segment.reason else mean_power_level(segment)
        if limits.frequency_hz is None:
            continue
        for levels, room in ((held, None), (listening, options["longest_dimension"])):
            level = listening_level.lowest_level(
                fundamentals.frequency, smoothed[row], limits.frequency_hz, band[1], room
            )
            levels[row] = np.nan if level is None else level
    spl = fundamentals.attributes["level_kind"] == "spl" and "distance" in fundamentals.attributes
    if spl:
        listening += listening_level.listening_level_step(options["distance"], options["devices"], options["addition"])
    else:
        listening[:] = np.nan
        gaps["listening_level"] = "a level at the listening position needs sound pressure levels at a known distance"
    frequencies = np.array([np.nan if limits.frequency_hz is None else limits.frequency_hz for limits in lowest])
    judged_to = [np.nan if limits.judged_to_hz is None else limits.judged_to_hz for limits in lowest]
    variables = {
        "distortion_limit": ("frequency", limit),
        "usable_level": ("drive", mean),
        "lowest_usable": ("drive", frequencies),
        "ruled_by": ("drive", np.array([limits.rule for limits in lowest], dtype=object)),
        "judged_to": ("drive", np.array(judged_to)),
        "held_level": ("drive", held),
        "listening_level": ("drive", listening),
        "take_over": ("drive", np.array([_take_over(limits) for limits in lowest])),
    }
    if options["longest_dimension"] is not None:
        attributes["longest_dimension"] = float(options["longest_dimension"])
    if options["wanted_level"] is not None and spl:
        wanted = float(options["wanted_level"])
        attributes["wanted_level"] = wanted
        frequency = usable_limits.frequency_at_level(listening, frequencies, wanted)
        if frequency is None:
            gaps["wanted_level"] = f"{wanted:g} dB at the listening position is not between usable measured levels"
        else:
            attributes["wanted_frequency"] = frequency
    return UsableRange(variables, attributes, gaps, _assumptions(options, band, spl))


def _take_over(limits: usable_limits.LowestUsable) -> float:
    if limits.frequency_hz is None or limits.rule == "data end":
        return np.nan
    return usable_limits.take_over(limits.frequency_hz)


def _distortion(harmonics: xr.Dataset, parameters: Mapping[str, Any]) -> list[tuple[Floats, Floats]]:
    """Return lower and upper bound of the total harmonic distortion re the fundamental at each drive, in per cent."""
    ordered = harmonics.transpose("drive", "order", "frequency")
    orders = [int(order) for order in ordered["order"].values]
    rows = [row for row, order in enumerate(orders) if order > 1]
    options = parameters["distortion"]
    level = np.where(inside(harmonics), np.asarray(ordered["level"].values, dtype=np.float64), np.nan)
    level = np.where(beyond_band(ordered), np.nan, level)
    spread = np.asarray(ordered["level_std"].values, dtype=np.float64) if "level_std" in ordered else None
    noise = order_noise(level, np.asarray(ordered["noise"].values, dtype=np.float64), spread)
    rules = noise_rules(ordered, options["false_alarm_rate"])
    bounds = []
    for drive in range(level.shape[0]):
        rule = NoiseRule(rules.margin_db[drive, rows], rules.limit[drive, rows])
        referred = referred_orders(level[drive, orders.index(1)], level[drive, rows], noise[drive, rows], rule)
        total = harmonic_sum(referred.level_db, referred.bound, [orders[row] for row in rows], 2, options["orders"])
        bounds.append((percent_of_level(total.lower_db), percent_of_level(total.upper_db)))
    return bounds


def _assumptions(options: Mapping[str, Any], band: tuple[float, float], spl: bool) -> tuple[str, ...]:
    corners = ", ".join(f"{percent:g} % at {format_hertz(hz)} Hz" for hz, percent in options["distortion"])
    upper_end = f" to {format_hertz(options['up_to'])} Hz" if options["up_to"] else ""
    low, high = (format_hertz(end) for end in band)
    assumptions = [
        f"usable: total harmonic distortion re the fundamental up to {corners}, interpolated on log-log axes and "
        f"constant outside, and compression above {options['compression']:g} dB, from there upward{upper_end}",
        f"level: mean squared pressure of the fundamental from {low} to {high} Hz; level at all frequencies: the "
        f"lowest from the lowest usable frequency to {high} Hz",
        f"take-over: a suggestion only: {usable_limits.TAKE_OVER_ASSUMPTIONS}",
    ]
    if spl:
        devices = options["devices"]
        number = "one device" if devices == 1 else f"{devices} devices added {options['addition']}ly"
        room = options["longest_dimension"]
        gain = f"the gain of a rigid, tight room {room:g} m long" if room else "no room gain"
        assumptions.append(f"listening level: {options['distance']:g} m, direct sound, {number}, {gain}")
    return tuple(assumptions)
