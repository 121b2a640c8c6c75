"""Repeated takes: mean squared pressure, and their spread after the GUM's type A evaluation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from anechain.acoustics.recording.takes import join_takes


def test_pressures_are_squared_before_they_are_averaged():
    """Pressures of 1, 1 and 2: a mean square of 2, which is 3.0103 dB; the mean of the decibels would be 2.0069."""
    joined = join_takes(20 * np.log10([[1.0], [1.0], [2.0]]))
    assert joined.level == pytest.approx(3.0103, abs=5e-5) and joined.phase is None


def test_the_spread_is_that_of_one_take_with_one_degree_of_freedom_less():
    """GUM, JCGM 100:2008, example of 4.2.3's definition: 79, 80, 81 dB have s = 1 dB; 80 and 81 have 1/sqrt(2)."""
    assert join_takes([[79.0], [80.0], [81.0]]).standard_deviation == pytest.approx(1.0)
    assert join_takes([[80.0], [81.0]]).standard_deviation == pytest.approx(0.70711, abs=1e-5)


def test_noise_shows_as_the_spread_that_theory_gives():
    """A tone in weak Gaussian noise, s of each quadrature re the tone: its level spreads by 8.686 s dB.

    First order of 20 lg|1 + n|: only the part in phase counts. The noise's power, 2 s^2, stays in the joined level.
    """
    rng, s = np.random.default_rng(5), 0.05
    pressure = 1 + s * (rng.standard_normal((4000, 4)) + 1j * rng.standard_normal((4000, 4)))
    joined = join_takes(20 * np.log10(np.abs(pressure)))
    assert joined.standard_deviation == pytest.approx(8.6859 * s, rel=0.05)
    assert joined.level == pytest.approx(10 * np.log10(1 + 2 * s**2), abs=0.03)


def test_arrivals_that_spread_do_not_lower_the_level():
    """A Gaussian spread s of arrivals lowers the mean pressure by exp(-(2 pi f s)^2 / 2), its characteristic function.

    5 microseconds at 20 kHz: 1.7144 dB. This is why takes are not averaged as complex pressures.
    """
    rng, f = np.random.default_rng(6), 20_000.0
    pressure = np.exp(-2j * np.pi * f * 5e-6 * rng.standard_normal((20_000, 1)))
    lost = -20 * np.log10(np.abs(pressure.mean(axis=0)))
    assert lost == pytest.approx(1.7144, abs=0.05)
    joined = join_takes(20 * np.log10(np.abs(pressure)), np.angle(pressure, deg=True))
    assert joined.level == pytest.approx(0.0, abs=1e-12)
    assert joined.phase == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize(
    ("phases", "joined"), [((10, 50), 30), ((170, -170), 180), ((-45, 45), 0), ((0, 91), None), ((0, 180), None)]
)
def test_a_phase_is_given_where_takes_agree_on_one(phases, joined):
    """Two unit vectors an angle apart have a mean of cos(angle / 2): half of the power in common at 90 degrees."""
    found = join_takes(np.zeros((2, 1)), np.array(phases, float)[:, None]).phase
    assert np.isnan(found).all() if joined is None else found == pytest.approx(joined)


def test_what_one_take_lacks_the_others_give_and_no_spread_is_made_up():
    joined = join_takes([[80.0, np.nan, np.nan], [80.0, 70.0, np.nan]], np.zeros((2, 3)))
    np.testing.assert_allclose(joined.level, [80.0, 70.0, np.nan])
    np.testing.assert_allclose(joined.standard_deviation, [0.0, np.nan, np.nan])
    np.testing.assert_allclose(joined.phase, [0.0, np.nan, np.nan])


def test_silence_is_a_power_of_zero():
    joined = join_takes([[-np.inf], [0.0]])
    assert joined.level == pytest.approx(-3.0103, abs=5e-5) and np.isnan(joined.standard_deviation).all()


@given(st.integers(2, 6).flatmap(lambda n: arrays(float, (n, 3), elements=st.floats(-60, 120))), st.floats(-40, 40))
def test_order_does_not_matter_and_a_gain_shifts_the_level_alone(levels, gain):
    joined, turned, louder = join_takes(levels), join_takes(levels[::-1]), join_takes(levels + gain)
    assert (joined.level >= levels.min(axis=0) - 1e-9).all() and (joined.level <= levels.max(axis=0) + 1e-9).all()
    np.testing.assert_allclose(turned.level, joined.level, atol=1e-9)
    np.testing.assert_allclose(louder.level, joined.level + gain, atol=1e-6)
    np.testing.assert_allclose(louder.standard_deviation, joined.standard_deviation, atol=1e-6)


@pytest.mark.parametrize("levels", [80.0, [[80.0, 81.0]]])
def test_one_take_is_none_too_many(levels):
    with pytest.raises(ValueError, match="two takes"):
        join_takes(levels)


def test_phases_of_another_shape():
    with pytest.raises(ValueError, match="shape"):
        join_takes(np.zeros((2, 3)), np.zeros((2, 2)))
