"""The dataset `compression`: compression and usable limits of a device, from its fundamentals at several drives."""

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
from anechain.arrays import Floats
from anechain.data import contract
from anechain.figure_of_merit.fundamentals import (
    Fundamentals,
    drives_of,
    of_harmonics,
    of_takes,
    unequal,
    with_first_takes,
)
from anechain.figure_of_merit.measuring_order import measuring_order, six_digits
from anechain.figure_of_merit.take_drift import by_drive, drift_of_takes, without_drift
from anechain.figure_of_merit.usable_range import usable_range

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["USES", "compression_dataset"]

USES = (
    "band-centres",
    "coil-temperature-rise",
    "compression-bands",
    "compression-delta",
    "compression-level-and-shape",
    "compression-recovery",
    "drift-removal",
    "fractional-octave-smoothing",
    "harmonic-sum",
    "held-level",
    "level-at-compression",
    "level-resolution",
    "listening-level",
    "long-term-compression",
    "lowest-usable-frequency",
    "noise-rule",
    "noise-uncertainty",
    "octave-compression",
    "order-noise",
    "referred-orders",
    "room-gain",
    "take-drift",
    "take-over-frequency",
)
_KEPT = ("device", "title", "level_kind", "distance", "measured_distance", "environment", "valid_low", "valid_high")
"""Attributes that the dataset has from the harmonics or takes."""


def compression_dataset(data: Mapping[str, xr.Dataset], parameters: Mapping[str, Any]) -> xr.Dataset:
    """Return the dataset `compression` of a device.

    Parameters
    ----------
    data : mapping of str to xarray.Dataset
        "harmonics", "takes" or both, with two drives in at least one of them.
    parameters : mapping
        The campaign's sections `compression`, `usable_limits` and `distortion` as plain values.
    """
    import xarray as xr

    options, usable = parameters["compression"], parameters["usable_limits"]
    band = float(options["band"][0]), float(options["band"][1])
    fit = None
    if "takes" in data and options["remove_drift"]:
        fit = drift_of_takes(data["takes"], band, options["coil_time_constant"])
    fundamentals = _fundamentals({**data, "takes": without_drift(data["takes"], fit)} if "takes" in data else data)
    fraction = options["smoothing"]
    deltas = compression_deltas(
        fundamentals.frequency,
        fundamentals.level,
        fundamentals.drive,
        fundamentals.noise,
        fraction,
        options["max_uncertainty"],
    )
    split = level_and_shape(fundamentals.frequency, deltas.delta_db, band)
    bands = octave_bands(fundamentals.frequency, fundamentals.level, fundamentals.drive, deltas.flag)
    limits = sorted(options["limits"], reverse=True)
    reached = [
        [
            limit_reached(fundamentals.drive, level, delta, limit)
            for level, delta in zip(bands.level_db.T, bands.delta_db.T, strict=True)
        ]
        for limit in limits
    ]
    notes = _notes(fundamentals, deltas.flag, deltas.resolution_db, deltas.noise_known)
    notes += gain_notes(fundamentals.drive.tolist(), split.level_db)
    smoothed = smooth(fundamentals.frequency, fundamentals.level, fraction) if fraction else fundamentals.level
    rise = implied_temperature_rise(split.level_db, options["series_resistance_ratio"], options["conductor"])
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
            np.array([[band_limit.reason for band_limit in row] for row in reached], dtype=object),
        ),
        "highest_level": ("octave", _table(reached[:1], "highest_db")[0]),
    }
    if np.nanmax(rise, initial=0.0) > 0:
        notes.append(
            f"the rise of the coil's temperature is a possibility only: {ASSUMPTIONS}; {options['conductor']}, "
            f"resistance in series {options['series_resistance_ratio']:g} of the coil's"
        )
    attributes = {name: fundamentals.attributes[name] for name in _KEPT if name in fundamentals.attributes}
    gaps: dict[str, str] = {}
    takes: dict[str, Any] = {}
    if "takes" in data:
        order = measuring_order(data["takes"], fit, fundamentals, band, fraction, options["drift_limit"])
        takes = order.results
        notes += order.notes
        gaps |= order.gaps
        if order.drift is not None:
            variables["drift"] = ("frequency", order.drift)
        if fit is not None and fundamentals.made_of != "harmonics":
            for name, values in (
                ("drift_removed", fit.removed_db),
                ("drift_uncertainty", fit.standard_db),
                ("return_share", fit.return_share),
            ):
                variables[name] = ("drive", by_drive(values, data["takes"]))
    else:
        gaps["drift"] = (
            "the measuring order is not known: no takes were imported; a drift is not removed, and counts as noise "
            "where takes at one drive were joined"
        )
    limited = usable_range(data.get("harmonics"), fundamentals, deltas.delta_db, smoothed, band, parameters)
    variables |= limited.variables
    gaps |= limited.gaps
    exceeded = [
        {"drive": float(volts), "limit": limit, **six_digits(vars(exceedance))}
        for volts, row in zip(fundamentals.drive[1:], deltas.delta_db[1:], strict=True)
        for limit in limits
        for exceedance in exceedance_bands(fundamentals.frequency, row, limit)
    ]
    attributes |= limited.attributes
    attributes |= {
        "made_of": fundamentals.made_of,
        "smoothing": f"1/{fraction:g} octave, squared pressure" if fraction else "none",
        "band_low": band[0],
        "band_high": band[1],
        "max_uncertainty": float(options["max_uncertainty"]),
        "compression_limit": float(usable["compression"]),
        "conditions": "\n".join(limited.assumptions),
        "passed": json.dumps(exceeded, sort_keys=True),
        "takes": json.dumps(takes, sort_keys=True, ensure_ascii=False),
        "gaps": json.dumps(gaps, sort_keys=True, ensure_ascii=False),
        "notes": "\n".join(notes),
    }
    dataset = xr.Dataset(
        variables,
        coords={
            "drive": fundamentals.drive,
            "frequency": fundamentals.frequency,
            "octave": bands.centre_hz,
            "limit": limits,
        },
        attrs=attributes,
    )
    return contract.describe(dataset, "compression")


def _fundamentals(data: Mapping[str, xr.Dataset]) -> Fundamentals:
    """Return the fundamentals of the harmonics if these have two drives, and of the takes otherwise."""
    harmonics = data.get("harmonics")
    if harmonics is None or len(drives_of(harmonics, "harmonics")) < 2:
        return of_takes(data["takes"])
    fundamentals = of_harmonics(harmonics)
    if "takes" in data and not unequal(data["takes"].attrs, harmonics.attrs):
        return with_first_takes(fundamentals, of_takes(data["takes"]))
    return fundamentals


def _table(reached: list[list[Any]], field: str) -> Floats:
    values = [[getattr(band_limit, field) for band_limit in row] for row in reached]
    return np.array([[np.nan if value is None else value for value in row] for row in values], float)


def _notes(fundamentals: Fundamentals, flag: NDArray[np.int64], resolution: Floats, noise_known: bool) -> list[str]:
    notes = [
        f"the lowest drive, {fundamentals.drive[0]:.3g} V, is taken as free of compression",
        "fundamentals are those of the harmonics, in which takes at one drive are joined"
        if fundamentals.made_of == "harmonics"
        else "fundamentals are those of the first take at each drive",
    ]
    if not noise_known:
        notes.append("the noise is not known: no value is left out because of noise")
    drives_by_note: dict[str, list[str]] = {}
    for volts, row, step in zip(fundamentals.drive, flag, resolution, strict=True):
        drive_notes = [f"levels are rounded to {step:g} dB"] if step else []
        drive_notes += [
            f"no value at {count} of {row.size} frequencies ({REASONS[reason]})"
            for reason in (MISSING, NOISE, ROUNDING)
            if (count := int((row == reason).sum()))
        ]
        for note in drive_notes:
            drives_by_note.setdefault(note, []).append(f"{volts:.3g} V")
    return notes + [f"{note}: at {', '.join(drives)}" for note, drives in drives_by_note.items()]
