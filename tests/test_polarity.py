"""Polarity of impulse responses, and correlation of two of them."""

import numpy as np
import pytest

from anechain.acoustics.recording.polarity import normalized_correlation, polarity
from capture_files import RATE
from delayed_systems import response
from flawed_captures import early, recording


@pytest.mark.parametrize("gain", [1.0, -1.0, 1e-6, -1e-6])
def test_polarity_is_that_of_the_first_large_peak(gain):
    assert polarity(response(0.002, gain=gain)) == np.sign(gain)
    # A later, larger peak of the other sign does not change it; one below half of the greatest is no large one.
    assert polarity(gain * np.array([0, -0.1, 0, 0.6, 0, -1, 0])) == np.sign(gain)
    assert polarity(gain * np.array([0, -0.1, 0, 0.4, 0, -1, 0])) == -np.sign(gain)


def test_correlation_is_negative_for_opposite_polarity():
    first = early(recording())[0]
    inverted = early(recording(gain=-0.1, seed=2, delay=0.00405))[0]
    assert normalized_correlation(first, first, RATE) == pytest.approx(1)
    assert normalized_correlation(first, inverted, RATE) < -0.8
    noise = np.random.default_rng(1).standard_normal(first.size)
    assert abs(normalized_correlation(first, noise, RATE)) < 0.3
    with pytest.raises(ValueError, match="silent"):
        normalized_correlation(first, 0 * first, RATE)
