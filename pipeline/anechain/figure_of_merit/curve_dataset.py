"""The dataset `curves`: the curve set of a device, derived from its responses, with its uncertainty."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.frequency_text import format_hertz
from anechain.acoustics.curve.levels import mean_level
from anechain.acoustics.curve.smoothing import resolution_limit, smooth
from anechain.acoustics.directivity.curve_titles import INDICES_BY_PLANE
from anechain.acoustics.directivity.curves import CurveSet, curve_set
from anechain.acoustics.directivity.direction_lists import LISTENING_WINDOW
from anechain.acoustics.directivity.directions import PLANES
from anechain.acoustics.directivity.orbit_interpolation import fill_orbits
from anechain.acoustics.directivity.orbits import MAX_GAP, distinct_directions
from anechain.acoustics.directivity.sphere import sphere_mean_level
from anechain.acoustics.uncertainty.curve_uncertainty import (
    CurveSetUncertainty,
    curve_set_uncertainty,
    sphere_uncorrelated,
)
from anechain.acoustics.uncertainty.linear_propagation import CurveUncertainty, mean_level_uncertainty
from anechain.arrays import Floats
from anechain.data import contract
from anechain.data.uncertainty_budget import budget_to_json, unknown_components
from anechain.figure_of_merit.level_uncertainty import LevelUncertainty, level_uncertainty

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["USES", "curve_dataset"]

USES = (
    "curve-set",
    "curve-set-uncertainty",
    "directivity-index",
    "directivity-index-one-orbit",
    "distance-uncertainty",
    "early-reflections",
    "early-reflections-one-orbit",
    "fractional-octave-smoothing",
    "in-room-estimate",
    "linear-uncertainty",
    "listening-window",
    "mean-level-uncertainty",
    "on-axis",
    "orbit-interpolation",
    "resolution-limit",
    "setting-angle-uncertainty",
    "sound-power-one-orbit",
    "sound-power-two-orbits",
    "sphere-mean-level",
    "standard-uncertainty-of-limits",
    "two-orbit-weights",
    "wall-reflection",
)
_SPHERE_INDICES = (("sphere_index", "on_axis"), ("two_orbit_error", "sound_power"))
"""Indices relative to the sphere power, each with the curve from which the sphere power is subtracted."""
_MAX_LISTED = 6
_WINDOW_FROM = 1000.0
"""Hz from which the listening window and the directions of one plane are compared. Common practice, no source."""
_SMALL_EXCESS = 0.3
"""Difference in dB that is not worth a note. Common practice, no source."""


def curve_dataset(responses: xr.Dataset, sphere: xr.Dataset | None, parameters: dict[str, Any]) -> xr.Dataset:
    """Return the dataset `curves` of a device.

    Parameters
    ----------
    responses : xarray.Dataset
        Dataset of the contract `responses`.
    sphere : xarray.Dataset or None
        Dataset of the contract `sphere`, if there is one.
    parameters : dict
        The campaign's section `derivation`, the stated `uncertainty` of the device, and the versions of the `methods`.
    """
    import xarray as xr

    frequency = np.asarray(responses["frequency"].values)
    planes = [str(plane) for plane in responses["plane"].values]
    angles = np.asarray(responses["angle"].values)
    measured_angles, level = angles, np.asarray(responses["level"].transpose("plane", "angle", "frequency").values)
    direction = distinct_directions(level, measured_angles)
    notes: list[str] = []
    fraction = parameters["smoothing"]
    if parameters["interpolate_angles"]:
        level, angles, interpolated, reasons = fill_orbits(level, angles)
        for plane, plane_angles, reason in zip(planes, interpolated, reasons, strict=True):
            if plane_angles.size:
                listed = ", ".join(f"{angle:g}°" for angle in plane_angles)
                notes.append(f"{plane}: interpolated over angle (neighbours at most {MAX_GAP:g}° apart): {listed}")
            if reason:
                notes.append(f"{plane}: {'else ' * bool(plane_angles.size)}not interpolated over angle: {reason}")
    # Smoothing and the averages are both linear in squared pressure, so smoothing first changes no curve and keeps
    # every index the difference of two published curves.
    if fraction:
        level = smooth(frequency, level, fraction)
    options = {name: parameters[name] for name in ("early_reflections_total", "rear_wall")}
    curves = curve_set(level, planes, angles, **options)
    if sphere is not None:
        _add_sphere(curves, sphere, fraction, parameters["methods"])
    notes += _window_notes(curves, level, planes, angles, frequency)
    attributes = _attributes(responses, curves, notes)
    attributes["smoothing"] = f"1/{fraction:g} octave, squared pressure" if fraction else "none"
    if fraction and (limit := resolution_limit(frequency, fraction)) > 0:
        attributes["resolution_limit"] = limit
        notes.append(f"below {limit:.4g} Hz the data are coarser than 1/{fraction:g} octave")
    variables: dict[str, tuple[Any, ...]] = {}
    errors = level_uncertainty(responses, parameters.get("uncertainty", {}), notes)
    if errors is not None:
        uncertainty = curve_set_uncertainty(
            level,
            planes,
            angles,
            errors.common,
            errors.uncorrelated,
            **options,
            measured_angles=measured_angles,
            place=direction,
        )
        if sphere is not None:
            _add_sphere_uncertainty(uncertainty, sphere, errors, planes, measured_angles)
        variables["uncertainty_microphone"] = "frequency", errors.microphone
        variables |= _uncertainty_variables(curves, uncertainty, frequency.size)
        attributes["uncertainty"] = "\n".join(errors.budget_lines)
    attributes["uncertainty_budget"] = budget_to_json(unknown_components() if errors is None else errors.budget)
    attributes["notes"] = "\n".join(notes)
    dataset = xr.Dataset(
        {
            **variables,
            "level": (("curve", "frequency"), _stacked(curves.levels, frequency.size)),
            "directivity_index": (("index", "frequency"), _stacked(curves.indices, frequency.size)),
            "curve_method": ("curve", np.array([curves.method_of[name] for name in curves.levels], dtype=object)),
            "index_method": ("index", np.array([curves.method_of[name] for name in curves.indices], dtype=object)),
        },
        coords={
            "curve": ("curve", np.array(list(curves.levels), dtype=object)),
            "index": ("index", np.array(list(curves.indices), dtype=object)),
            "frequency": frequency,
        },
        attrs=attributes,
    )
    return contract.describe(dataset, "curves")


def _stacked(curves: dict[str, Floats], size: int) -> Floats:
    return np.stack(list(curves.values())) if curves else np.empty((0, size))


def _uncertainty_variables(
    curves: CurveSet, uncertainty: CurveSetUncertainty, size: int
) -> dict[str, tuple[tuple[str, str], Floats]]:
    """Return the uncertainties of all curves and indices; NaN for those without."""
    unknown = np.full(size, np.nan)
    variables = {}
    for prefix, dimension, names, known in (
        ("", "curve", curves.levels, uncertainty.levels),
        ("index_", "index", curves.indices, uncertainty.indices),
    ):
        for variable, part in (("common", "correlated_db"), ("independent", "uncorrelated_db")):
            rows = {name: getattr(known[name], part) if name in known else unknown for name in names}
            variables[f"{prefix}uncertainty_{variable}"] = (dimension, "frequency"), _stacked(rows, size)
    return variables


def _add_sphere(curves: CurveSet, sphere: xr.Dataset, fraction: float | None, versions: dict[str, int]) -> None:
    """Add the sphere power and the indices relative to it to the curves."""
    level = np.asarray(sphere["level"].transpose("direction", "frequency").values)
    power = sphere_mean_level(level, np.asarray(sphere["weight"].values))
    curves.levels["sphere_power"] = (
        smooth(np.asarray(sphere["frequency"].values), power, fraction) if fraction else power
    )
    for name, minuend in _SPHERE_INDICES:
        if minuend in curves.levels:
            curves.indices[name] = curves.levels[minuend] - curves.levels["sphere_power"]
        else:
            curves.gaps[name] = curves.gaps[minuend]
    method = f"sphere-mean-level@{versions['sphere-mean-level']}"
    curves.method_of.update(dict.fromkeys(("sphere_power", "sphere_index", "two_orbit_error"), method))


def _add_sphere_uncertainty(
    uncertainty: CurveSetUncertainty,
    sphere: xr.Dataset,
    errors: LevelUncertainty,
    planes: list[str],
    angles: Floats,
) -> None:
    """Add the uncertainty of the sphere power and of the indices relative to it."""
    unknown = np.full(errors.uncorrelated.shape[1:], np.nan)
    orbits = (errors.uncorrelated[planes.index(plane)] if plane in planes else unknown for plane in PLANES)
    uncorrelated = sphere_uncorrelated(sphere["azimuth"].values, sphere["elevation"].values, angles, *orbits)
    level = np.asarray(sphere["level"].transpose("direction", "frequency").values)
    power = mean_level_uncertainty(level, np.asarray(sphere["weight"].values), errors.common, uncorrelated)
    uncertainty.levels["sphere_power"] = power
    for name, minuend in _SPHERE_INDICES:
        if minuend in uncertainty.levels:
            # The two share one direction in a thousand. Taken as independent, so the result is slightly too large.
            combined = np.hypot(uncertainty.levels[minuend].uncorrelated_db, power.uncorrelated_db)
            uncertainty.indices[name] = CurveUncertainty(np.zeros_like(combined), combined)


def _window_notes(curves: CurveSet, level: Floats, planes: list[str], angles: Floats, frequency: Floats) -> list[str]:
    """Return by how much the listening window, which both planes share, raises the indices of a plane."""
    notes = []
    for plane in PLANES:
        if f"sound_power_index_{plane}" not in curves.indices or "listening_window" not in curves.levels:
            continue
        own = [angle for of_plane, angle in LISTENING_WINDOW if of_plane == plane or angle == 0.0]
        rows = [int(np.argmin(np.abs(angles - angle))) for angle in own]
        excess = curves.levels["listening_window"] - mean_level(level[planes.index(plane), rows])
        known = np.isfinite(excess) & (frequency >= _WINDOW_FROM)
        if not known.any() or np.abs(excess[known]).max() < _SMALL_EXCESS:
            continue
        largest = int(np.flatnonzero(known)[np.argmax(np.abs(excess[known]))])
        ends = f"{min(own):g}° to {max(own):g}°"
        notes.append(
            f"{INDICES_BY_PLANE} {plane}: the listening window, which both planes share, is up to "
            f"{excess[largest]:+.1f} dB (at {format_hertz(frequency[largest])} Hz) re the {plane} directions from "
            f"{ends} alone, and so is the index"
        )
    return notes


def _attributes(responses: xr.Dataset, curves: CurveSet, notes: list[str]) -> dict[str, Any]:
    """Return attributes that the curves share with the responses, and the gaps; note missing values."""
    names = contract.load("curves").attributes
    kept = {name: value for name, value in responses.attrs.items() if name in names and name != "receipt"}
    missing = (
        np.isnan(np.asarray(responses["level"].values)) & (np.asarray(responses["measured"].values) == 1)[..., None]
    )
    if missing.any():
        rows = np.flatnonzero(missing.any(axis=(0, 1)))
        listed = ", ".join(f"{hz:g}" for hz in np.asarray(responses["frequency"].values)[rows[:_MAX_LISTED]])
        more = f" and {rows.size - _MAX_LISTED} more" if rows.size > _MAX_LISTED else ""
        notes.append(f"no value at {listed}{more} Hz: missing in the raw files")
    return kept | {"gaps": json.dumps(curves.gaps, sort_keys=True, ensure_ascii=False)}
