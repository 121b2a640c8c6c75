"""Stage compression: fundamentals at several drives to compression, and to how loud and how low a device is usable."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain.acoustics.curve.smoothing import smooth
from anechain.acoustics.nonlinear.coil_heating import ASSUMPTIONS, implied_temperature_rise
from anechain.acoustics.nonlinear.compression_deltas import MISSING, NOISE, REASONS, ROUNDING, compression_deltas
from anechain.acoustics.nonlinear.exceedance_bands import exceedance_bands
from anechain.acoustics.nonlinear.level_and_shape import gain_notes, level_and_shape
from anechain.acoustics.nonlinear.octave_compression import limit_reached, octave_bands
from anechain.acoustics.recording.drift import drift
from anechain.acoustics.recording.take_changes import TakeChange, long_term, recovery
from anechain.acoustics.recording.take_order import order_of_drives
from anechain.arrays import Floats
from anechain.data import contract
from anechain.data.store import is_current, read_dataset, write_dataset
from anechain.figure_of_merit.fundamentals import (
    Fundamentals,
    compression_gap,
    drives_of,
    inside,
    of_harmonics,
    of_takes,
    unequal,
    with_first_takes,
)
from anechain.methods import versions
from anechain.receipts.receipt import make_receipt
from anechain.running.plan import Plan
from anechain.stages.batch import Outcome, inputs_of
from anechain.stages.usable import add_usable

if TYPE_CHECKING:
    import xarray as xr

VERSION = 2
USES = (
    "band-centres",
    "coil-temperature-rise",
    "compression-bands",
    "compression-delta",
    "compression-level-and-shape",
    "compression-recovery",
    "fractional-octave-smoothing",
    "harmonic-sum",
    "held-level",
    "level-at-compression",
    "level-resolution",
    "listening-level",
    "long-term-compression",
    "lowest-usable-frequency",
    "noise-uncertainty",
    "octave-compression",
    "order-noise",
    "referred-orders",
    "room-gain",
    "take-drift",
    "take-over-frequency",
)


_KEPT = ("device", "title", "level_kind", "distance", "measured_distance", "environment", "valid_low", "valid_high")


def parameters(plan: Plan) -> dict[str, Any]:
    """Return everything in the campaign that compression and usable limits depend on."""
    return {
        "compression": plan.campaign.compression.model_dump(mode="json"),
        "usable_limits": plan.campaign.usable_limits.model_dump(mode="json"),
        "distortion": plan.campaign.distortion.model_dump(mode="json", include={"noise_margin", "orders"}),
    }


def run(plan: Plan, device: str) -> Outcome:
    """Read compression and usable limits of one device: results/<device>/compression.nc, if there are two drives."""
    ingested = inputs_of(plan, device, "ingest")
    found = {name: ingested[f"{name}.nc"] for name in ("harmonics", "takes") if f"{name}.nc" in ingested}
    settings = parameters(plan) | {"methods": versions(USES), "contract": contract.load("compression").name}
    receipt = make_receipt("compression", VERSION, settings, found.values())
    target = plan.results / device / "compression.nc"
    if found and is_current(target, receipt["stamp"]):
        return Outcome(receipt["stamp"], (target,), made=False)
    data = {name: read_dataset(plan.results / device / f"{name}.nc") for name in found}
    if compression_gap(data):
        target.unlink(missing_ok=True)
        return Outcome(receipt["stamp"], (), made=False)
    result = compressed(data, settings)
    contract.validate(result, "compression", device)
    write_dataset(target, result, receipt)
    return Outcome(receipt["stamp"], (target,), made=True)


def compressed(data: Mapping[str, xr.Dataset], parameters: Mapping[str, Any]) -> xr.Dataset:
    """Return the `compression` dataset of the harmonics and takes of a device.

    Parameters
    ----------
    data : mapping of str to xarray.Dataset
        "harmonics", "takes" or both, with two drives in at least one of them.
    parameters : mapping
        As :func:`parameters` returns them.
    """
    import xarray as xr

    choices, usable = parameters["compression"], parameters["usable_limits"]
    band = float(choices["band"][0]), float(choices["band"][1])
    harmonics = data.get("harmonics")
    if harmonics is not None and len(drives_of(harmonics, "harmonics")) > 1:
        given = of_harmonics(harmonics)
        if "takes" in data and not unequal(data["takes"].attrs, harmonics.attrs):
            given = with_first_takes(given, of_takes(data["takes"]))
    else:
        given = of_takes(data["takes"])
    fraction = choices["smoothing"]
    deltas = compression_deltas(
        given.frequency, given.level, given.drive, given.noise, fraction, choices["max_uncertainty"]
    )
    split = level_and_shape(given.frequency, deltas.delta_db, band)
    bands = octave_bands(given.frequency, given.level, given.drive, deltas.flag)
    limits = sorted(choices["limits"], reverse=True)
    reached = [
        [
            limit_reached(given.drive, level, delta, limit)
            for level, delta in zip(bands.level_db.T, bands.delta_db.T, strict=True)
        ]
        for limit in limits
    ]
    notes = _notes(given, deltas.flag, deltas.resolution_db, deltas.noise_known)
    notes += gain_notes(given.drive.tolist(), split.level_db)
    gaps: dict[str, str] = {}
    smoothed = smooth(given.frequency, given.level, fraction) if fraction else given.level
    rise = implied_temperature_rise(split.level_db, choices["series_resistance_ratio"], choices["conductor"])
    variables: dict[str, Any] = {
        "level": (("drive", "frequency"), smoothed),
        "delta": (("drive", "frequency"), deltas.delta_db),
        "uncertainty": (
            ("drive", "frequency"),
            np.where(np.isfinite(deltas.uncertainty_db), deltas.uncertainty_db, np.nan),
        ),
        "reason": (("drive", "frequency"), deltas.flag),
        "resolution": ("drive", deltas.resolution_db),
        "level_change": ("drive", split.level_db),
        "shape_change": (("drive", "frequency"), split.shape_db),
        "shape_rms": ("drive", split.shape_rms_db),
        "coil_rise": ("drive", rise),
        "octave_level": (("drive", "octave"), bands.level_db),
        "octave_delta": (("drive", "octave"), bands.delta_db),
        "limit_drive": (("limit", "octave"), _table(reached, "drive_v")),
        "limit_level": (("limit", "octave"), _table(reached, "level_db")),
        "limit_reason": (
            ("limit", "octave"),
            np.array([[one.reason for one in row] for row in reached], dtype=object),
        ),
        "highest_level": ("octave", _table(reached[:1], "highest_db")[0]),
    }
    if np.nanmax(rise, initial=0.0) > 0:
        notes.append(
            f"the rise of the coil's temperature is a possibility only: {ASSUMPTIONS}; {choices['conductor']}, "
            f"resistance in series {choices['series_resistance_ratio']:g} of the coil's"
        )
    attributes = {name: given.attributes[name] for name in _KEPT if name in given.attributes}
    told: dict[str, Any] = {}
    if "takes" in data:
        told = _of_measuring_order(data["takes"], given, band, fraction, choices["drift_limit"], variables, gaps, notes)
    else:
        gaps["drift"] = "the measuring order is not known: no takes were imported"
    assumed = add_usable(harmonics, given, deltas.delta_db, smoothed, band, parameters, variables, gaps, attributes)
    passed = [
        {"drive": float(volt), "limit": limit, **_plain(vars(one))}
        for volt, row in zip(given.drive[1:], deltas.delta_db[1:], strict=True)
        for limit in limits
        for one in exceedance_bands(given.frequency, row, limit)
    ]
    attributes |= {
        "made_of": given.made_of,
        "smoothing": f"1/{fraction:g} octave, squared pressure" if fraction else "none",
        "band_low": band[0],
        "band_high": band[1],
        "max_uncertainty": float(choices["max_uncertainty"]),
        "compression_limit": float(usable["compression"]),
        "conditions": "\n".join(assumed),
        "passed": json.dumps(passed, sort_keys=True),
        "takes": json.dumps(told, sort_keys=True, ensure_ascii=False),
        "gaps": json.dumps(gaps, sort_keys=True, ensure_ascii=False),
        "notes": "\n".join(notes),
    }
    dataset = xr.Dataset(
        variables,
        coords={"drive": given.drive, "frequency": given.frequency, "octave": bands.centre_hz, "limit": limits},
        attrs=attributes,
    )
    return contract.describe(dataset, "compression")


def _table(reached: list[list[Any]], name: str) -> Floats:
    return np.array([[np.nan if (v := getattr(one, name)) is None else v for one in row] for row in reached], float)


def _plain(members: Mapping[str, Any]) -> dict[str, Any]:
    """Members as JSON holds them, frequencies and decibels rounded to what they can mean."""
    return {name: float(f"{v:.6g}") if isinstance(v, float) else v for name, v in members.items()}


def _notes(given: Fundamentals, flag: NDArray[np.int64], resolution: Floats, noise_known: bool) -> list[str]:
    notes = [
        f"the lowest drive, {given.drive[0]:.3g} V, is taken as free of compression",
        "fundamentals are those of the harmonics, in which takes at one drive are joined"
        if given.made_of == "harmonics"
        else "fundamentals are those of the first take at each drive",
    ]
    if not noise_known:
        notes.append("the noise is not known: nothing could be masked for it")
    alike: dict[str, list[str]] = {}
    for volt, row, step in zip(given.drive, flag, resolution, strict=True):
        said = [f"levels are rounded to {step:g} dB"] if step else []
        for reason in (MISSING, NOISE, ROUNDING):
            count = int((row == reason).sum())
            said += [f"no value at {count} of {row.size} frequencies ({REASONS[reason]})"] if count else []
        for words in said:
            alike.setdefault(words, []).append(f"{volt:.3g} V")
    notes += [f"{words}: at {', '.join(drives)}" for words, drives in alike.items()]
    return notes


def _of_measuring_order(
    takes: xr.Dataset,
    given: Fundamentals,
    band: tuple[float, float],
    fraction: float | None,
    drift_limit: float,
    variables: dict[str, Any],
    gaps: dict[str, str],
    notes: list[str],
) -> dict[str, Any]:
    """What the takes tell beyond the deltas: order, drift, short term against long term, recovery."""
    frequency = np.asarray(takes["frequency"].values, dtype=np.float64)
    level = np.asarray(takes["level"].transpose("take", "frequency").values, dtype=np.float64)
    level = np.where(inside(takes), level, np.nan)
    volts = np.asarray(takes["drive"].values, dtype=np.float64)
    started = np.asarray(takes["started"].values, dtype=np.float64) if "started" in takes else None
    notes += unequal(takes.attrs, given.attributes)
    order = order_of_drives(volts, started)
    if order.note:
        notes.append(order.note)
    moved = drift(frequency, level, volts, fraction, drift_limit)
    if moved.reason:
        gaps["drift"] = moved.reason
    elif np.array_equal(frequency, given.frequency):
        variables["drift"] = ("frequency", moved.difference_db)
    if moved.verdict == "beyond":
        notes.append(
            f"drift: the first level, repeated last, lies {moved.rms_db:.2f} dB r.m.s. from itself, beyond "
            f"{drift_limit:g} dB: the deltas hold what drifted too"
        )
    arguments = (frequency, level, volts, band, started, fraction)
    return {
        "drives": volts.tolist(),
        "started": [v if np.isfinite(v) else None for v in (started.tolist() if started is not None else [])],
        "order": order.order,
        "repeated_last": order.repeated_last,
        "pauses": None if order.pauses_s is None else order.pauses_s.tolist(),
        "drift": _plain({name: value for name, value in vars(moved).items() if name != "difference_db"}),
        "long_term": [_told(one) for one in long_term(*arguments)],
        "recovery": [_told(one) for one in recovery(*arguments)],
    }


def _told(change: TakeChange) -> dict[str, Any]:
    return _plain({name: value for name, value in vars(change).items() if name != "difference_db"})
