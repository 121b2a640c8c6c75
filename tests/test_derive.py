"""Stage derive: what the acoustics is given and what is kept of it."""

import csv
import json

import numpy as np
import pytest
import xarray as xr

import physics
from anechain.assemble import Curve, assemble_responses, assemble_sphere
from anechain.campaign.uncertainty import Uncertainty
from anechain.data import contract
from anechain.figure_of_merit.curve_dataset import curve_dataset
from anechain.figure_of_merit.curve_table import curve_table
from anechain.methods import versions
from anechain.stages.derive import USES

FREQUENCY = np.geomspace(50, 16000, 101)


def responses(pattern, planes=("horizontal", "vertical"), step=10.0, without=()):
    curves = [
        Curve(plane, angle, FREQUENCY, np.full(FREQUENCY.size, 80.0) + float(physics.level(pattern(angle))))
        for plane in planes
        for angle in physics.orbit_angles(step)
        if (plane, angle) not in without
    ]
    dataset = assemble_responses(curves, [])
    dataset.attrs.update(
        device="rowan", title="Rowan", level_kind="relative", importer="x", importer_version="1", import_report=""
    )
    return contract.describe(dataset, "responses")


def parameters(**changes):
    chosen = {
        "early_reflections_total": "reflection_groups",
        "rear_wall": "three",
        "smoothing": 20,
        "interpolate_angles": False,
        "methods": versions(USES),
    }
    return chosen | changes


def curve(dataset, name):
    return np.asarray(dataset["level"].sel(curve=name).values)


def test_a_cardioid_by_the_two_orbits():
    """Values of the curve set in dB re on axis: closed form, computed apart from this project."""
    curves = curve_dataset(responses(physics.first_order(0.5)), None, parameters())
    contract.validate(curves, "curves", "rowan")
    for name, expected in (("listening_window", -0.2168), ("early_reflections", -1.9293), ("sound_power", -4.6796)):
        np.testing.assert_allclose(curve(curves, name) - 80, expected, atol=1e-4)
    np.testing.assert_allclose(curves["directivity_index"].sel(index="sound_power_index"), 4.4628, atol=1e-4)
    assert json.loads(curves.attrs["gaps"]) == {}
    assert "sphere_power" not in curves["curve"].values


def test_the_options_reach_the_acoustics():
    cardioid = responses(physics.first_order(0.5))
    curves = curve_dataset(cardioid, None, parameters(rear_wall="all"))
    np.testing.assert_allclose(curve(curves, "early_reflections") - 80, -2.066, atol=1e-3)
    curves = curve_dataset(cardioid, None, parameters(early_reflections_total="curves"))
    np.testing.assert_allclose(curve(curves, "early_reflections") - 80, -1.764, atol=1e-3)


@pytest.mark.parametrize("step", [5.0, 2.5])
def test_finer_orbits_give_the_same_curves(step):
    ten = curve_dataset(responses(physics.first_order(0.5)), None, parameters())
    fine = curve_dataset(responses(physics.first_order(0.5), step=step), None, parameters())
    xr.testing.assert_allclose(ten["level"], fine["level"], atol=1e-9)


def test_fifteen_degrees_are_refused_curve_by_curve_or_interpolated_on_demand():
    coarse = responses(physics.first_order(0.5), step=15.0)
    refused = curve_dataset(coarse, None, parameters())
    gaps = json.loads(refused.attrs["gaps"])
    assert "listening_window" in gaps and "derivation.interpolate_angles" in gaps["sound_power"]
    filled = curve_dataset(coarse, None, parameters(interpolate_angles=True))
    assert json.loads(filled.attrs["gaps"]) == {}
    np.testing.assert_allclose(curve(filled, "sound_power") - 80, -4.6796, atol=0.02)
    notes = filled.attrs["notes"].splitlines()
    assert any(line.startswith("horizontal: interpolated over angle") and "-170°" in line for line in notes)
    assert any(line.startswith("vertical: interpolated over angle") and " 0°" not in line for line in notes)


def test_a_missing_plane_is_a_named_gap():
    gaps = json.loads(
        curve_dataset(responses(physics.first_order(0.5), ("horizontal",)), None, parameters()).attrs["gaps"]
    )
    assert gaps["sound_power"] == "needs the vertical orbit"


def test_smoothing_keeps_an_index_the_difference_of_the_published_curves():
    rough = responses(physics.first_order(0.3))
    ripple = 3 * np.sin(12 * np.pi * np.log2(FREQUENCY / 1000))
    rough["level"] = rough["level"] + xr.DataArray(ripple, dims="frequency") * np.cos(np.deg2rad(rough["angle"]))
    rough = contract.describe(rough, "responses")
    curves = curve_dataset(rough, None, parameters(smoothing=3))
    difference = curve(curves, "listening_window") - curve(curves, "sound_power")
    np.testing.assert_allclose(curves["directivity_index"].sel(index="sound_power_index"), difference, atol=1e-12)
    assert curves.attrs["smoothing"] == "1/3 octave, squared pressure"
    bare = curve_dataset(rough, None, parameters(smoothing=None))
    assert np.ptp(curve(bare, "on_axis")) > np.ptp(curve(curves, "on_axis")) + 1
    assert bare.attrs["smoothing"] == "none"


def test_the_sphere_is_kept_apart_from_the_two_orbits():
    """A cardioid's true directivity index is 4.7712 dB, its index by the two orbits 4.4628 dB re listening window."""
    from anechain.acoustics.directivity.directions import unit_vectors
    from anechain.acoustics.directivity.sphere import solid_angle_weights

    azimuth, elevation = (grid.ravel() for grid in np.meshgrid(np.arange(-175, 181, 5.0), np.arange(-90, 91, 5.0)))
    vectors = unit_vectors(azimuth, elevation)
    off_axis = np.rad2deg(np.arccos(np.clip(vectors[:, 0], -1, 1)))
    level = 80 + physics.level(physics.first_order(0.5)(off_axis))
    sphere = assemble_sphere(
        azimuth, elevation, FREQUENCY, np.repeat(level[:, None], FREQUENCY.size, axis=1), solid_angle_weights(vectors)
    )
    curves = curve_dataset(responses(physics.first_order(0.5)), sphere, parameters())
    np.testing.assert_allclose(curves["directivity_index"].sel(index="sphere_index"), 4.7712, atol=0.005)
    np.testing.assert_allclose(curves["directivity_index"].sel(index="two_orbit_error"), 4.7712 - 4.6796, atol=0.005)
    assert str(curves["curve_method"].sel(curve="sphere_power").values).startswith("sphere-mean-level@")


def test_a_missing_band_stays_missing_and_is_noted():
    holed = responses(physics.first_order(0.5))
    holed["level"][:, :, 40] = np.nan
    curves = curve_dataset(holed, None, parameters())
    assert np.isnan(curve(curves, "sound_power")[40]) and np.isfinite(curve(curves, "sound_power")[41:]).all()
    assert f"no value at {FREQUENCY[40]:g} Hz" in curves.attrs["notes"]


def table(curves):
    lines = curve_table(curves).decode().splitlines()
    comments = [line for line in lines if line.startswith("#")]
    titles, *rows = csv.reader(lines[len(comments) :])
    values = np.array([[float(cell or "nan") for cell in row] for row in rows])
    return " ".join(comments), dict(zip(titles, values.T, strict=True))


def test_the_table_has_each_curve_with_its_combined_uncertainty_behind_it():
    """Root of the sum of the squares of both parts (GUM, JCGM 100:2008, 5.1.2): 0.3 and 0.4 dB are 0.5 dB on axis."""
    stated = {"calibration": {"value": 0.3}, "repeatability": {"value": 0.4}}
    uncertainty = Uncertainty.model_validate(stated).model_dump(mode="json", exclude_none=True)
    curves = curve_dataset(responses(physics.first_order(0.5)), None, parameters(uncertainty=uncertainty))
    said, columns = table(curves)
    assert "k = 1" in said and "curves.nc" in said and "too sure" not in said
    names = [str(name) for dim in ("curve", "index") for name in curves[dim].values]
    assert list(columns) == ["frequency_Hz", *(f"{name}{end}" for name in names for end in ("_dB", "_uncertainty_dB"))]
    np.testing.assert_allclose(columns["on_axis_uncertainty_dB"], 0.5, atol=1e-4)
    np.testing.assert_allclose(columns["on_axis_dB"], curve(curves, "on_axis"), atol=1e-4)
    # What directions share cancels in an index.
    assert (columns["sound_power_index_uncertainty_dB"] < 0.3).all()


def test_a_table_says_when_its_uncertainty_is_not_known_or_only_in_part():
    said, columns = table(curve_dataset(responses(physics.first_order(0.5)), None, parameters()))
    assert "No uncertainty is stated" in said and not any("uncertainty" in title for title in columns)
    stated = Uncertainty.model_validate({"repeatability": {"value": 0.4}}).model_dump(mode="json", exclude_none=True)
    said, _ = table(curve_dataset(responses(physics.first_order(0.5)), None, parameters(uncertainty=stated)))
    assert "Only independent errors are known" in said


@pytest.mark.parametrize(
    ("step", "line"),
    [
        (10.0, "horizontal: not interpolated over angle: nothing is missing"),
        (30.0, "horizontal: not interpolated over angle: the gap is wider than 15°: from"),
    ],
)
def test_an_interpolation_that_did_nothing_says_why(step, line):
    found = curve_dataset(responses(physics.first_order(0.5), step=step), None, parameters(interpolate_angles=True))
    assert any(note.startswith(line) for note in found.attrs["notes"].splitlines())
    without = curve_dataset(responses(physics.first_order(0.5), step=step), None, parameters())
    assert "interpolated" not in without.attrs["notes"]


def test_a_flare_in_one_plane_that_raises_the_index_of_the_other_is_said():
    """Horizontal 3 dB up at 10 to 30 degrees: the window is 10 lg((1 + 2 + 6 x 2) / 9) = 2.22 dB, vertically 0 dB."""
    data = responses(lambda theta: np.ones(np.shape(theta)))
    flared = (data["plane"] == "horizontal") & (np.abs(data["angle"]) <= 30) & (np.abs(data["angle"]) > 0)
    data["level"] = data["level"] + flared * 10 * np.log10(2)
    found = curve_dataset(data, None, parameters())
    (line,) = [note for note in found.attrs["notes"].splitlines() if "by plane, vertical" in note]
    assert "+2.2 dB" in line and "re the vertical directions from -10° to 10° alone" in line
    plain = curve_dataset(responses(lambda theta: np.ones(np.shape(theta))), None, parameters())
    assert "by plane" not in plain.attrs["notes"]
