"""The dataset of trends: lines and targets where the campaign puts them, against closed forms."""

import json

import numpy as np
import pytest

from anechain.campaign.numbers import DeviceNumbers, Numbers
from anechain.data import contract
from anechain.figure_of_merit.metric_inputs import gather
from anechain.figure_of_merit.trend_dataset import trend_dataset
from anechain.figure_of_merit.trend_lines import own_trends
from anechain.figure_of_merit.trends import numbers
from test_numbers_stage import FREQUENCY, UNSMOOTHED, datasets, tilted_source

AT_1_KHZ = 84.0


def given(options=None, own=None, targets=None, **more):
    """What is given of a device that falls by 1 dB per octave in all directions."""
    return gather(Numbers(**(options or {})), DeviceNumbers(**(own or {})), datasets(**more), UNSMOOTHED, targets)


def made(*args, **more):
    dataset = trend_dataset(given(*args, **more))
    contract.validate(dataset, "trends", "rowan")
    return dataset


def tilt(frequency):
    return AT_1_KHZ - np.log2(np.asarray(frequency) / 1000)


def test_the_line_of_a_tilt_lies_on_it_from_end_to_end_of_the_band():
    dataset = made({"trends": {"band": (250.5, 4001.0)}})
    assert {250.5, 4001.0} <= set(dataset["frequency"].values) and dataset.sizes["frequency"] == FREQUENCY.size + 2
    line = dataset["line"].sel(curve="in_room").dropna("frequency")
    assert (float(line["frequency"][0]), float(line["frequency"][-1])) == (250.5, 4001.0)
    np.testing.assert_allclose(line, tilt(line["frequency"]), atol=1e-6)
    np.testing.assert_allclose(dataset["line_deviation"].sel(curve="in_room").dropna("frequency"), 0, atol=1e-6)
    assert list(dataset["curve"]) == ["on_axis", "listening_window", "early_reflections", "sound_power", "in_room"]
    assert np.isnan(dataset["own_line"]).all() and json.loads(dataset.attrs["own_reasons"]) == {}


def test_a_line_of_the_reviewer_meets_the_curve_and_keeps_its_reason():
    """Half as steep as the curve: the deviation is 0.5 dB per octave about the middle of the band, 1 kHz.

    The fitted line stays beside it.
    """
    own = {"sound_power": {"slope": -0.5, "reason": "a hall's own"}}
    dataset = made({"trends": {"band": (250.0, 4000.0), "curves": ["on_axis"]}, "own_trends": own})
    power = dataset.sel(curve="sound_power")
    assert json.loads(dataset.attrs["own_reasons"]) == {"sound_power": "a hall's own"}
    np.testing.assert_allclose(power["line_deviation"].dropna("frequency"), 0, atol=1e-6)
    left = power["own_line_deviation"].dropna("frequency")
    np.testing.assert_allclose(left, -0.5 * np.log2(left["frequency"] / 1000), atol=1e-6)


def test_a_line_of_the_reviewer_changes_no_number_of_the_fit():
    own = {"sound_power": {"slope": -0.5, "reason": "a hall's own"}}
    fitted, both = ({one.id: one for one in numbers(given(options))} for options in ({}, {"own_trends": own}))
    assert {id_: one for id_, one in both.items() if not id_.startswith("own_trend.")} == fitted
    added = {id_: one for id_, one in both.items() if id_.startswith("own_trend.")}
    assert list(added) == [f"own_trend.sound_power.{key}" for key in ("slope", "deviation", "largest")]
    assert all(one.method == "own-trend-line" and "a hall's own" in one.note for one in added.values())
    assert added["own_trend.sound_power.slope"].value == -0.5


def test_a_line_of_the_reviewer_that_cannot_be_aligned_has_a_reason():
    own = {"sound_power": {"slope": -0.5, "reason": "a hall's own"}}
    options = {"trends": {"band": (200.0, 20_000.0)}, "own_trends": own}
    gap = {one.id: one for one in numbers(given(options))}["own_trend.sound_power.slope"]
    assert gap.value is None and "cannot be aligned" in gap.reason


def test_a_target_is_moved_to_meet_the_curve_and_reaches_as_far_as_it_was_given():
    """Flat at 0 dB from 500 Hz to 8 kHz; the mean of the tilt from 500 Hz to 2 kHz, over octaves, is 84 dB."""
    files = {"in_room": {"file": "t.txt", "alignment_band": (500.0, 2000.0)}}
    target = {"in_room": (np.array([500.0, 8000.0]), np.zeros(2))}
    one = made({"targets": files, "trends": {"band": (250.0, 4000.0)}}, targets=target).sel(curve="in_room")
    assert float(one["target_shift"]) == pytest.approx(AT_1_KHZ, abs=1e-6)
    moved = one["target"].dropna("frequency")
    np.testing.assert_allclose(moved, AT_1_KHZ, atol=1e-6)
    assert float(moved["frequency"][0]) == 500.0 and float(moved["frequency"][-1]) == pytest.approx(8000.0)
    left = one["target_deviation"].dropna("frequency")
    assert float(left["frequency"][-1]) == 4000.0
    np.testing.assert_allclose(left, tilt(left["frequency"]) - AT_1_KHZ, atol=1e-6)


def test_the_largest_deviation_of_the_numbers_is_one_of_the_dataset():
    def bent(plane, angle):
        return tilted_source(plane, angle) + 3 * np.exp(-((np.log2(FREQUENCY / 3000) / 0.2) ** 2))

    found = given(source=bent)
    largest = {one.id: one for one in numbers(found)}["trend.on_axis.largest"]
    (place,) = largest.marks
    left = trend_dataset(found)["line_deviation"].sel(curve="on_axis")
    assert float(np.abs(left).max()) == pytest.approx(largest.value)
    assert float(left["frequency"][int(np.abs(left).argmax())]) == place.low_hz


def test_a_band_beyond_the_data_has_no_line():
    dataset = made({"trends": {"band": (200.0, 20_000.0)}})
    assert np.isnan(dataset["line"]).all()
    assert np.isfinite(dataset["level"].sel(curve="on_axis")).any()


def test_curves_that_are_not_there_are_left_out():
    dataset = made(planes=("horizontal",))
    assert "sound_power" not in dataset["curve"] and "on_axis" in dataset["curve"]
    nothing = {"trends": {"curves": []}, "linearity": {"curves": []}}
    assert trend_dataset(given(nothing)) is None


def test_a_device_has_its_own_line_before_the_campaigns():
    campaign = {"own_trends": {"in_room": {"slope": -1.0, "reason": "of the campaign"}}, "trends": {"curves": []}}
    one = given(campaign, {"own_trends": {"in_room": {"slope": -2.0, "reason": "of the device"}}})
    assert {curve: own.slope for curve, own in own_trends(one).items()} == {"in_room": -2.0}
