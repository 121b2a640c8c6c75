"""Arrival times of delayed systems in closed form."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anechain.acoustics.recording.arrival_time import arrival_time
from anechain.acoustics.recording.polarity import polarity
from delayed_systems import RATE, response


@given(st.floats(0.0, 0.4))
@settings(max_examples=25)
def test_arrival_follows_a_delay_of_any_length_to_a_hundredth_of_a_sample(delay):
    start = arrival_time(response(0.0), RATE)
    assert abs(arrival_time(response(delay), RATE) - start - delay) < 0.01 / RATE
    assert 0 <= start < 3 / RATE


def test_arrival_of_one_metre_of_air():
    """1 m at 343.2 m/s (20 degrees): 2.913753 ms later than no way at all."""
    step = arrival_time(response(1 / 343.2), RATE) - arrival_time(response(0.0), RATE)
    assert 1e3 * step == pytest.approx(2.913753, abs=2e-4)


def test_an_arrival_just_before_time_zero_is_below_zero():
    turned = np.roll(response(0.01), -600)
    assert arrival_time(turned, RATE) == pytest.approx(arrival_time(response(0.01), RATE) - 600 / RATE, abs=1e-7)


@pytest.mark.parametrize("function", [polarity, lambda h: arrival_time(h, RATE)])
def test_silence_has_no_arrival_and_no_polarity(function):
    with pytest.raises(ValueError, match="silent"):
        function(np.zeros(100))
