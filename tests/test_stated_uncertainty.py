"""What a campaign states of its uncertainty, turned into errors of each direction and of the curve set."""

import numpy as np
import pytest
import xarray as xr

import physics
import valid_datasets
from anechain.campaign.stated_uncertainty import (
    NOT_REPEATED,
    NOT_STATED,
    budget_from_json,
    budget_to_json,
    error_parts,
    impedance_budget,
    nothing_stated,
)
from anechain.campaign.uncertainty import Uncertainty
from anechain.data import contract
from anechain.stages.derive import derived
from test_derive import parameters, responses

DISTANCE = 2.0


def stated(**components):
    return Uncertainty.model_validate(components).model_dump(mode="json", exclude_none=True)


def source():
    data = responses(physics.first_order(1.0))
    data.attrs |= {"measured_distance": DISTANCE}
    return data


def with_takes(data, std, takes=None):
    data = data.assign(level_std=(data["level"].dims, np.broadcast_to(std, data["level"].shape).copy()))
    if takes is not None:
        data = data.assign(takes=(data["level"].dims[:2], np.full(data["level"].shape[:2], takes)))
    return data


WORKED = stated(
    calibration={"value": 0.25, "kind": "expanded", "coverage_factor": 2},
    microphone={"value": 0.7, "kind": "rectangular"},
    distance={"value": 0.1 / 8.685890 * DISTANCE, "kind": "rectangular"},
    gain_and_drive={"value": 0.05},
    repeatability={"value": 0.2},
)
"""A budget as in handbooks: 0.125, 0.4041, 0.0577, 0.05 and 0.2 dB; combined 0.4741 dB (JCGM 100:2008, 5.1.2)."""


def test_a_worked_budget():
    notes = []
    parts = error_parts(source(), WORKED, notes)
    assert np.hypot(parts.common, parts.own[0, 0]) == pytest.approx(0.4741, abs=1e-4)
    assert parts.own == pytest.approx(0.2)
    assert not notes and len(parts.said) == 5
    assert parts.said[0].startswith("calibration: standard uncertainty 0.12 dB, from expanded")


def test_the_curve_set_carries_it():
    """Nine equal levels: what is common stays, 0.2 dB of each becomes 0.2 / 3; the index keeps only the latter."""
    curves = derived(source(), None, parameters(uncertainty=WORKED))
    contract.validate(contract.describe(curves, "curves"), "curves", "rowan")
    window = curves.sel(curve="listening_window")
    common = np.sqrt(0.4741**2 - 0.2**2)
    np.testing.assert_allclose(window["uncertainty_common"], common, atol=2e-4)
    np.testing.assert_allclose(window["uncertainty_independent"], 0.2 / 3, rtol=1e-9)
    index = curves.sel(index="sound_power_index")
    np.testing.assert_allclose(index["index_uncertainty_common"], 0, atol=1e-12)
    assert (index["index_uncertainty_independent"] > 0.03).all()
    assert len(curves.attrs["uncertainty"].splitlines()) == 5


def test_nothing_stated_gives_nothing():
    curves = derived(source(), None, parameters(uncertainty={}))
    assert "uncertainty_common" not in curves and "uncertainty" not in curves.attrs
    budget = budget_from_json(curves.attrs["uncertainty_budget"])
    assert budget == nothing_stated() and all(one.reason and one.standard is None for one in budget)
    assert error_parts(source(), {}, []) is None


def test_a_microphone_by_frequency():
    """0.3 dB at 100 Hz and 1.5 dB at 10 kHz: half-way on a logarithmic axis, at 1 kHz, 0.9 dB; held beyond the ends."""
    given = stated(microphone={"value": [[100, 0.3], [10_000, 1.5]], "source": "a certificate"})
    data = source()
    parts = error_parts(data, given, [])
    at = np.interp(np.log([50, 1000, 16000]), np.log(data["frequency"].values), parts.common)
    np.testing.assert_allclose(at, [0.3, 0.9, 1.5], atol=1e-3)
    assert "0.3 to 1.5 dB" in parts.said[0] and "(a certificate)" in parts.said[0]


def test_the_angle_counts_where_the_level_falls():
    """A dipole falls by 20 lg cos: at 45 degrees 0.1516 dB per degree, on the axis not at all (by differentiation)."""
    data = responses(physics.first_order(0.0), step=2.5)
    parts = error_parts(data, stated(angle={"value": 0.5}), [])
    angle = data["angle"].values
    for side in (-1, 1):
        falls = -side * 0.5 * 20 / np.log(10) * np.deg2rad(1)
        assert parts.angle_error[0, angle == 45 * side] == pytest.approx(falls, rel=0.01)
        assert parts.apart[0, angle == 45 * side] == pytest.approx(abs(falls), rel=0.01)
    assert parts.angle_error[0, angle == 0] == pytest.approx(0, abs=1e-9)
    assert (parts.common == 0).all() and (parts.own == 0).all()


def test_an_axis_can_be_off_along_either_orbit():
    """Measured once, and on both orbits: 0.1 dB per degree along one and 0.2 along the other are root 0.05 together."""
    data = responses(physics.first_order(1.0))
    angle = data["angle"].values
    slope = xr.DataArray([0.1, 0.2], dims="plane") * xr.DataArray(np.clip(angle, -60, 60), dims="angle")
    data["level"] = data["level"] + slope * (abs(data["angle"]) < 100)
    parts = error_parts(data, stated(angle={"value": 0.5}), [])
    for row in (0, 1):
        assert parts.angle_error[row, angle == 0] == pytest.approx(0.5 * np.sqrt(0.05), rel=1e-6)
    assert parts.angle_error[0, angle == 30] == pytest.approx(0.05) and parts.angle_error[
        1, angle == 30
    ] == pytest.approx(0.1)


def test_repeated_takes_count_instead_of_a_statement():
    parts = error_parts(with_takes(source(), 0.3, takes=9), stated(repeatability={"value": 5.0}), [])
    assert parts.own == pytest.approx(0.1)
    single = error_parts(with_takes(source(), 0.3), {}, [])
    assert single.own == pytest.approx(0.3)
    assert "repeatability" in single.said[0]


def test_a_direction_taken_once_has_the_spread_of_one_take():
    data = with_takes(source(), 0.4, takes=4)
    spread = data["level_std"].values.copy()
    spread[1, 3] = np.nan
    data = data.assign(level_std=(data["level"].dims, spread))
    parts = error_parts(data, {}, [])
    assert parts.own[1, 3] == pytest.approx(0.4) and parts.own[1, 4] == pytest.approx(0.2)


def test_a_direction_that_was_not_measured_has_none():
    data = responses(physics.first_order(1.0), ("horizontal",))
    parts = error_parts(data, stated(repeatability={"value": 0.2}), [])
    rows = [str(plane) for plane in data["plane"].values]
    assert np.isfinite(parts.own[rows.index("horizontal")]).all()
    assert all(np.isnan(parts.own[row]).all() for row, plane in enumerate(rows) if plane != "horizontal")


def test_a_distance_that_is_not_known():
    notes = []
    given = stated(distance={"value": 0.01}, calibration={"value": 0.1})
    parts = error_parts(responses(physics.first_order(1.0)), given, notes)
    assert parts.common == pytest.approx(0.1)
    assert notes == ["uncertainty of the distance not used: the distance itself is not known"]


def test_interpolated_angles_have_the_errors_of_their_neighbours():
    """Of an omnidirectional source at 15 degree steps: 10 degrees is read 1/3 at 0 and 2/3 at 15, 20 degrees likewise.

    The nine directions of the listening window are then 7/3 times the axis (measured once, on both orbits), 4/3 each of
    four and 2/3 each of two others: GUM, JCGM 100:2008, 5.1.2, with these as sensitivities, over nine.
    """
    coarse = responses(physics.first_order(1.0), step=15.0)
    curves = derived(
        coarse, None, parameters(interpolate_angles=True, uncertainty=stated(repeatability={"value": 0.3}))
    )
    np.testing.assert_allclose(curves["uncertainty_independent"].sel(curve="on_axis"), 0.3, rtol=1e-9)
    window = curves["uncertainty_independent"].sel(curve="listening_window")
    sums = np.sqrt((7 / 3) ** 2 + 4 * (4 / 3) ** 2 + 2 * (2 / 3) ** 2)
    np.testing.assert_allclose(window, 0.3 * sums / 9, rtol=1e-6)


@pytest.mark.parametrize("value", [[[100, 0.3]], [[100, 0.3], [50, 0.4]], 0, -1, "much"])
def test_statements_that_mean_nothing(value):
    with pytest.raises(ValueError):
        Uncertainty.model_validate({"microphone": {"value": value}})


def test_the_mean_of_a_sphere_keeps_what_is_common_and_loses_the_rest():
    """Of equal levels in N directions of weight w: what is each one's own, times the root of the sum of w squared."""
    from valid_datasets import sphere

    whole = sphere()
    whole["level"] = whole["level"] * 0 + 80.0
    data = source().isel(frequency=slice(0, whole.sizes["frequency"]))
    data = data.assign_coords(frequency=whole["frequency"].values)
    curves = derived(data, whole, parameters(uncertainty=WORKED, smoothing=None))
    common = np.sqrt(0.4741**2 - 0.2**2)
    np.testing.assert_allclose(curves["uncertainty_common"].sel(curve="sphere_power"), common, atol=2e-4)
    weight = whole["weight"].values / whole["weight"].values.sum()
    own = 0.2 * np.sqrt((weight**2).sum())
    np.testing.assert_allclose(curves["uncertainty_independent"].sel(curve="sphere_power"), own, rtol=1e-9)
    index = curves.sel(index="sphere_index")
    np.testing.assert_allclose(index["index_uncertainty_common"], 0, atol=1e-12)
    np.testing.assert_allclose(index["index_uncertainty_independent"], np.hypot(0.2, own), rtol=1e-9)


def by_name(parts):
    return {one.name: one for one in parts.budget}


def test_the_budget_lists_what_is_stated_and_what_is_not():
    parts = error_parts(source(), {"calibration": WORKED["calibration"]}, [])
    budget = by_name(parts)
    assert list(budget) == ["calibration", "microphone", "gain_and_drive", "distance", "angle", "repeatability"]
    one = budget["calibration"]
    assert (one.value, one.kind, one.coverage_factor, one.unit) == (0.25, "expanded", 2.0, "dB")
    assert one.standard == pytest.approx((0.125, 0.125, 0.125)) and one.directions == "alike"
    assert budget["microphone"].reason == NOT_STATED and budget["repeatability"].reason == NOT_REPEATED
    assert parts.said == [one.words]


def test_the_budget_survives_its_json():
    given = WORKED | stated(microphone={"value": [[100, 0.3], [10_000, 1.5]], "source": "a certificate"})
    parts = error_parts(with_takes(source(), 0.3, takes=9), given, [])
    restored = budget_from_json(budget_to_json(parts.budget))
    assert [one.words for one in restored] == [one.words for one in parts.budget]
    assert by_name(parts)["microphone"].value == [[100.0, 0.3], [10_000.0, 1.5]]
    assert restored[-1].takes == (9, 9)


def test_a_null_does_not_rule_what_is_said_of_repeats():
    """0.06 dB from take to take everywhere but at one frequency, where the level falls into a null: of 9 takes 0.02."""
    data = with_takes(source(), 0.06, takes=9)
    data["level_std"].values[..., 5] = 12.8
    one = by_name(error_parts(data, {}, []))["repeatability"]
    assert one.standard[1] == pytest.approx(0.02) and one.of_one == pytest.approx(0.06)
    assert "of the mean of 9 takes, 0.02 dB (median; 0.06 dB for one take" in one.words


def test_what_was_taken_once_is_said():
    data = with_takes(source(), 0.4, takes=4)
    data["takes"].values[1, 3] = 1
    assert "of the mean of 1 to 4 takes" in by_name(error_parts(data, {}, []))["repeatability"].words


def test_a_spread_that_nobody_knows_is_no_repeat():
    data = with_takes(source(), np.nan, takes=1)
    assert error_parts(data, {}, []) is None
    assert error_parts(data, stated(repeatability={"value": 0.2}), []).own == pytest.approx(0.2)


def test_a_distance_that_is_not_known_counts_for_nothing_in_the_budget():
    given = stated(distance={"value": 0.01}, calibration={"value": 0.1})
    one = by_name(error_parts(responses(physics.first_order(1.0)), given, []))["distance"]
    assert one.standard is None and one.value == 0.01 and "not known" in one.reason


def test_the_budget_of_an_impedance():
    """One per cent as limits of a rectangular distribution: 1 / sqrt(3) (JCGM 100:2008, 4.3.7)."""
    data = valid_datasets.impedance()
    plain = data.drop_vars([name for name in ("magnitude_std", "phase_std", "takes") if name in data])
    modulus, phase, repeats = impedance_budget(plain, stated(impedance={"value": 1.0, "kind": "rectangular"}))
    assert modulus.standard == pytest.approx([1 / np.sqrt(3)] * 3) and modulus.standard_unit == "%"
    assert phase.reason == NOT_STATED and "no take" in repeats.reason
    several = plain.assign(
        magnitude_std=plain["magnitude"] * 0.03, takes=("frequency", np.full(plain.sizes["frequency"], 9))
    )
    repeats = impedance_budget(several, {})[2]
    assert repeats.standard == pytest.approx((1.0, 1.0, 1.0)) and repeats.of_one == pytest.approx(3.0)
    assert "of the mean of 9 takes, 1 % (median; 3 % for one take" in repeats.words
    without = impedance_budget(plain.drop_vars("phase"), stated(impedance_phase={"value": 1.0}))[1]
    assert without.reason == "the phase was not measured"
