"""Worst and mean in a band, and how low distortion stays under a limit, against closed forms."""

import numpy as np
import pytest

from anechain.acoustics.nonlinear.distortion_in_bands import distortion_in_band, lowest_frequency_below_limit

FREQUENCY = np.geomspace(20, 8000, 4001)


def falling(at_100=5.0, decibels_per_octave=12.0):
    """A straight line in dB over log frequency."""
    return at_100 * (FREQUENCY / 100) ** (-decibels_per_octave / 6.0206)


def test_a_straight_line_has_its_mean_in_closed_form():
    """p = 5 (f / 100)^-k from 100 to 200 Hz: mean square over ln f is 25 (1 - 4^-k) / (2 k ln 2)."""
    k = 12 / 6.0206
    found = distortion_in_band(FREQUENCY, falling(), falling(), 100, 200)
    assert found.worst == pytest.approx(5, rel=1e-5) and found.worst_hz == pytest.approx(100)
    assert found.mean == pytest.approx(5 * np.sqrt((1 - 4**-k) / (2 * k * np.log(2))), rel=1e-5)
    assert found.mean_least == found.mean and found.worst_least == found.worst


def test_what_is_hidden_widens_both():
    least = np.where(FREQUENCY < 150, falling(), 0.0)
    found = distortion_in_band(FREQUENCY, falling(), least, 110, 200)
    assert found.worst == found.worst_least and found.mean_least < found.mean
    found = distortion_in_band(FREQUENCY, falling(), least, 160, 200)
    assert found.worst_least == 0 and found.worst > 0


def test_a_band_that_is_not_covered_says_why():
    found = distortion_in_band(FREQUENCY, falling(), falling(), 10, 200)
    assert found.worst is None and "20" in found.reason
    holed = np.where((FREQUENCY > 120) & (FREQUENCY < 130), np.nan, falling())
    assert distortion_in_band(FREQUENCY, holed, holed, 100, 200).mean is None


@pytest.mark.parametrize("limit", [1.0, 3.0, 10.0])
def test_where_a_line_crosses_a_limit(limit):
    """5 (f / 100)^-k reaches the limit at 100 (5 / limit)^(1/k)."""
    found = lowest_frequency_below_limit(FREQUENCY, falling(), falling(), limit, 1000)
    assert found.frequency_hz == pytest.approx(100 * (5 / limit) ** (6.0206 / 12), rel=1e-9)
    assert not found.whole and not found.bound


def test_the_first_crossing_on_the_way_down_counts():
    bump = np.where((FREQUENCY > 290) & (FREQUENCY < 310), 4.0, 0.5)
    assert lowest_frequency_below_limit(FREQUENCY, bump, bump, 1.0, 1000).frequency_hz == pytest.approx(310, rel=0.01)


def test_under_a_limit_all_the_way():
    found = lowest_frequency_below_limit(FREQUENCY, 0.1 * falling(), falling() * 0.1, 50.0, 1000)
    assert found.whole and found.frequency_hz == pytest.approx(20)


def test_over_the_limit_at_the_start():
    found = lowest_frequency_below_limit(FREQUENCY, falling(), falling(), 0.01, 1000)
    assert found.frequency_hz is None and "already" in found.reason
    found = lowest_frequency_below_limit(FREQUENCY, falling(), falling(), 1.0, 9000)
    assert found.frequency_hz is None and "no value" in found.reason


def test_a_crossing_of_what_may_be_noise_is_a_limit():
    found = lowest_frequency_below_limit(FREQUENCY, falling(), 0.01 * falling(), 3.0, 1000)
    assert found.bound and found.frequency_hz == pytest.approx(100 * (5 / 3) ** (6.0206 / 12), rel=1e-9)


def test_senseless_limits_are_refused():
    with pytest.raises(ValueError, match="above zero"):
        lowest_frequency_below_limit(FREQUENCY, falling(), falling(), 0.0, 1000)
