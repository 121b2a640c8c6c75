"""Harmonic orders re the fundamental, and the noise at each order, by simulation."""

import numpy as np
import pytest

from anechain.acoustics.nonlinear.harmonic_sums import (
    harmonics_and_noise,
)
from anechain.acoustics.nonlinear.noise_rule import NoiseRule
from anechain.acoustics.nonlinear.relative_orders import order_noise, referred_orders

RULE = NoiseRule(np.array(10.0), np.sqrt(3))
"""Limit that noise of known power exceeds in 5 % of readings: exp(-3)."""


def decibels(amplitude):
    return 20 * np.log10(np.abs(amplitude))


class TestNoise:
    def test_a_harmonic_above_the_margin_is_a_value_and_one_below_is_a_limit(self):
        found = referred_orders([90.0, 90.0, 90.0], [[50.0, 30.0, 20.0]], [[20.0, 20.1, np.nan]], RULE)
        assert found.bound.tolist() == [[False, True, False]]
        assert found.level_db[0, 0] == -40 and found.noise_db[0, 0] == -70
        # Amplitude read, 31.62, plus sqrt(3) times 10.12: what was read and what the noise may have taken from it.
        assert found.level_db[0, 1] == pytest.approx(20 * np.log10(10**1.5 + np.sqrt(3) * 10**1.005) - 90)
        assert found.read_db[0, 1] == -60

    @pytest.mark.parametrize("under", [-100.0, -10.0, 0.0, 6.0])
    def test_a_limit_holds_in_95_of_100_readings_at_least(self, under):
        """A sine in complex normal noise, read 20 000 times: |a| is below |a + n| + sqrt(3) sigma but for 1 in 20."""
        random = np.random.default_rng(7)
        true, size = 10 ** (under / 20), 20000
        noise = (random.standard_normal(size) + 1j * random.standard_normal(size)) / np.sqrt(2)
        read = decibels(true + noise)
        found = referred_orders(np.zeros(size), read[np.newaxis], np.zeros((1, size)), RULE)
        assert (found.level_db[found.bound] >= under).mean() >= 0.95

    @pytest.mark.parametrize("under", [-100.0, -10.0, 0.0, 6.0])
    def test_with_the_noise_it_lies_between_its_limits_in_95_of_100_readings(self, under):
        """Power of the sine plus mean power of the noise, 1: simulated; a reading alone is seldom above it."""
        random = np.random.default_rng(7)
        true, size = 10 ** (under / 20), 20000
        noise = (random.standard_normal(size) + 1j * random.standard_normal(size)) / np.sqrt(2)
        relative = referred_orders(np.zeros(size), decibels(true + noise)[np.newaxis], np.zeros((1, size)), RULE)
        found = harmonics_and_noise(relative, (2,), 2, 2)
        truth = 10 * np.log10(true**2 + 1)
        inside = (found.lower_db <= truth + 1e-9) & (truth <= found.upper_db)
        assert inside[found.bound].mean() >= 0.95
        assert (relative.read_db[0] >= truth).mean() < 0.6

    @pytest.mark.parametrize("ratio", [20.0, 30.0, 40.0])
    def test_noise_from_the_spread_of_repeats(self, ratio):
        """A sine above noise by so many decibels, read 20 000 times: the spread gives the noise within 0.2 dB."""
        random = np.random.default_rng(5)
        size = 20000
        noise = 10 ** (-ratio / 20) * (random.standard_normal(size) + 1j * random.standard_normal(size)) / np.sqrt(2)
        spread = np.std(decibels(1 + noise), ddof=1)
        assert order_noise(0.0, np.nan, spread) == pytest.approx(-ratio, abs=0.2)

    def test_pure_noise_is_found_within_a_decibel(self):
        """The levels of noise alone spread by 20 pi / (ln 10 sqrt 24) = 5.570 dB (Rayleigh)."""
        assert order_noise(-60.0, np.nan, 20 * np.pi / (np.log(10) * np.sqrt(24))) == pytest.approx(-60, abs=1)

    def test_the_greater_of_both_counts_and_what_is_unknown_stays_so(self):
        np.testing.assert_array_equal(order_noise([50.0], [10.0]), [10.0])
        both = order_noise([50.0, 50.0, 50.0, 50.0], [10.0, 40.0, np.nan, np.nan], [1.0, 1.0, np.nan, 0.0])
        # 1 dB of spread: sqrt(2) / 8.686 of the amplitude.
        np.testing.assert_allclose(both, [50 + 20 * np.log10(np.sqrt(2) / 8.685890), 40, np.nan, np.nan], atol=1e-6)
