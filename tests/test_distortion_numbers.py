"""Numbers of distortion: values of a device in closed form, gaps with reasons, limits that say so."""

import json

import numpy as np
import pytest

import valid_datasets
from anechain.choices import DeviceNumbers, DistortionChoices, Numbers
from anechain.figure_of_merit.distortion import ABSENT, distortion_numbers, peak_list
from anechain.figure_of_merit.given import gather
from anechain.methods import versions
from anechain.stages.distortion import USES, distorted
from distortion_data import FREQUENCY, harmonics, orders_of


def given(data=None, levels=(86.0, 96.0)):
    datasets = {"curves": valid_datasets.curves(), "responses": valid_datasets.responses()}
    if data is not None:
        choices = DistortionChoices(levels=levels).model_dump(mode="json") | {"methods": versions(USES)}
        datasets["distortion"] = distorted(data, choices)
    return gather(Numbers(), DeviceNumbers(), datasets, None)


def numbers(*args, **how):
    return {one.id: one for one in distortion_numbers(given(*args, **how))}


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
    assert "an upper limit: at least" in found["distortion.at_86.thd_f.worst_200_2000"].note


def test_peaks_are_listed():
    data = harmonics(levels=(86.0,))
    data["level"][0, 2] = data["level"][0, 2] + 12 * np.exp(-((np.log2(FREQUENCY / 500) / 0.15) ** 2))
    [peak] = peak_list(given(data, levels=(86.0,)))
    assert peak["order"] == 3 and json.dumps(peak)
    assert peak_list(given()) == []
