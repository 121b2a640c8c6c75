"""Stage derive: the validated responses of a device to its curve set."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from anechain import contract
from anechain.acoustics.curves import CurveSet, curve_set
from anechain.acoustics.orbits import WIDEST_GAP, interpolate_orbit, reachable
from anechain.acoustics.smoothing import resolution_limit, smooth
from anechain.acoustics.sphere import sphere_mean_level
from anechain.methods import versions
from anechain.plan import Plan
from anechain.receipts import issue
from anechain.stages.batch import Outcome, inputs_of
from anechain.store import is_current, read_dataset, write_artefact, write_dataset
from anechain.tables import csv_bytes

if TYPE_CHECKING:
    import xarray as xr

VERSION = 1
USES = (
    "curve-set",
    "directivity-index",
    "directivity-index-one-orbit",
    "early-reflections",
    "early-reflections-one-orbit",
    "fractional-octave-smoothing",
    "in-room-estimate",
    "listening-window",
    "on-axis",
    "orbit-interpolation",
    "resolution-limit",
    "sound-power-one-orbit",
    "sound-power-two-orbits",
    "sphere-mean-level",
    "two-orbit-weights",
    "wall-reflection",
)

Floats = NDArray[np.float64]


def run(plan: Plan, device: str) -> Outcome:
    """Derive the curve set of one device: results/<device>/curves.nc and curves.csv."""
    inputs = inputs_of(plan, device, "ingest")
    parameters = plan.parameters("derive") | {"methods": versions(USES), "contract": contract.load("curves").name}
    receipt = issue("derive", VERSION, parameters, inputs.values())
    folder = plan.results / device
    outputs = (folder / "curves.nc", folder / "curves.csv")
    if all(is_current(path, receipt["stamp"]) for path in outputs):
        return Outcome(receipt["stamp"], outputs, made=False)
    sphere = read_dataset(folder / "sphere.nc") if "sphere.nc" in inputs else None
    curves = derived(read_dataset(folder / "responses.nc"), sphere, parameters)
    contract.validate(curves, "curves", device)
    write_dataset(outputs[0], curves, receipt)
    write_artefact(outputs[1], csv_bytes(_columns(curves)), receipt)
    return Outcome(receipt["stamp"], outputs, made=True)


def derived(responses: xr.Dataset, sphere: xr.Dataset | None, parameters: dict[str, Any]) -> xr.Dataset:
    """Return the `curves` dataset of a `responses` dataset, and of the sphere where there is one."""
    import xarray as xr

    frequency = np.asarray(responses["frequency"].values)
    planes = [str(plane) for plane in responses["plane"].values]
    angles = np.asarray(responses["angle"].values)
    level = np.asarray(responses["level"].transpose("plane", "angle", "frequency").values)
    notes: list[str] = []
    fraction = parameters["smoothing"]
    if parameters["interpolate_angles"]:
        level, angles = _filled(level, planes, angles, notes)
    # Smoothing and the averages are both linear in squared pressure, so smoothing first changes no curve and keeps
    # every index the difference of two published curves.
    if fraction:
        level = smooth(frequency, level, fraction)
    curves = curve_set(
        level,
        planes,
        angles,
        early_reflections_total=parameters["early_reflections_total"],
        rear_wall=parameters["rear_wall"],
    )
    if sphere is not None:
        _add_sphere(curves, sphere, fraction, parameters["methods"])
    attributes = _attributes(responses, curves, notes)
    attributes["smoothing"] = f"1/{fraction:g} octave, squared pressure" if fraction else "none"
    if fraction and (limit := resolution_limit(frequency, fraction)) > 0:
        attributes["resolution_limit"] = limit
        notes.append(f"below {limit:.4g} Hz the data are coarser than 1/{fraction:g} octave")
    attributes["notes"] = "\n".join(notes)
    dataset = xr.Dataset(
        {
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


def _filled(level: Floats, planes: list[str], angles: Floats, notes: list[str]) -> tuple[Floats, Floats]:
    """Fill the directions at 10 degree steps that can be interpolated, and note each."""
    wanted = np.union1d(angles, np.arange(-170.0, 181.0, 10.0))
    filled = np.full((len(planes), wanted.size, level.shape[-1]), np.nan)
    for row, plane in enumerate(planes):
        measured = angles[~np.isnan(level[row]).all(axis=-1)]
        within = wanted[reachable(measured, wanted)] if measured.size else wanted[:0]
        if not within.size:
            continue
        result = interpolate_orbit(angles, level[row], within)
        filled[row, np.isin(wanted, within)] = result.level
        made = within[result.interpolated]
        if made.size:
            listed = ", ".join(f"{angle:g}°" for angle in made)
            notes.append(f"{plane}: interpolated over angle (neighbours at most {WIDEST_GAP:g}° apart): {listed}")
    return filled, wanted


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


def _columns(curves: xr.Dataset) -> dict[str, Floats]:
    columns = {"frequency_Hz": np.asarray(curves["frequency"].values)}
    for variable, dimension in (("level", "curve"), ("directivity_index", "index")):
        for name in curves[dimension].values:
            columns[f"{name}_dB"] = np.asarray(curves[variable].sel({dimension: name}).values)
    return columns
