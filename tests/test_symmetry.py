"""Directions that follow from a declared symmetry: nothing else is mirrored, and a mirror adds no information."""

import json

import numpy as np
import pytest

import physics
from anechain.acoustics.directivity.orbits import distinct_directions
from anechain.acoustics.directivity.symmetry import mirrored_orbits
from anechain.acoustics.uncertainty.curve_uncertainty import curve_set_uncertainty
from anechain.data import contract
from anechain.data.store import read_dataset, read_receipt
from anechain.errors import InputError
from anechain.figure_of_merit.curve_dataset import curve_dataset
from anechain.importing.declared_symmetry import with_declared_symmetry
from anechain.importing.response_checks import check_responses
from anechain.running.prepare import prepare
from anechain.stages.batch import run_batch
from campaigns import campaign
from flawed_orbits import orbits
from test_derive import parameters, responses

PLANES = ("horizontal", "vertical")
BOTH = ("left/right", "up/down")


def test_only_the_declared_orbit_is_mirrored():
    angles = np.array([0.0, 30.0, 90.0, 180.0])
    found = mirrored_orbits(PLANES, angles, np.ones((2, 4), bool), ["left/right"])
    np.testing.assert_array_equal(found.angles, [-90, -30, 0, 30, 90, 180])
    np.testing.assert_array_equal(found.source[0], [2, 1, 0, 1, 2, 3])
    np.testing.assert_array_equal(found.source[1], [-1, -1, 0, 1, 2, 3])
    assert found.mirrored[0].tolist() == [True, True, False, False, False, False] and not found.mirrored[1].any()


def test_a_measured_direction_is_never_replaced():
    angles = np.array([-30.0, 0.0, 30.0, 60.0])
    found = mirrored_orbits(PLANES, angles, np.array([[1, 1, 1, 1], [0, 1, 1, 0]], bool), BOTH)
    at = {float(angle): column for column, angle in enumerate(found.angles)}
    assert found.mirrored[0, at[-60.0]] and not found.mirrored[0, at[-30.0]]
    # On the vertical orbit -30 degrees is an angle of the grid, but was not measured.
    assert found.mirrored[1, at[-30.0]] and found.source[1, at[-30.0]] == 2 and found.source[1, at[60.0]] == -1
    with pytest.raises(ValueError, match="left/right, up/down"):
        mirrored_orbits(PLANES, angles, np.ones((2, 4), bool), ["front/back"])


def one_side(whole):
    """The directions from 0 to 180 degrees only."""
    return whole.sel(angle=whole["angle"] >= 0)


def cardioid_responses():
    """Both whole orbits of a cardioid, in closed form."""
    whole = responses(physics.first_order(0.5)).assign_attrs(datasets="none")
    return whole.assign(level=whole["level"].clip(min=-100.0))


def derived(dataset):
    return curve_dataset(dataset, None, parameters(smoothing=None))


def test_one_side_of_a_cardioid_gives_the_curves_of_both():
    """Closed form: 10 lg of the mean of cos⁴(θ/2) over two orbits is -4.680 dB with the weights of the standard."""
    whole = cardioid_responses()
    report = []
    half = with_declared_symmetry(one_side(whole), BOTH, report)
    contract.validate(half, "responses", "rowan")
    assert len(report) == 2 and "declared symmetric left/right: horizontal -170° to -10° (17 directions)" in report[0]
    found, expected = derived(half), derived(whole)
    assert json.loads(found.attrs["gaps"]) == json.loads(expected.attrs["gaps"])
    np.testing.assert_allclose(found["level"], expected["level"], atol=1e-9)
    difference = found["level"].sel(curve="sound_power") - found["level"].sel(curve="on_axis")
    np.testing.assert_allclose(difference, -4.680, atol=0.001)
    assert "mirrored by declared symmetry, not measured: horizontal" in found.attrs["notes"]
    undeclared = derived(one_side(whole))
    assert "sound_power" in json.loads(undeclared.attrs["gaps"])


def test_a_mirrored_direction_shares_the_error_of_its_original():
    """Nine equal levels: u sqrt(9)/9 if all were measured; u sqrt(1 + 4 · 2²)/9 with four mirrored pairs."""
    angles = np.array([0.0, 10.0, 20.0, 30.0])
    found = mirrored_orbits(PLANES, angles, np.array([[1, 1, 1, 1], [1, 1, 0, 0]], bool), BOTH)
    level = np.where(found.source[..., np.newaxis] >= 0, np.zeros(3), np.nan)
    uncertainty = {}
    for name, mirrored in (("measured", None), ("mirrored", found.mirrored)):
        place = distinct_directions(level, found.angles, mirrored)
        result = curve_set_uncertainty(level, PLANES, found.angles, 0.0, 0.3, measured_angles=found.angles, place=place)
        uncertainty[name] = result.levels["listening_window"].uncorrelated_db
    np.testing.assert_allclose(uncertainty["measured"], 0.3 * 3 / 9)
    np.testing.assert_allclose(uncertainty["mirrored"], 0.3 * np.sqrt(17) / 9)


def test_takes_are_copied_with_their_direction():
    whole = cardioid_responses()
    shape = whole["level"].shape
    takes = whole.assign(
        level_std=(whole["level"].dims, np.broadcast_to(np.arange(shape[1])[:, np.newaxis] / 100, shape).copy()),
        takes=(whole["level"].dims[:2], np.full(shape[:2], 3, np.int32)),
    )
    half = with_declared_symmetry(one_side(takes), ["left/right"], [])
    left, right = (half.sel(plane="horizontal", angle=angle) for angle in (40.0, -40.0))
    np.testing.assert_array_equal(left["level_std"], right["level_std"])
    assert int(right["takes"]) == 3 and int(right["measured"]) == 0 and int(right["mirrored"]) == 1
    assert int(half["takes"].sel(plane="vertical", angle=-40.0)) == 0


def test_the_asymmetry_of_a_declared_symmetry_is_a_check():
    """The axis of the source is tilted 9 degrees upwards: its vertical orbit is the less symmetric one."""
    whole = orbits()
    undeclared, declared = (
        {check.id: check for check in check_responses(whole, symmetry)}["mirror"] for symmetry in ((), BOTH)
    )
    assert {place.split()[0] for place, _ in undeclared.values} == {"horizontal"}
    assert "vertical, declared symmetric" in declared.found and "up minus down" in declared.found
    worst = {plane: max(value for place, value in declared.values if place.startswith(plane)) for plane in PLANES}
    assert worst["vertical"] > 2 * worst["horizontal"] and declared.verdict != "good"
    report = []
    assert with_declared_symmetry(whole, BOTH, report) is whole
    assert all("the measured levels are used" in line for line in report)


def test_a_mirrored_direction_is_not_a_measured_one():
    half = with_declared_symmetry(one_side(cardioid_responses()), BOTH, [])
    wrong = half.assign(measured=half["measured"] * 0 + 1)
    with pytest.raises(InputError, match="is measured and mirrored"):
        contract.validate(wrong, "responses", "rowan")


def imported(folder, declared):
    """A campaign with the directions from 0 to 180 degrees of two orbits."""
    file = campaign(folder)
    for path in folder.glob("raw/*/* -*.csv"):
        path.unlink()
    setup = "distance: 2, drive: 2.83"
    file.write_text(file.read_text().replace(setup, f"{setup}{declared}"))
    plan = prepare(file)
    for stage in ("ingest", "derive"):
        for batch in plan.batches:
            run_batch(plan, stage, batch)
    return plan


def test_a_campaign_declares_a_symmetry(tmp_path):
    plan = imported(tmp_path, ", symmetry: [left/right, up/down]")
    path = plan.results / "rowan" / "responses.nc"
    found = read_dataset(path)
    assert "horizontal -170° to -10° (17 directions) (left/right)" in found.attrs["mirrored_directions"]
    assert "declared symmetric up/down: vertical" in found.attrs["import_report"]
    receipt = read_receipt(path)
    assert receipt["steps"][receipt["stamp"]]["parameters"]["setup"]["symmetry"] == ["left/right", "up/down"]
    curves = read_dataset(plan.results / "rowan" / "curves.nc")
    assert curves.attrs["mirrored_directions"] == found.attrs["mirrored_directions"]
    assert "sound_power" in curves["curve"].values


def test_nothing_is_mirrored_undeclared(tmp_path):
    found = read_dataset(imported(tmp_path, "").results / "rowan" / "responses.nc")
    assert "mirrored" not in found and "mirrored_directions" not in found.attrs
    assert float(found["angle"].min()) == 0.0
