"""Constancy and smoothness of an index."""

import numpy as np
import pytest

import physics
from anechain.acoustics.directivity.directivity_constancy import directivity_constancy

GRID = 200 * 2 ** np.linspace(0, 6, 601)


def test_an_index_that_rises_evenly_is_smooth_and_not_constant():
    """s dB per octave over n octaves: standard deviation s n / sqrt(12)."""
    found = directivity_constancy(GRID, 2 + 1.5 * np.log2(GRID / 200), 400.0, 6400.0)
    assert found.constancy_db == pytest.approx(1.5 * 4 / np.sqrt(12), abs=1e-4)
    assert found.smoothness_db == pytest.approx(0, abs=1e-9)
    assert found.trend.slope_db_per_octave == pytest.approx(1.5)
    assert (found.mean_db, found.plus_minus_db) == (pytest.approx(2 + 1.5 * 3, abs=1e-4), pytest.approx(3.0))


def test_a_constant_index_is_both():
    found = directivity_constancy(GRID, np.full(GRID.size, 5.0), 400.0, 6400.0)
    assert (found.constancy_db, found.smoothness_db, found.mean_db) == pytest.approx((0, 0, 5), abs=1e-9)


def test_a_ripple_is_what_is_left_beside_the_line():
    """A sine of 1 dB has the standard deviation 1 / sqrt(2), times sinc(3/20) = 0.963 by the bins of 1/20 octave."""
    index = 4 + np.log2(GRID / 200) + np.sin(2 * np.pi * 3 * np.log2(GRID / 200))
    assert directivity_constancy(GRID, index, 400.0, 6400.0).smoothness_db == pytest.approx(0.5**0.5 * 0.96, rel=0.03)


def test_the_index_of_a_piston_rises_by_six_decibels_per_octave():
    """Q tends to (ka)² (Beranek and Mellow, eq. 4.42): 6.02 dB per octave at high ka."""
    ka = GRID / 200 * 4
    index = [10 * np.log10(physics.piston_factor(one)) for one in ka]
    found = directivity_constancy(GRID, index, 800.0, 12000.0)
    assert found.trend.slope_db_per_octave == pytest.approx(6.02, abs=0.03)


def test_data_that_are_too_short_say_so():
    found = directivity_constancy(GRID, np.zeros(GRID.size), 100.0, 6400.0)
    assert found.constancy_db is None and "not across" in found.reason
