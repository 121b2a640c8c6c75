"""Linear propagation of uncertainties against the rules of the GUM."""

import numpy as np
import pytest

from anechain.acoustics.uncertainty.linear_propagation import (
    linear_combination_uncertainty,
    mean_level_uncertainty,
    mean_shares,
)


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


def test_a_weighted_sum():
    """GUM 5.1.2 and 5.2.2: squares where independent, signed sum where common."""
    found = linear_combination_uncertainty([1.0, -1.0], 0.3, [0.3, 0.4])
    assert (float(found.correlated_db), float(found.uncorrelated_db)) == (
        pytest.approx(0, abs=1e-12),
        pytest.approx(0.5),
    )


def test_shares_sum_to_one_and_weights_are_checked():
    np.testing.assert_allclose(mean_shares([[80.0, 70.0], [70.0, 80.0]], [2, 1]).sum(axis=0), 1.0)
    with pytest.raises(ValueError, match="weights of shape"):
        mean_level_uncertainty([80.0, 70.0], [1.0], 0.1, 0.1)
