"""Stage distortion: the harmonics of a device to its harmonic distortion at stated levels."""

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
from anechain.acoustics.nonlinear.relative_orders import ReferredOrders, order_noise, referred_orders
from anechain.arrays import Floats
from anechain.data import contract
from anechain.data.store import is_current, read_dataset, write_dataset
from anechain.figure_of_merit.fundamentals import beyond_band
from anechain.methods import versions
from anechain.receipts.receipt import make_receipt
from anechain.running.plan import Plan
from anechain.stages.batch import Outcome, inputs_of

if TYPE_CHECKING:
    import xarray as xr

VERSION = 2
USES = (
    "between-takes",
    "harmonic-peaks",
    "harmonic-sum",
    "harmonics-and-noise",
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
"""Sums of orders by id, with their names in print."""


def parameters(plan: Plan) -> dict[str, Any]:
    """Return everything in the campaign that the distortion depends on."""
    return plan.campaign.distortion.model_dump(mode="json")


def run(plan: Plan, device: str) -> Outcome:
    """Derive the distortion of one device, if it has harmonics: results/<device>/distortion.nc."""
    inputs = {name: one for name, one in inputs_of(plan, device, "ingest").items() if name == "harmonics.nc"}
    settings = parameters(plan) | {
        "methods": versions(USES),
        "contract": contract.load("distortion").name,
    }
    receipt = make_receipt("distortion", VERSION, settings, inputs.values())
    target = plan.results / device / "distortion.nc"
    if not inputs:
        # What an earlier run made of harmonics that are there no more must not stay behind.
        target.unlink(missing_ok=True)
        return Outcome(receipt["stamp"], (), made=False)
    if is_current(target, receipt["stamp"]):
        return Outcome(receipt["stamp"], (target,), made=False)
    found = distorted(read_dataset(target.with_name("harmonics.nc")), settings)
    contract.validate(found, "distortion", device)
    write_dataset(target, found, receipt)
    return Outcome(receipt["stamp"], (target,), made=True)


def distorted(harmonics: xr.Dataset, parameters: Mapping[str, Any]) -> xr.Dataset:
    """Return the `distortion` dataset of a `harmonics` dataset."""
    import xarray as xr

    frequency = np.asarray(harmonics["frequency"].values)
    every = [int(order) for order in harmonics["order"].values]
    orders = [order for order in every if 2 <= order <= parameters["orders"]]
    level = np.asarray(harmonics["level"].transpose("drive", "order", "frequency").values)
    noise = np.asarray(harmonics["noise"].transpose("drive", "order", "frequency").values)
    spread = None
    if "level_std" in harmonics:
        spread = np.asarray(harmonics["level_std"].transpose("drive", "order", "frequency").values)
    drives = np.asarray(harmonics["drive"].values)
    # A fundamental outside the band is kept, and shaded in figures; an order beyond it would be in the sums unseen.
    beyond = beyond_band(harmonics)
    left_out = ["orders above the valid band are left out"] if np.isfinite(level[:, beyond]).any() else []
    level = np.where(beyond, np.nan, level)
    levels = [float(one) for one in parameters["levels"]]
    low, high = parameters["band"]
    notes = [
        *_said_of_orders(orders, parameters["orders"]),
        *left_out,
        *_said_of_noise(noise, spread, parameters["noise_margin"]),
    ]
    fundamentals = level[:, every.index(1)] if 1 in every else np.full((drives.size, frequency.size), np.nan)
    kind = str(harmonics.attrs["level_kind"])
    takes = take_levels(frequency, fundamentals, (low, high), kind)
    for drive, take in zip(drives, takes, strict=True):
        if take.reason and kind == "spl":
            notes.append(f"take at {drive:g} V has no level: {take.reason}")
    why_not = _why_no_level(harmonics, orders, every)
    known = [take.level_db for take in takes]
    noises = order_noise(level, noise, spread)
    gaps: dict[str, str] = {}
    peaks: list[dict[str, Any]] = []
    # Laid out once and filled level by level, so that nothing is held twice.
    filled = _laid_out(len(levels), len(orders) or 1, frequency.size)
    for row, requested in enumerate(levels):
        choice = takes_at_level(known, requested, parameters["nearest"], parameters["widest_step"])
        reason = why_not or choice.reason
        if reason:
            gaps[f"{requested:g}"] = reason
            continue
        notes.append(f"{requested:g} dB: {_said_of_takes(choice, drives, known)}")
        picked = [every.index(order) for order in orders]
        base, at = _orders_at(choice, fundamentals, level[:, picked], noises[:, picked], parameters["noise_margin"])
        for name, values in _row(base, at, orders, choice, drives).items():
            filled[name][row] = values
        listed = harmonic_peaks(frequency, base, at, orders, parameters["peak_height"])
        peaks += [{"level": requested, **_rounded(peak)} for peak in listed]
    dataset = xr.Dataset(
        {name: (dims, filled[name]) for name, dims in _DIMS.items()}
        | {"take_level": ("drive", np.array([np.nan if one is None else one for one in known], dtype=np.float64))},
        coords={
            "level": levels,
            # Where none was measured, the second stands there as missing.
            "order": np.array(orders or [2], dtype=np.int64),
            "sum": ("sum", np.array(list(SUMS), dtype=object)),
            "drive": drives,
            "frequency": frequency,
        },
        attrs=_attributes(harmonics, parameters, gaps, peaks, notes),
    )
    return contract.describe(dataset, "distortion")


_DIMS = {
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


def _orders_at(
    choice: TakesAtLevel, fundamentals: Floats, level: Floats, noise: Floats, margin: float
) -> tuple[Floats, ReferredOrders]:
    """Fundamental and orders at a level; between two takes, an order that is a limit in either is one."""
    referred = [referred_orders(fundamentals[take], level[take], noise[take], margin) for take in choice.takes]
    if len(referred) == 1:
        return fundamentals[choice.takes[0]], referred[0]

    def between(values: Sequence[Floats]) -> Floats:
        return interpolate_takes(
            np.stack(values), TakesAtLevel(choice.requested_db, choice.reached_db, (0, 1), choice.share, "")
        )

    return interpolate_takes(fundamentals, choice), ReferredOrders(
        between([one.level_db for one in referred]),
        referred[0].bound | referred[1].bound,
        between([one.noise_db for one in referred]),
        between([one.read_db for one in referred]),
    )


def _row(
    base: Floats, at: ReferredOrders, orders: Sequence[int], choice: TakesAtLevel, drives: Floats
) -> dict[str, NDArray[Any]]:
    """Everything at one level."""
    last = orders[-1]
    bound = at.bound & np.isfinite(at.level_db)
    sums = {
        "thd_f": harmonic_sum(at.level_db, bound, orders, 2, last),
        "second_third": harmonic_sum(at.level_db, bound, orders, 2, min(3, last)),
        "fourth_up": harmonic_sum(at.level_db, bound, orders, 4, max(4, last)),
        "orders_plus_noise": harmonics_and_noise(at, orders, 2, last),
    }
    upper = {name: one.upper_db for name, one in sums.items()}
    lower = {name: one.lower_db for name, one in sums.items()}
    marked = {name: one.bound for name, one in sums.items()}
    upper["thd_r"], lower["thd_r"] = (relative_to_total(one["thd_f"]) for one in (upper, lower))
    marked["thd_r"] = marked["thd_f"]
    # Of two orders both must be there: the second alone is not "second and third".
    short = sums["second_third"].highest < 3
    upper["second_third"] = np.where(short, np.nan, upper["second_third"])
    lower["second_third"] = np.where(short, np.nan, lower["second_third"])
    marked["second_third"] = marked["second_third"] & ~short
    first = float(drives[choice.takes[0]])
    return {
        "harmonic": at.level_db,
        "harmonic_limit": bound.astype(np.int8),
        "noise": at.noise_db,
        "fundamental": base,
        "decibels": np.stack([upper[name] for name in SUMS]),
        "percent": percent_of_level(np.stack([upper[name] for name in SUMS])),
        "percent_least": percent_of_level(np.stack([lower[name] for name in SUMS])),
        "sum_limit": np.stack([marked[name] for name in SUMS]).astype(np.int8),
        "highest_order": sums["thd_f"].highest,
        "reached": np.array(choice.reached_db),
        "first_drive": np.array(first),
        "second_drive": np.array(drives[choice.takes[1]] if len(choice.takes) > 1 else np.nan),
    }


def _laid_out(levels: int, orders: int, frequencies: int) -> dict[str, NDArray[Any]]:
    """Room for everything at all levels, which says "missing" until it is filled."""
    sizes = {"level": levels, "order": orders, "sum": len(SUMS), "frequency": frequencies}
    whole = {"harmonic_limit": np.int8, "sum_limit": np.int8, "highest_order": np.int64}
    shapes = {name: tuple(sizes[dim] for dim in dims) for name, dims in _DIMS.items()}
    return {
        name: np.zeros(shape, dtype=whole[name]) if name in whole else np.full(shape, np.nan)
        for name, shape in shapes.items()
    }


def _why_no_level(harmonics: xr.Dataset, orders: Sequence[int], every: Sequence[int]) -> str:
    """Why no level at all can be had; empty if one may."""
    if harmonics.attrs["level_kind"] != "spl":
        return "the levels are relative: their reference to 20 µPa is not known"
    if "distance" not in harmonics.attrs:
        return "the distance that the levels hold at is not known"
    if 1 not in every:
        return "the fundamental was not measured"
    return "" if orders else "no harmonic was measured"


def _said_of_orders(orders: Sequence[int], highest: int) -> list[str]:
    absent = [order for order in range(2, highest + 1) if order not in orders]
    return [f"orders not measured: {', '.join(map(str, absent))}"] if absent else []


def _said_of_noise(noise: Floats, spread: Floats | None, margin: float) -> list[str]:
    from_silence = np.isfinite(noise[:, 1:]).any() if noise.shape[1] > 1 else False
    from_repeats = spread is not None and bool(np.isfinite(spread[:, 1:]).any())
    sources = [
        *(["silence in the recordings"] if from_silence else []),
        *(["the spread of repeated takes"] if from_repeats else []),
    ]
    if not sources:
        return ["the noise is not known: nothing is marked as hidden by it"]
    whole = " (the greater of both)" if len(sources) > 1 else ""
    return [
        f"noise from {' and '.join(sources)}{whole}; an order less than {margin:g} dB above it is an upper limit, and "
        "so is a sum that holds one"
    ]


def _said_of_takes(choice: TakesAtLevel, drives: Floats, known: Sequence[float | None]) -> str:
    words = [f"{drives[take]:g} V ({known[take]:.1f} dB)" for take in choice.takes]
    if len(words) == 1:
        return f"the take at {words[0]}, as measured"
    return f"between the takes at {words[0]} and {words[1]}, order by order in dB per dB of level"


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
    known = contract.load("distortion").attributes
    kept = {name: value for name, value in harmonics.attrs.items() if name in known and name != "receipt"}
    return kept | {
        "band_low": float(parameters["band"][0]),
        "band_high": float(parameters["band"][1]),
        "noise_margin": float(parameters["noise_margin"]),
        "gaps": json.dumps(dict(gaps), sort_keys=True, ensure_ascii=False),
        "peaks": json.dumps([dict(one) for one in peaks], sort_keys=True, ensure_ascii=False),
        "notes": "\n".join(notes),
    }
