"""Distortion in words: what was taken, what could not be had, and causes that are possibilities only."""

import json

import pytest

import valid_datasets
from anechain.data.store import write_dataset
from anechain.figure_of_merit.fundamentals import NO_HARMONICS
from anechain.receipts.receipt import make_receipt
from anechain.report.distortion import distortion_gaps, not_compared, said_of_distortion
from anechain.running.prepare import prepare
from campaigns import campaign

PEAK = {
    "level": 86.0,
    "order": 3,
    "excitation_hz": 210.0,
    "heard_hz": 630.0,
    "height_db": 9.3,
    "possible_causes": ["a panel that rings", "a rim resonance"],
}


def test_what_was_not_measured_is_one_gap():
    assert distortion_gaps(None) == [("Distortion", NO_HARMONICS)]
    assert said_of_distortion(None) == []


def test_each_level_that_could_not_be_had_is_named():
    dataset = valid_datasets.distortion()
    assert distortion_gaps(dataset) == []
    gaps = {"76": "no take is as soft", "96": "no take is as loud"}
    found = distortion_gaps(dataset.assign_attrs(gaps=json.dumps(gaps)))
    assert found == [(f"Distortion at {level} dB", reason) for level, reason in gaps.items()]


def test_causes_of_a_peak_are_possibilities():
    dataset = valid_datasets.distortion().assign_attrs(notes="one\ntwo", peaks=json.dumps([PEAK]))
    *notes, peak = said_of_distortion(dataset)
    assert notes == ["distortion: one", "distortion: two"]
    assert "at 86 dB: order 3 has a peak of 9.3 dB at 210 Hz (heard at 630 Hz)" in peak
    assert peak.endswith("possible causes, none established: a panel that rings; a rim resonance")


@pytest.fixture
def plan(tmp_path):
    """A campaign whose comparison leaves alder out at two levels."""
    plan = prepare(campaign(tmp_path))
    refused = {"81": {"alder": "it was measured elsewhere"}, "86": {"alder": "no take is as loud"}}
    dataset = valid_datasets.VALID["distortion-comparison"]().assign_attrs(refused=json.dumps(refused))
    write_dataset(plan.results / "comparison-distortion.nc", dataset, make_receipt("compare-distortion", 1, {}, []))
    return plan


def test_a_device_that_is_left_out_learns_why_unless_its_own_gap_says_so(plan):
    own = valid_datasets.distortion().assign_attrs(gaps=json.dumps({"86": "no take is as loud"}))
    assert not_compared(plan, "alder", own) == [("Comparison of the distortion at 81 dB", "it was measured elsewhere")]
    assert not_compared(plan, "rowan", own) == [] == not_compared(plan, "alder", None)


def test_without_a_comparison_nothing_is_said(plan):
    (plan.results / "comparison-distortion.nc").unlink()
    assert not_compared(plan, "alder", valid_datasets.distortion()) == []
