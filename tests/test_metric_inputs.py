"""What becomes of a value and its spread in a number."""

import pytest

import valid_datasets
from anechain.campaign.derivation import Derivation
from anechain.campaign.numbers import DeviceNumbers, Numbers
from anechain.data.numbers import Uncertainty
from anechain.figure_of_merit.curve_uncertainty import NOT_STATED
from anechain.figure_of_merit.metric_inputs import gather
from anechain.figure_of_merit.number_builder import make_number


@pytest.fixture
def given():
    datasets = {"curves": valid_datasets.curves(), "responses": valid_datasets.responses()}
    return gather(Numbers(), DeviceNumbers(), datasets, Derivation(smoothing=None))


def told(given, value, unit, **more):
    return make_number(given, "sensitivity", "level.one", "Level", "One", value, unit, **more)


def test_the_expanded_uncertainty_is_the_standard_one_times_k(given):
    one = told(given, 85.0, "dB", uncertainty=Uncertainty(0.25, "first order (GUM)"))
    assert (one.uncertainty, one.coverage_factor, one.propagation) == (0.5, 2.0, "first order (GUM)")
    assert told(given, 85.0, "dB").uncertainty_reason == NOT_STATED


def test_an_interval_that_is_not_symmetric_replaces_the_uncertainty(given):
    even = told(given, 52.0, "Hz", uncertainty=Uncertainty(2.0, "drawn", interval=(48.3, 55.8)))
    assert even.interval is None and even.uncertainty == 4.0
    skewed = told(given, 52.0, "Hz", uncertainty=Uncertainty(2.0, "drawn", interval=(49.6, 57.4)), note="re the mean")
    assert skewed.interval == (49.6, 57.4) and skewed.note == "re the mean" and skewed.propagation == "drawn"
    assert skewed.uncertainty is None and skewed.coverage_factor is None and skewed.uncertainty_reason == ""


def test_a_gap_has_neither(given):
    gap = told(given, None, "Hz", uncertainty=Uncertainty(2.0, "drawn", interval=(1.0, 9.0)), reason="the data end")
    assert gap.uncertainty is None and gap.interval is None and gap.note == "" and gap.reason == "the data end"
