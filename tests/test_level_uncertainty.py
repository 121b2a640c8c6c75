"""Uncertainty of the level in each direction, from statements and repeated takes, and of the curves derived from it."""

import numpy as np
import pytest
import xarray as xr

import physics
from anechain.data import contract
from anechain.data.uncertainty_budget import NOT_REPEATED, NOT_STATED, budget_from_json, unknown_components
from anechain.figure_of_merit.curve_dataset import curve_dataset
from anechain.figure_of_merit.level_uncertainty import level_uncertainty
from test_derive import parameters, responses
from test_stated_uncertainty import WORKED, source, stated, with_takes


def test_a_worked_budget():
    notes = []
    errors = level_uncertainty(source(), WORKED, notes)
    assert np.hypot(errors.common, errors.repeatability[0, 0]) == pytest.approx(0.4741, abs=1e-4)
    assert errors.repeatability == pytest.approx(0.2)
    assert not notes and len(errors.budget_lines) == 5
    assert errors.budget_lines[0].startswith("calibration: standard uncertainty 0.12 dB, from expanded")


def test_the_curve_set_includes_the_components():
    """Nine equal levels: what is common stays, 0.2 dB of each becomes 0.2 / 3; the index keeps only the latter."""
    curves = curve_dataset(source(), None, parameters(uncertainty=WORKED))
    contract.validate(contract.describe(curves, "curves"), "curves", "rowan")
    window = curves.sel(curve="listening_window")
    common = np.sqrt(0.4741**2 - 0.2**2)
    np.testing.assert_allclose(window["uncertainty_common"], common, atol=2e-4)
    np.testing.assert_allclose(window["uncertainty_independent"], 0.2 / 3, rtol=1e-9)
    index = curves.sel(index="sound_power_index")
    np.testing.assert_allclose(index["index_uncertainty_common"], 0, atol=1e-12)
    assert (index["index_uncertainty_independent"] > 0.03).all()
    assert len(curves.attrs["uncertainty"].splitlines()) == 5


def test_without_a_statement_there_is_no_uncertainty():
    curves = curve_dataset(source(), None, parameters(uncertainty={}))
    assert "uncertainty_common" not in curves and "uncertainty" not in curves.attrs
    budget = budget_from_json(curves.attrs["uncertainty_budget"])
    assert budget == unknown_components() and all(
        component.reason and component.standard is None for component in budget
    )
    assert level_uncertainty(source(), {}, []) is None


def test_an_angle_error_changes_the_level_where_it_depends_on_the_angle():
    """A dipole falls by 20 lg cos: at 45 degrees 0.1516 dB per degree, on the axis not at all (by differentiation)."""
    data = responses(physics.first_order(0.0), step=2.5)
    errors = level_uncertainty(data, stated(angle={"value": 0.5}), [])
    angle = data["angle"].values
    for side in (-1, 1):
        falls = -side * 0.5 * 20 / np.log(10) * np.deg2rad(1)
        assert errors.angle_error[0, angle == 45 * side] == pytest.approx(falls, rel=0.01)
        assert errors.uncorrelated[0, angle == 45 * side] == pytest.approx(abs(falls), rel=0.01)
    assert errors.angle_error[0, angle == 0] == pytest.approx(0, abs=1e-9)
    assert (errors.common == 0).all() and (errors.repeatability == 0).all()


def test_a_shared_direction_has_angle_errors_along_both_orbits():
    """Measured once, and on both orbits: 0.1 dB per degree along one and 0.2 along the other are root 0.05 together."""
    data = responses(physics.first_order(1.0))
    angle = data["angle"].values
    slope = xr.DataArray([0.1, 0.2], dims="plane") * xr.DataArray(np.clip(angle, -60, 60), dims="angle")
    data["level"] = data["level"] + slope * (abs(data["angle"]) < 100)
    errors = level_uncertainty(data, stated(angle={"value": 0.5}), [])
    for row in (0, 1):
        assert errors.angle_error[row, angle == 0] == pytest.approx(0.5 * np.sqrt(0.05), rel=1e-6)
    assert errors.angle_error[0, angle == 30] == pytest.approx(0.05) and errors.angle_error[
        1, angle == 30
    ] == pytest.approx(0.1)


def test_repeated_takes_replace_a_statement():
    errors = level_uncertainty(with_takes(source(), 0.3, takes=9), stated(repeatability={"value": 5.0}), [])
    assert errors.repeatability == pytest.approx(0.1)
    single = level_uncertainty(with_takes(source(), 0.3), {}, [])
    assert single.repeatability == pytest.approx(0.3)
    assert "repeatability" in single.budget_lines[0]


def test_a_direction_taken_once_has_the_spread_of_one_take():
    data = with_takes(source(), 0.4, takes=4)
    spread = data["level_std"].values.copy()
    spread[1, 3] = np.nan
    data = data.assign(level_std=(data["level"].dims, spread))
    errors = level_uncertainty(data, {}, [])
    assert errors.repeatability[1, 3] == pytest.approx(0.4) and errors.repeatability[1, 4] == pytest.approx(0.2)


def test_a_direction_that_was_not_measured_has_no_uncertainty():
    data = responses(physics.first_order(1.0), ("horizontal",))
    errors = level_uncertainty(data, stated(repeatability={"value": 0.2}), [])
    rows = [str(plane) for plane in data["plane"].values]
    assert np.isfinite(errors.repeatability[rows.index("horizontal")]).all()
    assert all(np.isnan(errors.repeatability[row]).all() for row, plane in enumerate(rows) if plane != "horizontal")


def test_the_uncertainty_of_an_unknown_distance_is_not_used():
    notes = []
    statements = stated(distance={"value": 0.01}, calibration={"value": 0.1})
    errors = level_uncertainty(responses(physics.first_order(1.0)), statements, notes)
    assert errors.common == pytest.approx(0.1)
    assert notes == ["uncertainty of the distance not used: the distance itself is not known"]


def test_interpolated_angles_have_the_errors_of_their_neighbours():
    """Of an omnidirectional source at 15 degree steps: 10 degrees is read 1/3 at 0 and 2/3 at 15, 20 degrees likewise.

    The nine directions of the listening window are then 7/3 times the axis (measured once, on both orbits), 4/3 each of
    four and 2/3 each of two others: GUM, JCGM 100:2008, 5.1.2, with these as sensitivities, over nine.
    """
    coarse = responses(physics.first_order(1.0), step=15.0)
    curves = curve_dataset(
        coarse, None, parameters(interpolate_angles=True, uncertainty=stated(repeatability={"value": 0.3}))
    )
    np.testing.assert_allclose(curves["uncertainty_independent"].sel(curve="on_axis"), 0.3, rtol=1e-9)
    window = curves["uncertainty_independent"].sel(curve="listening_window")
    sums = np.sqrt((7 / 3) ** 2 + 4 * (4 / 3) ** 2 + 2 * (2 / 3) ** 2)
    np.testing.assert_allclose(window, 0.3 * sums / 9, rtol=1e-6)


def test_common_errors_remain_in_the_sphere_power_and_independent_errors_average_down():
    """Of equal levels in N directions of weight w: what is each one's own, times the root of the sum of w squared."""
    from valid_datasets import sphere

    whole = sphere()
    whole["level"] = whole["level"] * 0 + 80.0
    data = source().isel(frequency=slice(0, whole.sizes["frequency"]))
    data = data.assign_coords(frequency=whole["frequency"].values)
    curves = curve_dataset(data, whole, parameters(uncertainty=WORKED, smoothing=None))
    common = np.sqrt(0.4741**2 - 0.2**2)
    np.testing.assert_allclose(curves["uncertainty_common"].sel(curve="sphere_power"), common, atol=2e-4)
    weight = whole["weight"].values / whole["weight"].values.sum()
    own = 0.2 * np.sqrt((weight**2).sum())
    np.testing.assert_allclose(curves["uncertainty_independent"].sel(curve="sphere_power"), own, rtol=1e-9)
    index = curves.sel(index="sphere_index")
    np.testing.assert_allclose(index["index_uncertainty_common"], 0, atol=1e-12)
    np.testing.assert_allclose(index["index_uncertainty_independent"], np.hypot(0.2, own), rtol=1e-9)


def by_name(errors):
    return {component.name: component for component in errors.budget}


def test_the_budget_lists_what_is_stated_and_what_is_not():
    errors = level_uncertainty(source(), {"calibration": WORKED["calibration"]}, [])
    budget = by_name(errors)
    assert list(budget) == ["calibration", "microphone", "gain_and_drive", "distance", "angle", "repeatability"]
    component = budget["calibration"]
    assert (component.value, component.kind, component.coverage_factor, component.unit) == (0.25, "expanded", 2.0, "dB")
    assert component.standard == pytest.approx((0.125, 0.125, 0.125)) and component.directions == "alike"
    assert budget["microphone"].reason == NOT_STATED and budget["repeatability"].reason == NOT_REPEATED
    assert errors.budget_lines == [component.text]


def test_a_null_does_not_decide_the_median_of_repeated_takes():
    """0.06 dB from take to take everywhere but at one frequency, where the level falls into a null: of 9 takes 0.02."""
    data = with_takes(source(), 0.06, takes=9)
    data["level_std"].values[..., 5] = 12.8
    component = by_name(level_uncertainty(data, {}, []))["repeatability"]
    assert component.standard[1] == pytest.approx(0.02) and component.of_one == pytest.approx(0.06)
    assert "of the mean of 9 takes, 0.02 dB (median; 0.06 dB for one take" in component.text


def test_the_smallest_number_of_takes_is_reported():
    data = with_takes(source(), 0.4, takes=4)
    data["takes"].values[1, 3] = 1
    assert "of the mean of 1 to 4 takes" in by_name(level_uncertainty(data, {}, []))["repeatability"].text


def test_a_spread_without_values_is_not_a_repetition():
    data = with_takes(source(), np.nan, takes=1)
    assert level_uncertainty(data, {}, []) is None
    assert level_uncertainty(data, stated(repeatability={"value": 0.2}), []).repeatability == pytest.approx(0.2)


def test_an_unknown_distance_is_not_included_in_the_budget():
    statements = stated(distance={"value": 0.01}, calibration={"value": 0.1})
    component = by_name(level_uncertainty(responses(physics.first_order(1.0)), statements, []))["distance"]
    assert component.standard is None and component.value == 0.01 and "not known" in component.reason
