"""Distortion on the page: notes, gaps, and possible causes of peaks."""

import json

import pytest

import valid_datasets
from anechain.data.store import write_dataset
from anechain.figure_of_merit.fundamentals import NO_HARMONICS
from anechain.receipts.receipt import make_receipt
from anechain.report.distortion import comparison_gaps, distortion_gaps, distortion_notes
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


def test_distortion_that_was_not_measured_is_a_single_gap():
    assert distortion_gaps(None) == [("Distortion", NO_HARMONICS)]
    assert distortion_notes(None) == []


def test_each_missing_level_is_a_gap():
    dataset = valid_datasets.distortion()
    assert distortion_gaps(dataset) == []
    gaps = {"76": "no take is as soft", "96": "no take is as loud"}
    listed = distortion_gaps(dataset.assign_attrs(gaps=json.dumps(gaps)))
    assert listed == [(f"Distortion at {level} dB", reason) for level, reason in gaps.items()]


def test_a_peak_of_a_harmonic_has_its_possible_causes():
    dataset = valid_datasets.distortion().assign_attrs(notes="first\nsecond", peaks=json.dumps([PEAK]))
    *notes, peak = distortion_notes(dataset)
    assert notes == ["distortion: first", "distortion: second"]
    assert "at 86 dB: order 3 has a peak of 9.3 dB at 210 Hz (radiated at 630 Hz)" in peak
    assert peak.endswith("possible causes, not verified: a panel that rings; a rim resonance")


@pytest.fixture
def plan(tmp_path):
    """A campaign whose comparison has no alder at two levels."""
    plan = prepare(campaign(tmp_path))
    refused = {"81": {"alder": "it was measured elsewhere"}, "86": {"alder": "no take is as loud"}}
    dataset = valid_datasets.VALID["distortion-comparison"]().assign_attrs(refused=json.dumps(refused))
    write_dataset(plan.results / "comparison-distortion.nc", dataset, make_receipt("compare-distortion", 1, {}, []))
    return plan


def test_a_device_has_a_gap_for_each_comparison_without_it_unless_it_has_one_already(plan):
    distortion = valid_datasets.distortion().assign_attrs(gaps=json.dumps({"86": "no take is as loud"}))
    assert comparison_gaps(plan, "alder", distortion) == [
        ("Comparison of the distortion at 81 dB", "it was measured elsewhere")
    ]
    assert comparison_gaps(plan, "rowan", distortion) == [] == comparison_gaps(plan, "alder", None)


def test_without_a_comparison_there_is_no_gap(plan):
    (plan.results / "comparison-distortion.nc").unlink()
    assert comparison_gaps(plan, "alder", valid_datasets.distortion()) == []
