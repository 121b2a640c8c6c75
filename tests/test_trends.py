"""Trend lines against scipy and against known scatter."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import linregress

from anechain.acoustics.curve.trends import (
    deviation_from_target,
    deviation_from_trend,
    fit_trend,
    own_trend,
    trend_level,
)
from simulated_measurements import Errors, capture_errors

GRID = 100 * 2 ** (np.arange(147) / 20)


@given(st.floats(-4, 4), st.floats(50, 110))
def test_a_line_is_found(slope, level):
    found = fit_trend(GRID, level + slope * np.log2(GRID / 1000), 200.0, 10000.0)
    assert found.slope_db_per_octave == pytest.approx(slope, abs=1e-9)
    assert trend_level(found, 1000.0) == pytest.approx(level, abs=1e-9)
    assert found.standard_error_db_per_octave == pytest.approx(0, abs=1e-8)


def test_slope_and_standard_error_are_those_of_an_independent_library():
    noise = np.random.default_rng(1).normal(0, 0.7, GRID.size)
    level = 88 - 0.8 * np.log2(GRID / 1000) + noise
    found, expected = fit_trend(GRID, level, GRID[0], GRID[-1]), linregress(np.log2(GRID), level)
    assert found.points == GRID.size
    assert found.slope_db_per_octave == pytest.approx(expected.slope, rel=1e-9)
    assert found.standard_error_db_per_octave == pytest.approx(expected.stderr, rel=1e-9)
    assert found.r_squared == pytest.approx(expected.rvalue**2, rel=1e-9)


def test_alternation_on_a_tilt():
    """147 points, ± 1 dB in turn on -1 dB per octave: r² = 0.818244; without the tilt 0 (computed)."""
    ripple = (-1.0) ** np.arange(GRID.size)
    assert fit_trend(GRID, ripple - np.log2(GRID), GRID[0], GRID[-1]).r_squared == pytest.approx(0.818244, abs=1e-6)
    assert fit_trend(GRID, ripple, GRID[0], GRID[-1]).r_squared == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("level", [0.0, 88.3])
def test_a_flat_curve_has_no_r_squared(level):
    found = fit_trend(GRID, np.full(GRID.size, level), 200.0, 10000.0)
    assert found.r_squared is None and found.slope_db_per_octave == pytest.approx(0, abs=1e-12)


def test_a_linear_grid_does_not_overweight_the_top():
    """A kink at the geometric middle, up before and down after by as much, has no slope (symmetry)."""
    linear = np.arange(100.0, 10001.0, 2.0)
    kink = -np.abs(np.log2(linear / 1000))
    assert fit_trend(linear, kink, 100.0, 10000.0).slope_db_per_octave == pytest.approx(0, abs=0.02)
    assert linregress(np.log2(linear), kink).slope < -0.4


@pytest.mark.parametrize(
    ("memory", "textbook", "widened"), [(0.0, (0.85, 1.15), (0.95, 1.3)), (0.7, (0.3, 0.6), (0.8, 1.2))]
)
def test_the_widened_error_is_the_scatter_of_slopes_where_neighbours_go_together(memory, textbook, widened):
    """Slopes of 300 curves with autoregressive residuals scatter as the widened error says; the textbook's is short."""
    random = np.random.default_rng(7)
    slopes, errors, wider = [], [], []
    for _ in range(300):
        noise = random.normal(0, 1, GRID.size)
        for i in range(1, noise.size):
            noise[i] += memory * noise[i - 1]
        found = fit_trend(GRID, noise, GRID[0], GRID[-1])
        slopes.append(found.slope_db_per_octave)
        errors.append(found.standard_error_db_per_octave)
        wider.append(found.correlated_standard_error_db_per_octave)
    scatter = np.std(slopes)
    assert textbook[0] < np.mean(errors) / scatter < textbook[1]
    assert widened[0] < np.mean(wider) / scatter < widened[1]


@pytest.mark.parametrize("octaves", [0.0, 0.1, 0.25, 0.5, 1.0, 2.0])
def test_twice_the_error_for_correlated_residuals_covers_the_true_slope(octaves):
    """400 flat curves with Gaussian processes as residuals; the share scatters by ±2.1 % (binomial, 95 %)."""
    curves = capture_errors(np.random.default_rng(5), Errors(1.0, octaves), 400, GRID)
    found = [fit_trend(GRID, curve, GRID[0], GRID[-1]) for curve in curves]
    covered = [abs(one.slope_db_per_octave) <= 2 * one.correlated_standard_error_db_per_octave for one in found]
    assert 0.90 <= np.mean(covered) <= 0.99


def test_what_cannot_be_fitted_says_why():
    assert "not across" in fit_trend(GRID, np.zeros(GRID.size), 50.0, 10000.0).reason
    assert "need 3" in fit_trend([100.0, 1000.0], [0.0, 1.0], 100.0, 1000.0).reason
    lost = fit_trend(GRID, np.zeros(GRID.size), 50.0, 10000.0)
    assert np.isnan(trend_level(lost, GRID)).all()
    assert deviation_from_trend(GRID, np.zeros(GRID.size), lost).reason == lost.reason


def test_a_line_of_the_reviewers_own_keeps_its_reason():
    curve = [500.0, 1000.0], [86.0, 88.0]
    line = own_trend(*curve, -1.0, 500.0, 86.0, (500.0, 1000.0), "the hall's own trend")
    assert (line.origin, line.reason) == ("set by the reviewer", "the hall's own trend")
    np.testing.assert_allclose(trend_level(line, [250.0, 500.0, 2000.0]), [87.0, 86.0, 84.0])
    left = deviation_from_trend([500.0, 1000.0], [86.0, 88.0], line)
    np.testing.assert_allclose(left.deviation_db, [0.0, 3.0])
    with pytest.raises(ValueError, match="needs a reason"):
        own_trend(*curve, -1.0, 500.0, 86.0, (500.0, 1000.0), "  ")
    with pytest.raises(ValueError, match="finite"):
        own_trend(*curve, -1.0, 0.0, 86.0, (500.0, 1000.0), "why")


def test_a_line_without_a_level_is_aligned_with_the_curve():
    """A curve of -1 dB per octave through 84 dB at 1 kHz; a line of -2 dB per octave meets it in the band's middle."""
    frequency = 1000 * 2.0 ** np.arange(-3, 3.25, 0.25)
    level = 84 - np.log2(frequency / 1000)
    line = own_trend(frequency, level, -2.0, 1000.0, None, (250.0, 4000.0), "the hall's own trend")
    np.testing.assert_allclose(trend_level(line, [500.0, 1000.0, 2000.0]), [86.0, 84.0, 82.0], atol=1e-9)
    lost = own_trend(frequency, level, -2.0, 1000.0, None, (50.0, 4000.0), "the hall's own trend")
    assert lost.slope_db_per_octave is None and "cannot be aligned" in lost.reason


def test_a_target_curve_is_read_over_log_frequency_and_may_be_moved():
    target = [100.0, 400.0, 1600.0], [80.0, 80.0, 76.0]
    frequency = np.array([50.0, 200.0, 800.0, 1600.0])
    stands = deviation_from_target(frequency, [90.0, 90.0, 90.0, 90.0], *target)
    np.testing.assert_allclose(stands.deviation_db, [np.nan, 10.0, 12.0, 14.0])
    assert stands.shift_db == 0.0
    moved = deviation_from_target(frequency, [90.0, 90.0, 90.0, 90.0], *target, alignment_band=(800.0, 1600.0))
    assert moved.shift_db == pytest.approx(13.0)
    np.testing.assert_allclose(moved.deviation_db, [np.nan, -3.0, -1.0, 1.0])
    outside = deviation_from_target(frequency, [90.0, 90.0, 90.0, 90.0], *target, alignment_band=(60.0, 900.0))
    assert outside.deviation_db is None and "cannot be aligned" in outside.reason
