"""Time and phase on the axis as a dataset: it keeps to its contract, and what is not known is missing."""

import numpy as np
import pytest

from anechain.data import contract
from anechain.figure_of_merit.axis_timing import axis_timing, timing_dataset
from axis_responses import inputs_of, responses
from phase_systems import GRID, band_pass, delayed, linkwitz_riley_sum, second_order_delay


def dataset_of(measured):
    inputs = inputs_of(measured)
    dataset = timing_dataset(inputs, axis_timing(inputs))
    if dataset is not None:
        contract.validate(dataset, "timing", "rowan")
    return dataset


def test_the_dataset_of_a_crossover():
    found = dataset_of(responses(delayed(band_pass(GRID) * linkwitz_riley_sum(GRID, 2000.0), GRID, 0.005)))
    assert found.attrs["delay"] == pytest.approx(0.005, abs=8e-6)
    inside = found.sel(frequency=slice(300, 8000))
    truth = second_order_delay(inside["frequency"].values, 2000.0)
    np.testing.assert_allclose(inside["excess_group_delay"], truth, atol=1e-5)
    np.testing.assert_allclose(np.diff(np.log2(found["frequency"])), 1 / 24)
    assert (float(found["time"][0]), float(found["time"][-1])) == pytest.approx((-0.0005, 0.005))
    assert found["drop"].values.tolist() == [10.0, 20.0, 30.0]
    # The ends of the band have no mean over 1/6 octave, and no burst.
    assert np.isnan(found["group_delay"][[0, -1]]).all() and np.isnan(found["decay"][:, [0, -1]]).all()


def test_the_step_ends_where_the_gate_does():
    gated = GRID >= 400
    found = dataset_of(responses(band_pass(GRID)[gated], GRID[gated], (400.0, 20_000.0)))
    assert float(found["time"][-1]) == pytest.approx(1 / 400, rel=0.02)
    assert float(found["frequency"][0]) >= 400 / 2 ** (1 / 48)


def test_the_vertical_orbit_counts_where_the_horizontal_has_no_axis():
    measured = responses(delayed(band_pass(GRID), GRID, 0.003))
    measured["level"][0, measured["angle"].values == 0] = np.nan
    assert dataset_of(measured).attrs["delay"] == pytest.approx(0.003, abs=8e-6)


def test_a_few_values_without_a_phase_are_bridged():
    """Takes whose phases differ leave gaps."""
    measured = responses(delayed(band_pass(GRID), GRID, 0.003))
    measured["phase"][:, :, 100:300:7] = np.nan
    assert dataset_of(measured).attrs["delay"] == pytest.approx(0.003, abs=8e-6)
    measured["phase"][:] = np.nan
    assert dataset_of(measured) is None


def test_without_a_phase_there_is_no_dataset():
    assert dataset_of(responses(band_pass(GRID), with_phase=False)) is None
