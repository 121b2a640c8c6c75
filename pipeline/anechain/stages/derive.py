"""Stage derive: the validated responses of a device to its curve set."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from anechain.acoustics.curve.smoothing import resolution_limit, smooth
from anechain.acoustics.directivity.curves import CurveSet, curve_set
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
from anechain.campaign.stated_uncertainty import ErrorParts, budget_to_json, error_parts, nothing_stated
from anechain.data import contract
from anechain.data.store import is_current, read_dataset, write_artefact, write_dataset
from anechain.data.tables import UNCERTAINTY_COLUMN, csv_bytes
from anechain.methods import versions
from anechain.receipts.receipt import make_receipt
from anechain.running.plan import Plan
from anechain.stages.batch import Outcome, inputs_of

if TYPE_CHECKING:
    import xarray as xr

VERSION = 3
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


def parameters(plan: Plan) -> dict[str, Any]:
    """Return everything in the campaign that the curve sets depend on."""
    own = {name: plan.uncertainty(name) for name, device in plan.campaign.devices.items() if device.uncertainty}
    return {
        **plan.campaign.derivation.model_dump(mode="json"),
        "uncertainty": plan.campaign.uncertainty.model_dump(mode="json", exclude_none=True),
        "uncertainty_of": own,
    }


def run(plan: Plan, device: str) -> Outcome:
    """Derive the curve set of one device: results/<device>/curves.nc and curves.csv."""
    read = ("responses.nc", "sphere.nc")
    inputs = {name: one for name, one in inputs_of(plan, device, "ingest").items() if name in read}
    settings = {
        **plan.campaign.derivation.model_dump(mode="json"),
        "uncertainty": plan.uncertainty(device),
        "methods": versions(USES),
        "contract": contract.load("curves").name,
    }
    receipt = make_receipt("derive", VERSION, settings, inputs.values())
    folder = plan.results / device
    outputs = (folder / "curves.nc", folder / "curves.csv")
    if all(is_current(path, receipt["stamp"]) for path in outputs):
        return Outcome(receipt["stamp"], outputs, made=False)
    sphere = read_dataset(folder / "sphere.nc") if "sphere.nc" in inputs else None
    curves = derived(read_dataset(folder / "responses.nc"), sphere, settings)
    contract.validate(curves, "curves", device)
    write_dataset(outputs[0], curves, receipt)
    write_artefact(outputs[1], curve_table(curves), receipt)
    return Outcome(receipt["stamp"], outputs, made=True)


def derived(responses: xr.Dataset, sphere: xr.Dataset | None, parameters: dict[str, Any]) -> xr.Dataset:
    """Return the `curves` dataset of a `responses` dataset, and of the sphere where there is one."""
    import xarray as xr

    frequency = np.asarray(responses["frequency"].values)
    planes = [str(plane) for plane in responses["plane"].values]
    angles = np.asarray(responses["angle"].values)
    measured, level = angles, np.asarray(responses["level"].transpose("plane", "angle", "frequency").values)
    place = distinct_directions(level, measured)
    notes: list[str] = []
    fraction = parameters["smoothing"]
    if parameters["interpolate_angles"]:
        level, angles, made = fill_orbits(level, angles)
        for plane, between in zip(planes, made, strict=True):
            if between.size:
                listed = ", ".join(f"{angle:g}°" for angle in between)
                notes.append(f"{plane}: interpolated over angle (neighbours at most {MAX_GAP:g}° apart): {listed}")
    # Smoothing and the averages are both linear in squared pressure, so smoothing first changes no curve and keeps
    # every index the difference of two published curves.
    if fraction:
        level = smooth(frequency, level, fraction)
    reading = {name: parameters[name] for name in ("early_reflections_total", "rear_wall")}
    curves = curve_set(level, planes, angles, **reading)
    if sphere is not None:
        _add_sphere(curves, sphere, fraction, parameters["methods"])
    attributes = _attributes(responses, curves, notes)
    attributes["smoothing"] = f"1/{fraction:g} octave, squared pressure" if fraction else "none"
    if fraction and (limit := resolution_limit(frequency, fraction)) > 0:
        attributes["resolution_limit"] = limit
        notes.append(f"below {limit:.4g} Hz the data are coarser than 1/{fraction:g} octave")
    unsure: dict[str, tuple[str, dict[str, Floats]]] = {}
    response: dict[str, tuple[str, Floats]] = {}
    parts = error_parts(responses, parameters.get("uncertainty", {}), notes)
    if parts is not None:
        found = curve_set_uncertainty(
            level, planes, angles, parts.common, parts.apart, **reading, measured_angles=measured, place=place
        )
        if sphere is not None:
            _add_sphere_uncertainty(found, sphere, parts, planes, measured)
        nothing = np.full(frequency.size, np.nan)
        for prefix, dim, names, by_name in (
            ("", "curve", curves.levels, found.levels),
            ("index_", "index", curves.indices, found.indices),
        ):
            for part, of in (("common", "correlated_db"), ("independent", "uncorrelated_db")):
                rows = {name: getattr(by_name[name], of) if name in by_name else nothing for name in names}
                unsure[f"{prefix}uncertainty_{part}"] = dim, rows
        response["uncertainty_microphone"] = "frequency", parts.microphone
        attributes["uncertainty"] = "\n".join(parts.said)
    attributes["uncertainty_budget"] = budget_to_json(nothing_stated() if parts is None else parts.budget)
    attributes["notes"] = "\n".join(notes)
    dataset = xr.Dataset(
        {
            **response,
            **{name: ((dim, "frequency"), _stacked(rows, frequency.size)) for name, (dim, rows) in unsure.items()},
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


def _add_sphere(curves: CurveSet, sphere: xr.Dataset, fraction: float | None, known: dict[str, int]) -> None:
    level = np.asarray(sphere["level"].transpose("direction", "frequency").values)
    power = sphere_mean_level(level, np.asarray(sphere["weight"].values))
    curves.levels["sphere_power"] = (
        smooth(np.asarray(sphere["frequency"].values), power, fraction) if fraction else power
    )
    label = f"sphere-mean-level@{known['sphere-mean-level']}"
    for name, minuend in (("sphere_index", "on_axis"), ("two_orbit_error", "sound_power")):
        if minuend in curves.levels:
            subtrahend = curves.levels["sphere_power"]
            curves.indices[name] = curves.levels[minuend] - subtrahend
        else:
            curves.gaps[name] = curves.gaps[minuend]
    curves.method_of.update(dict.fromkeys(("sphere_power", "sphere_index", "two_orbit_error"), label))


def _add_sphere_uncertainty(
    found: CurveSetUncertainty, sphere: xr.Dataset, parts: ErrorParts, planes: list[str], angles: Floats
) -> None:
    """Uncertainty of the sphere's power, of its index, and of what two orbits get wrong."""
    nothing = np.full(parts.apart.shape[1:], np.nan)
    orbits = (parts.apart[planes.index(plane)] if plane in planes else nothing for plane in PLANES)
    own = sphere_uncorrelated(sphere["azimuth"].values, sphere["elevation"].values, angles, *orbits)
    level = np.asarray(sphere["level"].transpose("direction", "frequency").values)
    power = mean_level_uncertainty(level, np.asarray(sphere["weight"].values), parts.common, own)
    found.levels["sphere_power"] = power
    for name, minuend in (("sphere_index", "on_axis"), ("two_orbit_error", "sound_power")):
        if minuend in found.levels:
            # The two share a direction in a thousand: taken as independent, so rather too large.
            apart = np.hypot(found.levels[minuend].uncorrelated_db, power.uncorrelated_db)
            found.indices[name] = CurveUncertainty(np.zeros_like(apart), apart)


def _attributes(responses: xr.Dataset, curves: CurveSet, notes: list[str]) -> dict[str, Any]:
    known = contract.load("curves").attributes
    kept = {name: value for name, value in responses.attrs.items() if name in known and name != "receipt"}
    missing = (
        np.isnan(np.asarray(responses["level"].values)) & (np.asarray(responses["measured"].values) == 1)[..., None]
    )
    if missing.any():
        rows = np.flatnonzero(missing.any(axis=(0, 1)))
        listed = ", ".join(f"{value:g}" for value in np.asarray(responses["frequency"].values)[rows[:6]])
        more = f" and {rows.size - 6} more" if rows.size > 6 else ""
        notes.append(f"no value at {listed}{more} Hz: missing in the raw files")
    return kept | {"gaps": json.dumps(curves.gaps, sort_keys=True, ensure_ascii=False)}


def curve_table(curves: xr.Dataset) -> bytes:
    """What curves.csv holds of a `curves` dataset: levels and indices, each with its uncertainty where it is known."""
    return csv_bytes(_columns(curves), comments=_comments(curves))


def _columns(curves: xr.Dataset) -> dict[str, Floats]:
    """Columns of curves.csv: behind each curve its combined standard uncertainty, where it is known."""
    columns = {"frequency_Hz": np.asarray(curves["frequency"].values)}
    for variable, dimension, prefix in (("level", "curve", ""), ("directivity_index", "index", "index_")):
        parts = [f"{prefix}uncertainty_{part}" for part in ("common", "independent")]
        for name in curves[dimension].values:
            columns[f"{name}_dB"] = np.asarray(curves[variable].sel({dimension: name}).values)
            if all(part in curves for part in parts):
                common, own = (np.asarray(curves[part].sel({dimension: name}).values) for part in parts)
                columns[f"{name}{UNCERTAINTY_COLUMN}"] = np.hypot(common, own)
    return columns


def _comments(curves: xr.Dataset) -> list[str]:
    """What curves.csv says above its columns."""
    if "uncertainty_common" not in curves:
        return ["No uncertainty is stated in the campaign."]
    said = [
        f"A column *{UNCERTAINTY_COLUMN} is the combined standard uncertainty (k = 1) of the column before it.",
        "What it is made of is in curves.nc: what all directions share and what is each direction's own.",
    ]
    if not (curves["uncertainty_common"].values > 0).any():
        said.append(
            "Only what is each direction's own is known: without calibration and distance a level looks too sure."
        )
    return said
