"""Part of stage compression: how loud and how low a device stays usable, and what that assumes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.segments import mean_power_level, segment_in_band
from anechain.acoustics.nonlinear import listening_level, usable_limits
from anechain.acoustics.nonlinear.harmonic_sums import harmonic_sum, percent_of_level
from anechain.acoustics.nonlinear.relative_orders import order_noise, referred_orders
from anechain.arrays import Floats
from anechain.figure_of_merit.fundamentals import Fundamentals, beyond_band, inside

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["add_usable"]


def add_usable(
    harmonics: xr.Dataset | None,
    given: Fundamentals,
    delta: Floats,
    smoothed: Floats,
    band: tuple[float, float],
    parameters: Mapping[str, Any],
    variables: dict[str, Any],
    gaps: dict[str, str],
    attributes: dict[str, Any],
) -> list[str]:
    """Add the usable limits to the variables; return what they assume."""
    options = parameters["usable_limits"]
    if harmonics is None or given.made_of == "takes" or not (harmonics["order"].values > 1).any():
        gaps["usable"] = "usable limits need harmonics of order 2 and up at two drives or more"
        return []
    limit = usable_limits.distortion_limit_curve(given.frequency, options["distortion"])
    # Outside the valid band there are no data: the range ends there, which is something else than a gap.
    kept = inside(harmonics)
    lowest = [
        usable_limits.lowest_usable(
            given.frequency[kept],
            low[kept],
            high[kept],
            limit[kept],
            row[kept],
            options["compression"],
            options["up_to"],
        )
        for (low, high), row in zip(_distortion(harmonics, parameters), delta, strict=True)
    ]
    spl = given.attributes["level_kind"] == "spl" and "distance" in given.attributes
    step = listening_level.listening_level_step(options["distance"], options["devices"], options["addition"])
    held, listening = np.full(given.drive.size, np.nan), np.full(given.drive.size, np.nan)
    mean = np.full(given.drive.size, np.nan)
    for row, one in enumerate(lowest):
        part = segment_in_band(given.frequency, smoothed[row], *band)
        mean[row] = np.nan if part.reason else mean_power_level(part)
        if one.frequency_hz is None:
            continue
        for array, room in ((held, None), (listening, options["longest_dimension"])):
            least = listening_level.lowest_level(given.frequency, smoothed[row], one.frequency_hz, band[1], room)
            array[row] = np.nan if least is None else least
    if spl:
        listening += step
    else:
        listening[:] = np.nan
        gaps["listening_level"] = "a level at the listening place needs sound pressure levels at a known distance"
    frequencies = np.array([np.nan if one.frequency_hz is None else one.frequency_hz for one in lowest])
    variables |= {
        "distortion_limit": ("frequency", limit),
        "usable_level": ("drive", mean),
        "lowest_usable": ("drive", frequencies),
        "ruled_by": ("drive", np.array([one.rule for one in lowest], dtype=object)),
        "judged_to": ("drive", np.array([np.nan if one.judged_to_hz is None else one.judged_to_hz for one in lowest])),
        "held_level": ("drive", held),
        "listening_level": ("drive", listening),
        "take_over": (
            "drive",
            np.array(
                [
                    usable_limits.take_over(one.frequency_hz)
                    if one.frequency_hz is not None and one.rule != "data end"
                    else np.nan
                    for one in lowest
                ]
            ),
        ),
    }
    if options["longest_dimension"] is not None:
        attributes["longest_dimension"] = float(options["longest_dimension"])
    if options["wanted_level"] is not None and spl:
        wanted = float(options["wanted_level"])
        attributes["wanted_level"] = wanted
        at = usable_limits.frequency_at_level(listening, frequencies, wanted)
        if at is None:
            gaps["wanted_level"] = f"{wanted:g} dB at the listening place does not lie between usable measured levels"
        else:
            attributes["wanted_frequency"] = at
    return _conditions(options, band, spl)


def _distortion(harmonics: xr.Dataset, parameters: Mapping[str, Any]) -> list[tuple[Floats, Floats]]:
    """Bounds in per cent of the total harmonic distortion re the fundamental, for each drive."""
    ordered = harmonics.transpose("drive", "order", "frequency")
    orders = [int(order) for order in ordered["order"].values]
    above = [at for at, order in enumerate(orders) if order > 1]
    level = np.where(inside(harmonics), np.asarray(ordered["level"].values, dtype=np.float64), np.nan)
    level = np.where(beyond_band(ordered), np.nan, level)
    std = np.asarray(ordered["level_std"].values, dtype=np.float64) if "level_std" in ordered else None
    noise = order_noise(level, np.asarray(ordered["noise"].values, dtype=np.float64), std)
    found = []
    for row in range(level.shape[0]):
        relative = referred_orders(
            level[row, orders.index(1)], level[row, above], noise[row, above], parameters["distortion"]["noise_margin"]
        )
        total = harmonic_sum(
            relative.level_db, relative.bound, [orders[at] for at in above], 2, parameters["distortion"]["orders"]
        )
        found.append((percent_of_level(total.lower_db), percent_of_level(total.upper_db)))
    return found


def _conditions(options: Mapping[str, Any], band: tuple[float, float], spl: bool) -> list[str]:
    corners = ", ".join(f"{percent:g} % at {format_hertz(at)} Hz" for at, percent in options["distortion"])
    said = [
        f"usable: total harmonic distortion re the fundamental up to {corners}, straight between over log axes and "
        f"level beyond, and compression above {options['compression']:g} dB, from there upward"
        + (f" to {format_hertz(options['up_to'])} Hz" if options["up_to"] else ""),
        f"level: mean squared pressure of the fundamental from {format_hertz(band[0])} to {format_hertz(band[1])} "
        f"Hz; reached "
        f"everywhere: the lowest from the lowest usable frequency to {format_hertz(band[1])} Hz",
        f"take-over: a suggestion only: {usable_limits.TAKE_OVER_ASSUMPTIONS}",
    ]
    if spl:
        devices = options["devices"]
        number = "one device" if devices == 1 else f"{devices} devices added {options['addition']}ly"
        room = options["longest_dimension"]
        gain = f"the gain of a rigid, tight room {room:g} m long" if room else "no room gain"
        said.append(f"listening level: {options['distance']:g} m, direct sound, {number}, {gain}")
    return said
