"""The dataset `distortion`: the harmonic distortion of a device at stated levels, from its harmonics."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.nonlinear.distortion_at_level import (
    TakesAtLevel,
    interpolate_takes,
    take_levels,
    takes_at_level,
)
from anechain.acoustics.nonlinear.harmonic_peaks import HarmonicPeak, harmonic_peaks
from anechain.acoustics.nonlinear.harmonic_sums import (
    harmonic_sum,
    harmonics_and_noise,
    percent_of_level,
    relative_to_total,
)
from anechain.acoustics.nonlinear.measured_levels import levels_within_takes
from anechain.acoustics.nonlinear.noise_rule import NoiseRule
from anechain.acoustics.nonlinear.relative_orders import ReferredOrders, order_noise, referred_orders
from anechain.arrays import Floats
from anechain.data import contract
from anechain.figure_of_merit.fundamentals import beyond_band
from anechain.figure_of_merit.noise_rules import noise_rules

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["SUMS", "USES", "distortion_dataset"]

USES = (
    "between-takes",
    "harmonic-peaks",
    "harmonic-sum",
    "harmonics-and-noise",
    "levels-within-takes",
    "noise-rule",
    "order-noise",
    "referred-orders",
    "relative-to-total",
    "sensitivity",
    "take-at-level",
    "take-level",
)
SUMS = {
    "thd_f": "THD re the fundamental",
    "thd_r": "THD re the total",
    "second_third": "Orders 2 and 3",
    "fourth_up": "Orders 4 and up",
    "orders_plus_noise": "THD+N at the orders",
}
"""Sums of orders, with their names in print."""
_DIMENSIONS = {
    "harmonic": ("level", "order", "frequency"),
    "harmonic_limit": ("level", "order", "frequency"),
    "noise": ("level", "order", "frequency"),
    "fundamental": ("level", "frequency"),
    "decibels": ("level", "sum", "frequency"),
    "percent": ("level", "sum", "frequency"),
    "percent_least": ("level", "sum", "frequency"),
    "sum_limit": ("level", "sum", "frequency"),
    "highest_order": ("level", "frequency"),
    "reached": ("level",),
    "first_drive": ("level",),
    "second_drive": ("level",),
}


def distortion_dataset(harmonics: xr.Dataset, parameters: Mapping[str, Any]) -> xr.Dataset:
    """Return the dataset `distortion` of a device.

    Parameters
    ----------
    harmonics : xarray.Dataset
        Dataset of the contract `harmonics`.
    parameters : mapping
        The campaign's section `distortion` as plain values.
    """
    import xarray as xr

    frequency = np.asarray(harmonics["frequency"].values)
    drives = np.asarray(harmonics["drive"].values)
    measured_orders = [int(order) for order in harmonics["order"].values]
    orders = [order for order in measured_orders if 2 <= order <= parameters["orders"]]
    level = np.asarray(harmonics["level"].transpose("drive", "order", "frequency").values)
    noise = np.asarray(harmonics["noise"].transpose("drive", "order", "frequency").values)
    spread = None
    if "level_std" in harmonics:
        spread = np.asarray(harmonics["level_std"].transpose("drive", "order", "frequency").values)
    # A fundamental outside the valid band is kept, and shaded in figures. An order outside it is not: nobody could see
    # it in a sum.
    beyond = beyond_band(harmonics)
    notes = _order_notes(orders, parameters["orders"])
    if np.isfinite(level[:, beyond]).any():
        notes.append("orders above the valid band are left out")
    rules = noise_rules(harmonics, parameters["false_alarm_rate"])
    notes += _noise_notes(noise, spread, rules, parameters["false_alarm_rate"])
    notes += str(harmonics.attrs.get("band_reasons", "")).splitlines()
    level = np.where(beyond, np.nan, level)
    if 1 in measured_orders:
        fundamentals = level[:, measured_orders.index(1)]
    else:
        fundamentals = np.full((drives.size, frequency.size), np.nan)
    low, high = parameters["band"]
    level_kind = str(harmonics.attrs["level_kind"])
    takes = take_levels(frequency, fundamentals, (low, high), level_kind)
    for drive, take in zip(drives, takes, strict=True):
        if take.reason and level_kind == "spl":
            notes.append(f"take at {drive:g} V has no level: {take.reason}")
    gap = _gap(harmonics, orders, measured_orders)
    take_level = [take.level_db for take in takes]
    known_noise = order_noise(level, noise, spread)
    rows = [measured_orders.index(order) for order in orders]
    requested_levels, no_level = _requested_levels(parameters, take_level, gap)
    gaps: dict[str, str] = {}
    peaks: list[dict[str, Any]] = []
    # Filled level by level, so that no array is held twice.
    arrays = _empty_arrays(len(requested_levels), len(orders) or 1, frequency.size)
    for row, requested in enumerate(requested_levels):
        choice = takes_at_level(take_level, requested, parameters["nearest"], parameters["widest_step"])
        if reason := no_level or gap or choice.reason:
            gaps[f"{requested:g}"] = reason
            continue
        notes.append(f"{requested:g} dB: {_takes_text(choice, drives, take_level)}")
        fundamental, referred = _orders_at_level(
            choice,
            fundamentals,
            level[:, rows],
            known_noise[:, rows],
            NoiseRule(rules.margin_db[:, rows], rules.limit[:, rows]),
        )
        for name, values in _values_at_level(fundamental, referred, orders, choice, drives).items():
            arrays[name][row] = values
        peaks += [
            {"level": requested, **_rounded(peak)}
            for peak in harmonic_peaks(frequency, fundamental, referred, orders, parameters["peak_height"])
        ]
    known_take_level = np.array([np.nan if value is None else value for value in take_level], dtype=np.float64)
    dataset = xr.Dataset(
        {name: (dimensions, arrays[name]) for name, dimensions in _DIMENSIONS.items()}
        | {"take_level": ("drive", known_take_level)},
        coords={
            "level": requested_levels,
            # Without any harmonic, the dataset has order 2 with missing values.
            "order": np.array(orders or [2], dtype=np.int64),
            "sum": ("sum", np.array(list(SUMS), dtype=object)),
            "drive": drives,
            "frequency": frequency,
        },
        attrs=_attributes(harmonics, parameters, gaps, peaks, notes),
    )
    for name in ("lowest", "highest"):
        if name in harmonics and orders:
            dataset[name] = ("order", np.asarray(harmonics[name].values, dtype=np.float64)[rows])
    return contract.describe(dataset, "distortion")


def _requested_levels(
    parameters: Mapping[str, Any], take_level: Sequence[float | None], gap: str
) -> tuple[list[float], str]:
    """Return the levels of the campaign, or those that the takes reach; and why they reach none, else empty."""
    if parameters["levels"] is not None:
        return [float(requested) for requested in parameters["levels"]], ""
    lowest, step = float(parameters["lowest_level"]), float(parameters["level_step"])
    if gap:
        return [lowest], gap
    if levels := levels_within_takes(take_level, lowest, step, parameters["nearest"]):
        return list(levels), ""
    known = [level for level in take_level if level is not None]
    if not known:
        return [lowest], "no take has a level"
    return [lowest], (
        f"the takes reach {min(known):.1f} to {max(known):.1f} dB, and no level from {lowest:g} dB in steps of "
        f"{step:g} dB is among these: set distortion.levels in the campaign"
    )


def _orders_at_level(
    choice: TakesAtLevel, fundamentals: Floats, level: Floats, noise: Floats, rules: NoiseRule
) -> tuple[Floats, ReferredOrders]:
    """Return fundamental and orders at a level. An order that is an upper limit in one of two takes is one here."""
    referred = [
        referred_orders(
            fundamentals[take], level[take], noise[take], NoiseRule(rules.margin_db[take], rules.limit[take])
        )
        for take in choice.takes
    ]
    if len(referred) == 1:
        return fundamentals[choice.takes[0]], referred[0]

    def between(values: Sequence[Floats]) -> Floats:
        return interpolate_takes(
            np.stack(values), TakesAtLevel(choice.requested_db, choice.reached_db, (0, 1), choice.share, "")
        )

    return interpolate_takes(fundamentals, choice), ReferredOrders(
        between([take.level_db for take in referred]),
        referred[0].bound | referred[1].bound,
        between([take.noise_db for take in referred]),
        between([take.read_db for take in referred]),
    )


def _values_at_level(
    fundamental: Floats, referred: ReferredOrders, orders: Sequence[int], choice: TakesAtLevel, drives: Floats
) -> dict[str, NDArray[Any]]:
    """Return the values of all variables at one level."""
    last = orders[-1]
    bound = referred.bound & np.isfinite(referred.level_db)
    sums = {
        "thd_f": harmonic_sum(referred.level_db, bound, orders, 2, last),
        "second_third": harmonic_sum(referred.level_db, bound, orders, 2, min(3, last)),
        "fourth_up": harmonic_sum(referred.level_db, bound, orders, 4, max(4, last)),
        "orders_plus_noise": harmonics_and_noise(referred, orders, 2, last),
    }
    upper = {name: total.upper_db for name, total in sums.items()}
    lower = {name: total.lower_db for name, total in sums.items()}
    is_limit = {name: total.bound for name, total in sums.items()}
    upper["thd_r"], lower["thd_r"] = (relative_to_total(side["thd_f"]) for side in (upper, lower))
    is_limit["thd_r"] = is_limit["thd_f"]
    # The second order alone is not the sum of the second and the third.
    incomplete = sums["second_third"].highest < 3
    upper["second_third"] = np.where(incomplete, np.nan, upper["second_third"])
    lower["second_third"] = np.where(incomplete, np.nan, lower["second_third"])
    is_limit["second_third"] = is_limit["second_third"] & ~incomplete
    return {
        "harmonic": referred.level_db,
        "harmonic_limit": bound.astype(np.int8),
        "noise": referred.noise_db,
        "fundamental": fundamental,
        "decibels": np.stack([upper[name] for name in SUMS]),
        "percent": percent_of_level(np.stack([upper[name] for name in SUMS])),
        "percent_least": percent_of_level(np.stack([lower[name] for name in SUMS])),
        "sum_limit": np.stack([is_limit[name] for name in SUMS]).astype(np.int8),
        "highest_order": sums["thd_f"].highest,
        "reached": np.array(choice.reached_db),
        "first_drive": np.array(float(drives[choice.takes[0]])),
        "second_drive": np.array(drives[choice.takes[1]] if len(choice.takes) > 1 else np.nan),
    }


def _empty_arrays(levels: int, orders: int, frequencies: int) -> dict[str, NDArray[Any]]:
    """Return arrays for all levels, filled with the missing value: NaN, or 0 for integers."""
    sizes = {"level": levels, "order": orders, "sum": len(SUMS), "frequency": frequencies}
    integers = {"harmonic_limit": np.int8, "sum_limit": np.int8, "highest_order": np.int64}
    shapes = {name: tuple(sizes[dimension] for dimension in dimensions) for name, dimensions in _DIMENSIONS.items()}
    return {
        name: np.zeros(shape, dtype=integers[name]) if name in integers else np.full(shape, np.nan)
        for name, shape in shapes.items()
    }


def _gap(harmonics: xr.Dataset, orders: Sequence[int], measured_orders: Sequence[int]) -> str:
    """Return why distortion cannot be computed at any level; empty if it may be."""
    if harmonics.attrs["level_kind"] != "spl":
        return "the levels are relative: their reference to 20 µPa is not known"
    if "distance" not in harmonics.attrs:
        return "the distance to which the levels refer is not known"
    if 1 not in measured_orders:
        return "the fundamental was not measured"
    return "" if orders else "no harmonic was measured"


def _order_notes(orders: Sequence[int], highest: int) -> list[str]:
    absent = [order for order in range(2, highest + 1) if order not in orders]
    return [f"orders not measured: {', '.join(map(str, absent))}"] if absent else []


def _noise_notes(noise: Floats, spread: Floats | None, rules: NoiseRule, rate: float) -> list[str]:
    sources = []
    if noise.shape[1] > 1 and np.isfinite(noise[:, 1:]).any():
        sources.append("silence in the recordings")
    if spread is not None and np.isfinite(spread[:, 1:]).any():
        sources.append("the spread of repeated takes")
    if not sources:
        return ["the noise is not known: no order is marked as an upper limit"]
    larger = " (the larger of the two)" if len(sources) > 1 else ""
    margins = rules.margin_db[:, 1:]
    known = margins[np.isfinite(margins)]
    low, high = float(known.min()), float(known.max())
    text = f"{low:.1f} dB" if high - low < 0.05 else f"{low:.1f} to {high:.1f} dB, by drive and order,"
    return [
        f"noise from {' and '.join(sources)}{larger}; an order less than {text} above it is an upper limit, and so is "
        f"a sum that includes such an order: noise alone is above in 1 of {1 / rate:.0f} readings"
    ]


def _takes_text(choice: TakesAtLevel, drives: Floats, take_level: Sequence[float | None]) -> str:
    takes = [f"{drives[take]:g} V ({take_level[take]:.1f} dB)" for take in choice.takes]
    if len(takes) == 1:
        return f"the take at {takes[0]}, as measured"
    return f"interpolated between the takes at {takes[0]} and {takes[1]}, each order in dB per dB of level"


def _rounded(peak: HarmonicPeak) -> dict[str, Any]:
    digits = {"excitation_hz": 1, "heard_hz": 1, "height_db": 1, "level_db": 1}
    return {
        name: round(value, digits[name]) if name in digits else list(value) if isinstance(value, tuple) else value
        for name, value in asdict(peak).items()
    }


def _attributes(
    harmonics: xr.Dataset,
    parameters: Mapping[str, Any],
    gaps: Mapping[str, str],
    peaks: Sequence[Mapping[str, Any]],
    notes: Sequence[str],
) -> dict[str, Any]:
    names = contract.load("distortion").attributes
    kept = {name: value for name, value in harmonics.attrs.items() if name in names and name != "receipt"}
    return kept | {
        "band_low": float(parameters["band"][0]),
        "band_high": float(parameters["band"][1]),
        "false_alarm_rate": float(parameters["false_alarm_rate"]),
        "gaps": json.dumps(dict(gaps), sort_keys=True, ensure_ascii=False),
        "peaks": json.dumps([dict(peak) for peak in peaks], sort_keys=True, ensure_ascii=False),
        "notes": "\n".join(notes),
    }
