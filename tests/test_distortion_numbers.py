"""Numbers of distortion: values of a device in closed form, gaps with reasons, limits that say so."""

import json
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr

import valid_datasets
from anechain.campaign.derivation import Derivation
from anechain.campaign.distortion import DistortionOptions
from anechain.campaign.numbers import DeviceNumbers, Numbers
from anechain.figure_of_merit.distortion import ABSENT, distortion_numbers, peak_list
from anechain.figure_of_merit.distortion_dataset import distortion_dataset
from anechain.figure_of_merit.metric_inputs import gather
from anechain.methods import versions
from anechain.stages.distortion import USES
from distortion_data import FREQUENCY, harmonics, orders_of


def given(data=None, levels=(86.0, 96.0)):
    datasets = {"curves": valid_datasets.curves(), "responses": valid_datasets.responses()}
    if data is not None:
        choices = DistortionOptions(levels=levels).model_dump(mode="json") | {"methods": versions(USES)}
        datasets["distortion"] = distortion_dataset(data, choices)
    return gather(Numbers(), DeviceNumbers(), datasets, Derivation(smoothing=None))


def numbers(*args, **propagation):
    return {one.id: one for one in distortion_numbers(given(*args, **propagation))}


def test_a_flat_device_has_its_closed_form_everywhere():
    found = numbers(harmonics())
    one, *others = orders_of(86.0)
    expected = 100 * np.sqrt(sum(10 ** ((other - one) / 10) for other in others))
    for what in ("worst", "mean"):
        number = found[f"distortion.at_86.thd_f.{what}_40_200"]
        assert number.value == pytest.approx(expected) and number.unit == "%"
        assert "re the fundamental" in number.note and number.method == "distortion-in-band"
    assert found["distortion.at_86.second_third.mean_200_2000"].value == pytest.approx(expected)
    # 2.2 %: under 3 % down to the lowest frequency, over 1 % everywhere.
    assert 1 < expected < 3
    assert found["distortion.at_86.under_3"].value == pytest.approx(FREQUENCY[0])
    assert "already" in found["distortion.at_86.under_1"].reason


def test_gaps_have_their_reasons():
    found = numbers(harmonics())
    assert "nothing is extrapolated" in found["distortion.at_96.thd_f.worst_40_200"].reason
    assert "no value" in found["distortion.at_86.fourth_up.worst_200_2000"].reason
    assert [one.reason for one in distortion_numbers(given())] == [ABSENT]


def test_what_noise_hides_is_told():
    found = numbers(harmonics(noise=47.0), levels=(86.0,))
    one = found["distortion.at_86.thd_f.worst_200_2000"]
    assert "an upper limit" in one.note and one.bound == "at most"
    assert found["distortion.at_86.under_10"].bound == "at most"
    clean = numbers(harmonics(), levels=(86.0,))["distortion.at_86.thd_f.worst_200_2000"]
    assert "limit" not in clean.note and clean.bound == ""


def test_no_limit_of_distortion_is_above_that_of_distortion_plus_noise():
    found = numbers(harmonics(noise=47.0), levels=(86.0,))
    for band in ("40_200", "200_2000", "2000_6000"):
        thd, both = (found[f"distortion.at_86.{name}.worst_{band}"] for name in ("thd_f", "orders_plus_noise"))
        assert thd.value < both.value and thd.bound == both.bound == "at most"
        assert "the rest may be orders below the noise" in both.note


def test_the_level_is_told_with_its_band_its_distance_and_its_take():
    one, between = (numbers(harmonics(), levels=(level,)) for level in (86.0, 83.0))
    note = one["distortion.at_86.thd_f.worst_200_2000"].note
    assert "level 86.0 dB at 1 m, mean of the fundamental, 300 to 3000 Hz; at 2 V" in note
    assert "between the takes at 1 and 2 V" in between["distortion.at_83.thd_f.worst_200_2000"].note


def test_distortion_re_the_total_is_the_lower_of_both_references():
    found = numbers(harmonics())
    ratio = found["distortion.at_86.thd_f.worst_200_2000"].value / 100
    # IEC 60268-3, 14.12.3 (recalled): THD_R = THD_F / sqrt(1 + THD_F^2).
    expected = 100 * ratio / np.sqrt(1 + ratio**2)
    assert found["distortion.at_86.thd_r.worst_200_2000"].value == pytest.approx(expected)
    assert "distortion.at_86.thd_r.mean_200_2000" not in found


def test_a_multitone_that_was_told_has_no_excuse_in_its_note():
    tones, dims = np.array([100.0, 1000.0]), ("drive", "frequency")
    data = xr.Dataset(
        {
            "ratio": ("drive", [-40.0, np.nan]),
            "level": ("drive", [90.0, 96.0]),
            "tones": (dims, [[87.0, 87.0], [93.0, 93.0]]),
            "between": (dims, [[47.0, 47.0], [np.nan, np.nan]]),
        },
        coords={"drive": [1.0, 2.0], "tone": tones, "frequency": tones},
    )
    told, untold = (
        one
        for one in distortion_numbers(replace(given(), datasets=dict(given().datasets) | {"multitone": data}))
        if "multitone" in one.id
    )
    assert told.value == -40.0 and "nothing" not in told.note
    assert untold.value is None and "not known" in untold.reason


def test_peaks_are_listed():
    data = harmonics(levels=(86.0,))
    data["level"][0, 2] = data["level"][0, 2] + 12 * np.exp(-((np.log2(FREQUENCY / 500) / 0.15) ** 2))
    [peak] = peak_list(given(data, levels=(86.0,)))
    assert peak["order"] == 3 and json.dumps(peak)
    assert peak_list(given()) == []


def test_the_valid_band_bounds_the_numbers():
    """A gated measurement says nothing below its band, and nothing of an order above it."""
    found = numbers(harmonics(valid_low=190.0, valid_high=4000.0), levels=(86.0,))
    low, high = found["distortion.at_86.thd_f.worst_40_200"], found["distortion.at_86.thd_f.worst_200_2000"]
    assert low.value is None and "not across 40 to 200 Hz" in low.reason
    assert high.value is not None
    # Orders 2 and 3 of 2 kHz would be heard at 4 and 6 kHz: of the third nothing is said.
    third = found["distortion.at_86.second_third.worst_200_2000"]
    assert third.value is None and third.reason
    under = found["distortion.at_86.under_3"]
    assert under.value >= 190.0 and under.bound == "at most"
