"""Monte Carlo propagation against the linear rule and against order statistics."""

import numpy as np
import pytest

from anechain.acoustics.uncertainty.monte_carlo import monte_carlo


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


def test_draws_in_which_the_number_is_not_determined_are_counted():
    found = monte_carlo(lambda drawn: float(drawn[0]) if drawn[0] > 80 else None, np.array([80.001]), 1.0, 0.0)
    assert 900 < found.determined < 1100 and "was not determined in" in found.reason
    never = monte_carlo(lambda drawn: None, np.array([80.0]), 1.0, 0.0, draws=10)
    assert never.standard is None and never.reason == "the number is not determined"
    with pytest.raises(ValueError, match="across_frequency"):
        monte_carlo(lambda drawn: 1.0, np.zeros(2), 1.0, 0.0, "some")
    with pytest.raises(ValueError, match="two draws"):
        monte_carlo(lambda drawn: 1.0, np.zeros(2), 1.0, 0.0, draws=1)
