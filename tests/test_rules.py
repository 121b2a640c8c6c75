"""Each rule between fields, asked with data that are right in everything but that one rule."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anechain.data.contract import load, validate
from anechain.data.rules import POLE_TOLERANCE, RULES
from anechain.errors import InputError
from valid_datasets import FREQUENCY, VALID, responses, sphere, with_one, with_values

FRONT, REAR = 17, 35
"""Rows of 0 and 180 degrees among the angles from -170 to 180."""


def broken_rules(dataset, contract="responses"):
    """Names of the rules of its contract that a dataset breaks."""
    return {name for name in load(contract).rules if list(RULES[name](dataset, "alder"))}


def said(dataset, rule, contract="responses"):
    """What the rule says, and that no other rule of the contract says anything, and that validation says just this."""
    assert broken_rules(dataset, contract) == {rule}
    problems = list(RULES[rule](dataset, "alder"))
    with pytest.raises(InputError) as caught:
        validate(dataset, contract, "alder")
    assert list(caught.value.problems) == problems
    assert all(one.where == "alder" and one.expected and one.fix for one in problems)
    return [one.what for one in problems]


def shifted(dataset, plane, angle, by):
    """Levels of one direction raised, by one value or one for each frequency."""
    level = dataset["level"].values.copy()
    level[plane, angle] += by
    return with_values(dataset, "level", level)


def emptied(dataset, *directions):
    for plane, angle in directions:
        for name in ("level", "phase", "level_std"):
            values = dataset[name].values.copy()
            values[plane, angle] = np.nan
            dataset = with_values(dataset, name, values)
    return dataset


def test_right_data_break_none():
    assert broken_rules(responses()) == broken_rules(sphere(), "sphere") == set()


@pytest.mark.parametrize("frequency", [[100, 100, 1000], [100, 10_000, 1000], [1000, 100, 10_000]])
def test_frequencies_that_do_not_rise(frequency):
    dataset = with_values(responses(), "frequency", np.array(frequency, float))
    row = 1 if frequency[1] <= frequency[0] else 2
    assert said(dataset, "frequency rises strictly") == [
        f"frequency {row + 1} is {frequency[row]} Hz after {frequency[row - 1]} Hz"
    ]


def test_angles_that_do_not_rise():
    dataset = responses().isel(angle=[1, 0, *range(2, 36)])
    assert said(dataset, "angle rises strictly") == ["angle 2 is -170° after -160°"]


def test_a_plane_that_is_there_twice():
    assert said(responses(planes=["vertical", "vertical"]), "each direction once") == ["plane vertical occurs twice"]


def test_an_angle_that_is_there_twice_breaks_both_rules_of_it():
    dataset = responses().isel(angle=[0, 0, *range(1, 36)])
    assert broken_rules(dataset) == {"each direction once", "angle rises strictly"}
    assert [one.what for one in RULES["each direction once"](dataset, "alder")] == ["angle -170.0 occurs twice"]


def test_nothing_measured():
    dataset = emptied(responses(), *((plane, angle) for plane in (0, 1) for angle in range(36)))
    dataset = with_values(dataset, "measured", dataset["measured"].values * 0)
    assert said(dataset, "a direction was measured") == ["no direction was measured"]


# Poles


@pytest.mark.parametrize(("row", "angle"), [(FRONT, 0), (REAR, 180)])
def test_poles_that_disagree(row, angle):
    dataset = shifted(responses(), 1, row, np.array([1.0, 3.0, 2.0]))
    apart = np.sqrt((1 + 9 + 4) / 3)
    assert said(dataset, "poles agree between planes") == [
        f"level at {angle}° differs between the planes by {apart:.2f} dB (r.m.s.), most at 1000 Hz"
    ]


def test_both_poles_are_named():
    dataset = shifted(shifted(responses(), 1, FRONT, 2.0), 0, REAR, 2.0)
    whats = said(dataset, "poles agree between planes")
    assert [what.split(" differs")[0] for what in whats] == ["level at 0°", "level at 180°"]


@given(st.floats(-3, 3), st.sampled_from([FRONT, REAR]), st.sampled_from([0, 1]))
@settings(max_examples=30, deadline=None)
def test_the_tolerance_of_the_poles(by, row, plane):
    if abs(abs(by) - POLE_TOLERANCE) < 1e-9:
        return
    found = broken_rules(shifted(responses(), plane, row, by))
    assert found == ({"poles agree between planes"} if abs(by) > POLE_TOLERANCE else set())


@pytest.mark.parametrize("by", [POLE_TOLERANCE, -POLE_TOLERANCE])
def test_a_difference_of_just_the_tolerance_passes(by):
    validate(shifted(responses(), 1, FRONT, by), "responses", "alder")  # 84 dB and 85 dB are exact in binary


def test_the_tolerance_is_of_the_mean_square_and_not_of_each_frequency():
    by = np.array([1.6, 0.2, 0.2])  # r.m.s. 0.938 dB
    assert broken_rules(shifted(responses(), 1, FRONT, by)) == set()
    assert broken_rules(shifted(responses(), 1, FRONT, by * 1.1)) == {"poles agree between planes"}  # 1.032 dB


@pytest.mark.parametrize(("depth", "judged"), [(39.0, True), (41.0, False)])
def test_noise_40_decibels_below_the_pole_is_not_judged(depth, judged):
    dataset = responses()
    level = dataset["level"].values.copy()
    level[:, FRONT, 0] -= depth
    level[1, FRONT, 0] += 5
    found = broken_rules(with_values(dataset, "level", level))
    assert found == ({"poles agree between planes"} if judged else set())


def test_other_directions_need_not_agree():
    validate(shifted(responses(), 1, FRONT + 1, 10.0), "responses", "alder")


@pytest.mark.parametrize("angles", [[-30, 30], [-90, 0, 90], [30, 180]])
def test_orbits_without_a_pole_or_two(angles):
    validate(responses(angles), "responses", "alder")


def test_one_plane_has_nothing_to_agree_with():
    validate(shifted(responses(planes=["horizontal"]), 0, FRONT, 10.0), "responses", "alder")


def test_a_pole_that_one_plane_lacks_is_not_judged():
    dataset = emptied(shifted(responses(), 1, FRONT, 10.0), (1, FRONT))
    dataset = with_one(dataset, "measured", 0, at=36 + FRONT)
    validate(dataset, "responses", "alder")


# Missing and not measured


def test_a_missing_value_that_the_report_is_silent_about():
    dataset = responses()
    level = dataset["level"].values.copy()
    level[1, 20, 1] = level[1, 21, 0] = np.nan
    dataset = with_values(dataset, "level", level)
    assert said(dataset, "missing values are reported") == [
        "level is missing at vertical 30° 1000 Hz (2 values), but not in the import report"
    ]
    dataset.attrs["import_report"] = "vertical 30°: Missing at 1000 Hz"
    validate(dataset, "responses", "alder")


def test_a_direction_that_was_not_measured_need_not_be_reported():
    dataset = with_one(emptied(responses(), (0, 5)), "measured", 0, at=5)
    validate(dataset, "responses", "alder")


def test_a_level_where_nothing_was_measured():
    dataset = with_one(responses(), "measured", 0, at=36 + 20)
    assert said(dataset, "unmeasured directions are empty") == ["vertical 30° has a level but was not measured"]


# Setup


@pytest.mark.parametrize("absent", [("distance",), ("drive",), ("distance", "drive")])
def test_an_absolute_level_without_its_reference(absent):
    dataset = responses().assign_attrs()
    for name in absent:
        del dataset.attrs[name]
    assert said(dataset, "absolute level has distance and drive") == [
        f"level_kind is spl, but {name} is not known" for name in absent
    ]
    dataset.attrs["level_kind"] = "relative"
    validate(dataset, "responses", "alder")


@pytest.mark.parametrize("band", [(200.0, 100.0), (100.0, 100.0)])
def test_a_band_that_does_not_rise(band):
    dataset = responses()
    dataset.attrs["valid_low"], dataset.attrs["valid_high"] = band
    assert said(dataset, "valid band rises") == [f"valid band {band[0]:g} to {band[1]:g} Hz"]
    del dataset.attrs["valid_low"]
    validate(dataset, "responses", "alder")


# Sphere


@pytest.mark.parametrize("factor", [0.5, 1 + 1e-6, 4 * np.pi])
def test_weights_that_are_no_shares_of_the_sphere(factor):
    dataset = sphere()
    weight = dataset["weight"].values * factor
    (what,) = said(with_values(dataset, "weight", weight), "weights sum to one", "sphere")
    assert what == f"weights add up to {weight.sum():.12g}"


@given(st.integers(1, 40))
@settings(max_examples=20, deadline=None)
def test_weights_of_any_gauss_legendre_grid_pass(rings):
    validate(sphere(rings), "sphere", "alder")


def test_several_rules_broken_are_all_said():
    dataset = shifted(responses(), 1, FRONT, 5.0)
    dataset = with_values(dataset, "frequency", FREQUENCY[[0, 2, 1]])
    dataset.attrs |= {"valid_low": 500.0, "valid_high": 400.0}
    del dataset.attrs["drive"]
    with pytest.raises(InputError) as caught:
        validate(dataset, "responses", "alder")
    assert len(caught.value.problems) == 4


def test_every_rule_says_what_it_asks():
    assert all(rule.__doc__ and rule.__doc__.endswith(".") for rule in RULES.values())


@pytest.mark.parametrize(("name", "unit"), [("drive", " V"), ("order", "")])
def test_drives_and_orders_of_harmonics_rise(name, unit):
    dataset = VALID["harmonics"]()
    turned = dataset.isel({name: slice(None, None, -1)})
    values = turned[name].values
    (problem,) = RULES[f"{name} rises strictly"](turned, "alder")
    assert problem.what == f"{name} 2 is {values[1]:g}{unit} after {values[0]:g}{unit}"
    assert not list(RULES[f"{name} rises strictly"](dataset, "alder"))


@pytest.mark.parametrize("named", ["rooms", "sphere rooms"])
def test_other_datasets_that_no_import_gives(named):
    dataset = responses().assign_attrs(datasets=named)
    assert said(dataset, "datasets are known") == [f"attribute datasets is {named!r}"]


@pytest.mark.parametrize("named", ["none", "sphere", "sphere harmonics", "harmonics impedance"])
def test_other_datasets_of_an_import(named):
    assert not broken_rules(responses().assign_attrs(datasets=named))


def test_takes_that_do_not_count_from_one():
    dataset = with_values(VALID["takes"](), "take", np.array([1, 3, 2]))
    assert said(dataset, "takes count from one", "takes") == ["take is [1, 3, 2]"]


def test_takes_that_go_back_in_time():
    dataset = with_one(VALID["takes"](), "started", 300.0, at=1)
    assert said(dataset, "takes do not go back in time", "takes") == [
        "take 3 was started at 260 s, after take 2 at 300 s"
    ]
    assert not broken_rules(with_one(dataset, "started", np.nan, at=1), "takes")
