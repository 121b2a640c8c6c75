"""The GUM's rules and worked examples."""

import numpy as np
import pytest
from anechain.acoustics.uncertainty.components import (
    Component,
    decibels_of_relative,
    distance_component,
    repeatability,
    setting_angle_uncertainty,
    standard_of_limits,
)
from anechain.acoustics.uncertainty.linear_propagation import linear_combination_uncertainty, mean_level_uncertainty
from anechain.acoustics.uncertainty.monte_carlo import monte_carlo
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.uncertainty.uncertainty import combine, coverage_factor, difference_uncertainty


def test_a_worked_budget():
    """Calibrator 0.25 (k = 2), response ± 0.7, distance ± 0.1 (rectangular), noise 0.05, repeatability 0.2 dB."""
    budget = combine(
        [
            Component("calibrator", standard_of_limits(0.25, "normal"), True),
            Component("microphone response", standard_of_limits(0.7, "rectangular"), True),
            Component("distance", standard_of_limits(0.1, "rectangular"), True),
            Component("noise", 0.05, False),
            Component("repeatability", 0.2, False),
        ]
    )
    assert budget.combined_db == pytest.approx(0.4741, abs=5e-5)
    assert budget.expanded_db == pytest.approx(0.948, abs=1e-3) and budget.coverage_factor == pytest.approx(2, abs=1e-4)
    assert budget.uncorrelated_db == pytest.approx(np.hypot(0.05, 0.2))
    assert budget.correlated_db == pytest.approx(np.sqrt(0.125**2 + 0.4041**2 + 0.0577**2), abs=1e-4)


def test_the_end_gauge_of_the_gum():
    """GUM H.1 (recalled): 25 (18), 9.7 (25.6), 2.9 (50), 16.6 (2) nm: u_c = 32 nm, 16 degrees, U99 = 93 nm."""
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    budget = combine([Component(str(u), u, False, freedom) for u, freedom in parts], probability=0.99)
    assert budget.combined_db == pytest.approx(31.7, abs=0.1)
    assert int(budget.degrees_of_freedom) == 16 and budget.coverage_factor == pytest.approx(2.92, abs=5e-3)
    assert budget.expanded_db == pytest.approx(93.0, abs=0.6)


@pytest.mark.parametrize(
    ("freedom", "probability", "factor"),
    [(1, 0.95, 12.71), (5, 0.95, 2.57), (10, 0.9545, 2.28), (20, 0.99, 2.85), (float("inf"), 0.9545, 2.0)],
)
def test_coverage_factors(freedom, probability, factor):
    """GUM, table G.2 (recalled)."""
    assert coverage_factor(freedom, probability) == pytest.approx(factor, abs=0.006)
    with pytest.raises(ValueError, match="degree of freedom"):
        coverage_factor(0.5)


def test_limits_and_distributions():
    """GUM 4.3: a / sqrt 3, a / sqrt 6, U / k."""
    assert standard_of_limits(1, "rectangular") == pytest.approx(0.57735, abs=1e-5)
    assert standard_of_limits(1, "triangular") == pytest.approx(0.40825, abs=1e-5)
    assert standard_of_limits(1, "normal", 2.5) == 0.4
    with pytest.raises(ValueError, match="half width"):
        standard_of_limits(-1, "normal")


def test_relative_uncertainties_in_decibels():
    """1 % of pressure 0.0864 dB (exact 20 lg 1.01; first order 0.0869); ± 1 cm at 2 m 0.0434, ± 2 cm at 1 m 0.1737."""
    assert decibels_of_relative(0.01) == pytest.approx(0.0864, abs=6e-4)
    assert distance_component(2.0, 0.01).standard_db == pytest.approx(0.0434, abs=5e-5)
    assert distance_component(1.0, 0.02).standard_db == pytest.approx(0.1737, abs=5e-5)
    assert distance_component(1.0, 0.02).correlated
    with pytest.raises(ValueError, match="distance above zero"):
        distance_component(0.0, 0.01)


def test_the_energy_sum_of_two_levels():
    """80 (u 0.5) and 70 (u 1.0) dB: 0.4635 dB, shares 10/11 and 1/11."""
    found = mean_level_uncertainty([80.0, 70.0], [1, 1], 0.0, [0.5, 1.0])
    assert found.uncorrelated_db == pytest.approx(0.4635, abs=5e-5)


def test_what_is_common_does_not_average_down():
    """Mean of nine equal levels, u 0.5 dB: 0.1667 if independent, 0.5 if fully correlated."""
    found = mean_level_uncertainty(np.full((9, 2), 80.0), np.ones(9), 0.5, 0.5)
    np.testing.assert_allclose(found.uncorrelated_db, 0.5 / 3)
    np.testing.assert_allclose(found.correlated_db, 0.5)
    np.testing.assert_allclose(found.combined_db, np.hypot(0.5, 0.5 / 3))


@given(st.lists(st.floats(40, 100), min_size=3, max_size=12), st.floats(0.01, 2))
def test_a_calibration_cancels_in_a_directivity_index(levels, error):
    weights, others = np.arange(1, len(levels) + 1), np.ones(len(levels))
    found = difference_uncertainty(levels, weights, others, error, 0.0)
    assert float(found.correlated_db) == pytest.approx(0, abs=1e-9)


def test_the_index_of_one_direction_among_two_equal_ones():
    """On axis less the mean of two equal levels: sensitivities 1/2 and -1/2."""
    found = difference_uncertainty([80.0, 80.0], [1, 0], [1, 1], 0.0, [0.3, 0.4])
    assert found.uncorrelated_db == pytest.approx(0.25)


def test_a_weighted_sum():
    """GUM 5.1.2 and 5.2.2: squares where independent, signed sum where common."""
    found = linear_combination_uncertainty([1.0, -1.0], 0.3, [0.3, 0.4])
    assert (float(found.correlated_db), float(found.uncorrelated_db)) == (
        pytest.approx(0, abs=1e-12),
        pytest.approx(0.5),
    )


def test_the_angle_counts_where_the_level_falls():
    """6 dB in 60 degrees evenly: 0.1 dB per degree; a closed orbit has no ends."""
    angles = np.arange(-170.0, 181.0, 10.0)
    level = (-0.1 * np.abs(angles))[:, np.newaxis]
    found = setting_angle_uncertainty(angles, level, 0.5)
    assert found[angles == 40] == pytest.approx(0.05) and found[angles == 0] == pytest.approx(0.0, abs=1e-12)
    assert found[angles == 180] == pytest.approx(0.0, abs=1e-12) and found[angles == -170] == pytest.approx(0.05)
    part = setting_angle_uncertainty(angles[18:26], level[18:26], 0.5)
    assert part[-1] == pytest.approx(0.05)
    with pytest.raises(ValueError, match="ascending angles"):
        setting_angle_uncertainty([0.0, 10.0], np.zeros((2, 1)), 0.5)


def test_repeatability_is_the_scatter_of_captures():
    """GUM 4.2: s / sqrt n with n - 1 degrees of freedom."""
    standard, freedom = repeatability([[80.0], [81.0], [82.0], [81.0]])
    assert standard[0] == pytest.approx(np.sqrt(2 / 3) / 2) and freedom == 3
    assert repeatability([[80.0], [82.0]], of_the_mean=False)[0][0] == pytest.approx(np.sqrt(2))
    with pytest.raises(ValueError, match="two captures"):
        repeatability([[80.0]])


def test_monte_carlo_agrees_with_the_linear_rule_where_that_holds():
    """Mean of nine directions, 0.5 dB common and 0.6 dB own error: sqrt(0.5² + 0.6²/9) = 0.5385 dB."""
    level = np.full((9, 1), 80.0)

    def mean(drawn):
        return float(10 * np.log10(np.mean(10 ** (drawn / 10))))

    found = monte_carlo(mean, level, 0.5, 0.6, draws=4000)
    assert found.standard == pytest.approx(np.hypot(0.5, 0.2), rel=0.04)
    assert found.value == pytest.approx(80.0) and found.high - found.low == pytest.approx(4 * 0.5385, rel=0.06)


def test_monte_carlo_is_the_same_every_time_and_shows_what_the_linear_rule_cannot():
    """The largest of many equal levels is biased upwards by independent errors: about 1.87 u for 20 of them.

    Expected maximum of 20 normal values: 1.8675 standard deviations (order statistics, recalled).
    """
    level = np.full(20, 80.0)
    first, again = (monte_carlo(lambda drawn: float(drawn.max()), level, 0.0, 0.3, "independent") for _ in range(2))
    assert first == again
    assert first.mean - first.value == pytest.approx(1.8675 * 0.3, abs=0.01)
    common = monte_carlo(lambda drawn: float(drawn.max()), level, 0.0, 0.3, "common")
    assert common.mean - common.value == pytest.approx(0, abs=0.02)


def test_draws_in_which_the_number_is_lost_are_counted():
    found = monte_carlo(lambda drawn: float(drawn[0]) if drawn[0] > 80 else None, np.array([80.001]), 1.0, 0.0)
    assert 900 < found.determined < 1100 and "was not determined in" in found.reason
    lost = monte_carlo(lambda drawn: None, np.array([80.0]), 1.0, 0.0, draws=10)
    assert lost.standard is None and lost.reason == "the number is not determined"
    with pytest.raises(ValueError, match="across_frequency"):
        monte_carlo(lambda drawn: 1.0, np.zeros(2), 1.0, 0.0, "some")
    with pytest.raises(ValueError, match="two draws"):
        monte_carlo(lambda drawn: 1.0, np.zeros(2), 1.0, 0.0, draws=1)


def test_components_are_checked():
    with pytest.raises(ValueError, match="noise: a standard uncertainty"):
        Component("noise", -0.1, True)
    with pytest.raises(ValueError, match="noise: degrees of freedom"):
        Component("noise", 0.1, True, 0.0)
    with pytest.raises(ValueError, match="at least one component"):
        combine([])
    with pytest.raises(ValueError, match="weights of shape"):
        mean_level_uncertainty([80.0, 70.0], [1.0], 0.1, 0.1)
