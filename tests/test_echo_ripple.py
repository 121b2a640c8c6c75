"""Ripple of an echo in a level curve: |1 + g e^(-j w T)| in closed form."""

import numpy as np
import pytest

from anechain.acoustics.curve.echo_ripple import Ripple, fitted_ripple, power_cepstrum, ripple_of_delay
from anechain.acoustics.curve.smoothing import smooth
from filters import decibels

GRID = 100 * 2 ** (np.arange(350) / 48)
DELAYS = np.arange(0.0003, 0.006, 1e-5)


def comb(gain, delay, frequency=GRID):
    return decibels(1 + gain * np.exp(-2j * np.pi * frequency * delay))


@pytest.mark.parametrize("delay", [0.0009, 0.002, 0.0045])
def test_the_cepstrum_has_its_peak_at_the_delay(delay):
    """Bogert, Healy and Tukey 1963 (recalled)."""
    cepstrum = power_cepstrum(GRID, 80 - 2 * np.log2(GRID / 1000) + comb(0.1, delay), DELAYS)
    assert DELAYS[np.argmax(cepstrum)] == pytest.approx(delay, abs=1e-5)
    assert cepstrum.max() > (0.9 if delay < 0.003 else 0.5)
    assert np.median(cepstrum) < 0.05


def test_the_ripple_of_a_known_delay_is_fitted():
    """Of order g² too: with g = 0.4 the dips are deeper than the peaks are high."""
    ripple = Ripple(0.001, np.ones(GRID.size))
    fitted, gain = fitted_ripple(GRID, [comb(0.4, 0.001), comb(-0.2, 0.001)], ripple)
    np.testing.assert_allclose(fitted[0], comb(0.4, 0.001), atol=0.35)
    np.testing.assert_allclose(fitted[1], comb(-0.2, 0.001), atol=0.15)
    inner = (GRID > 500) & (GRID < 12000)
    assert np.median(gain[0, inner].real) == pytest.approx(0.4, abs=0.02)
    assert np.median(gain[1, inner].real) == pytest.approx(-0.2, abs=0.02)


def test_a_row_with_gaps_has_no_ripple():
    level = np.where(GRID > 5000, np.nan, 80.0)
    fitted, _ = fitted_ripple(GRID, level, Ripple(0.001, np.ones(GRID.size)))
    assert not fitted.any()


def test_smoothing_lowers_the_ripple_as_stated():
    """The mean of a cosine over the window, for an echo so weak that squared pressure has the same mean."""
    height = ripple_of_delay(GRID, 0.001, 12.0)
    smoothed = smooth(GRID, comb(0.02, 0.001), 12)
    inner = (GRID > 300) & (height > 0.4)
    expected = height * comb(0.02, 0.001)
    assert np.abs(smoothed - expected)[inner].max() < 0.02


def test_samples_too_far_apart_do_not_count():
    assert not ripple_of_delay(GRID, 0.01, None)[GRID > 3500].any()
    assert ripple_of_delay(GRID, 0.0005, None).all()
