"""Segments of a curve in a band or around a frequency."""

import numpy as np
import pytest

from anechain.acoustics.curve.segments import (
    largest_step_octaves,
    mean_over_octaves,
    mean_power_level,
    segment_around,
    segment_in_band,
)

GRID = np.array([100.0, 200.0, 400.0, 800.0])


def test_the_ends_of_the_band_are_read_between_the_samples():
    part = segment_in_band(GRID, [0.0, 10.0, 20.0, 30.0], 100 * np.sqrt(2), 400.0)
    np.testing.assert_allclose(part.frequency, [100 * np.sqrt(2), 200.0, 400.0])
    np.testing.assert_allclose(part.level, [5.0, 10.0, 20.0])  # 10 dB per octave
    assert part.reason == ""


@pytest.mark.parametrize(
    ("level", "band", "reason"),
    [
        ([0, 0, 0, 0], (50.0, 400.0), "the data reach from 100 to 800 Hz, not across 50 to 400 Hz"),
        ([np.nan, 0, 0, 0], (100.0, 400.0), "the data reach from 200 to 800 Hz"),
        ([0, 0, 0, np.nan], (100.0, 800.0), "the data reach from 100 to 400 Hz"),
        ([0, np.nan, 0, 0], (100.0, 800.0), "no value at 200 Hz"),
        ([0, np.nan, 0, 0], (150.0, 800.0), "no value at"),
        ([np.nan] * 4, (100.0, 800.0), "no values"),
    ],
)
def test_what_is_not_there_is_named(level, band, reason):
    part = segment_in_band(GRID, level, *band)
    assert reason in part.reason and part.frequency.size == part.level.size == 0


def test_a_band_that_is_none_is_refused():
    with pytest.raises(ValueError, match="a band must be from"):
        segment_in_band(GRID, np.zeros(4), 400.0, 100.0)
    with pytest.raises(ValueError, match="levels of a single curve"):
        segment_in_band(GRID, np.zeros((2, 4)), 100.0, 400.0)


def test_a_run_ends_at_gaps():
    level = [1.0, np.nan, 3.0, 4.0]
    np.testing.assert_array_equal(segment_around(GRID, level, 500.0).frequency, [400.0, 800.0])
    np.testing.assert_array_equal(segment_around(GRID, level, 100.0).frequency, [100.0])
    assert "no value at 150 Hz" in segment_around(GRID, level, 150.0).reason


def test_means_are_over_log_frequency():
    """A straight line in dB over log frequency has the mean of its ends, however the samples lie."""
    linear = np.arange(100.0, 1601.0, 10.0)
    assert mean_over_octaves(linear, -3 * np.log2(linear / 100)) == pytest.approx(-6.0, abs=1e-9)


def test_the_mean_of_squared_pressure_is_not_that_of_decibels():
    """Two equal halves of 80 and 70 dB have the mean 77.4036 dB (energy), not 75."""
    frequency = np.array([100.0, 200.0, 200.0 * (1 + 1e-7), 400.0])
    part = segment_in_band(frequency, [80.0, 80.0, 70.0, 70.0], 100.0, 400.0)
    assert mean_power_level(part) == pytest.approx(77.4036, abs=1e-4)


def test_the_largest_step_octaves_is_in_octaves():
    assert largest_step_octaves(np.array([100.0, 200.0, 800.0])) == pytest.approx(2.0)
    assert largest_step_octaves(np.array([100.0])) == 0.0
