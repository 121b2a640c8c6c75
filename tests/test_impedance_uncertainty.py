"""Uncertainty of an impedance against the scatter of synthetic takes, and the decision on a limit against its risk."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.impedance.limit_decision import lower_limit_decision
from anechain.acoustics.impedance.takes import mean_impedance, phase_deviation
from anechain.acoustics.impedance.uncertainty import effective_degrees_of_freedom, impedance_uncertainty

GRID = np.geomspace(10.0, 20000.0, 4000)
TRUE = 6.0 + 2j * np.pi * GRID * 0.3e-3


def takes_of(count, share, degrees, seed=1):
    """Takes of a resistance and inductance in series, each with normal errors of its own of known size."""
    random = np.random.default_rng(seed)
    modulus = np.abs(TRUE) * (1 + share * random.standard_normal((count, GRID.size)))
    phase = np.rad2deg(np.angle(TRUE)) + degrees * random.standard_normal((count, GRID.size))
    return modulus, phase


@pytest.mark.parametrize("count", [2, 3, 5])
def test_takes_of_a_known_spread(count):
    """The mean of n errors of size s has s over root n (GUM, 4.2.3); and it is by that much that the mean is wrong."""
    modulus, phase = takes_of(count, 0.02, 0.5)
    mean = mean_impedance(modulus, phase)
    spread = mean.deviation * modulus.mean(axis=0)
    found = impedance_uncertainty(mean.magnitude, 0.0, 0.0, spread, phase_deviation(modulus, phase), count)
    rms = np.sqrt(np.mean((found.magnitude_own / np.abs(TRUE)) ** 2))
    assert rms == pytest.approx(0.02 / np.sqrt(count), rel=0.05)
    assert np.sqrt(np.mean(found.phase_own**2)) == pytest.approx(0.5 / np.sqrt(count), rel=0.05)
    wrong = np.sqrt(np.mean((mean.magnitude / np.abs(TRUE) - 1) ** 2))
    assert rms == pytest.approx(wrong, rel=0.06)
    off = np.sqrt(np.mean((mean.phase - np.rad2deg(np.angle(TRUE))) ** 2))
    assert np.sqrt(np.mean(found.phase_own**2)) == pytest.approx(off, rel=0.06)
    assert found.degrees_of_freedom == count - 1 and not found.magnitude_common.any()


def test_what_is_stated_is_a_share_of_the_modulus():
    found = impedance_uncertainty([4.0, 8.0], [0.01, 0.02], 0.5)
    assert found.magnitude_common.tolist() == [0.04, 0.16] and found.phase_common.tolist() == [0.5, 0.5]
    assert not found.magnitude_own.any() and np.isinf(found.degrees_of_freedom)
    with pytest.raises(ValueError, match="not negative"):
        impedance_uncertainty([4.0], -0.01)


def test_phases_across_the_half_turn():
    """179 and -179 degrees lie 2 degrees apart: with n - 1 their standard deviation is root 2."""
    assert phase_deviation([[8.0], [8.0]], [[179.0], [-179.0]]) == pytest.approx([np.sqrt(2)])
    assert np.isnan(phase_deviation([[8.0], [np.nan]], [[1.0], [2.0]])).all()
    for wrong in ([[8.0]], [[8.0], [8.0]]):
        with pytest.raises(ValueError, match="two takes"):
            phase_deviation(wrong, [[1.0]])


def test_degrees_of_freedom_by_welch_and_satterthwaite():
    """GUM, G.4.1: u^4 over the sum of u_i^4 / nu_i; equal parts have four times those of the own one."""
    assert effective_degrees_of_freedom(0.1, 0.1, 2.0) == pytest.approx(8.0)
    assert effective_degrees_of_freedom(0.0, 0.1, 2.0) == pytest.approx(2.0)
    assert np.isinf(effective_degrees_of_freedom(0.1, 0.0, 2.0))


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(6.61, "held"), (6.6, "held"), (6.59, "open"), (6.4, "open"), (6.2, "open"), (6.19, "not held")],
)
def test_guard_bands_as_wide_as_the_uncertainty(value, verdict):
    """JCGM 106:2012, 8.3 (recalled): 80 % of 8 ohm with ± 0.2 ohm."""
    assert lower_limit_decision(value, 0.2, 6.4) == verdict
    with pytest.raises(ValueError, match="must not be negative"):
        lower_limit_decision(value, -0.2, 6.4)


def test_a_limit_said_to_be_held_is_seldom_missed():
    """A true value right at the limit, measured with k = 2: 2.275 % of results lie beyond two standard deviations."""
    results = 6.4 + 0.1 * np.random.default_rng(7).standard_normal(40_000)
    wrong = np.mean([lower_limit_decision(one, 0.2, 6.4 + 1e-6) == "held" for one in results])
    assert wrong == pytest.approx(0.02275, abs=0.003)


@given(st.floats(0.1, 100), st.floats(0, 50), st.floats(0.1, 100))
def test_without_uncertainty_nothing_is_open(value, expanded, limit):
    plain = lower_limit_decision(value, 0.0, limit)
    assert plain in ("held", "not held")
    assert lower_limit_decision(value, expanded, limit) in (plain, "open")
