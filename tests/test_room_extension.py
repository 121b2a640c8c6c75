"""Tests of the room gain and the extension in a room against closed forms."""

import numpy as np
import pytest

from anechain.acoustics.curve.room_extension import in_room_extension, room_gain
from filters import FREQUENCY, butterworth_highpass


def test_a_closed_box_that_is_tuned_to_the_room_is_flat_in_it():
    """x⁴/(1 + x⁴) times (1 + x⁻⁴) is 1: a second-order roll-off at the lowest mode is what the room makes good."""
    length = 343.2 / (2 * 40.0)
    level = butterworth_highpass(2, 40.0)
    np.testing.assert_allclose(level + room_gain(FREQUENCY, length), 0.0, atol=1e-9)
    found = in_room_extension(FREQUENCY, level, length)
    assert all(one.first_crossing_hz is None for one in found.lower)
    assert "room 4.29 m long" in found.reference and found.upper == ()


def test_a_vented_box_in_the_room():
    """y(y + 1)/(1 + y²) = 1/10 with y = x⁴ gives 9y² + 10y - 1 = 0: x = 0.55123."""
    length = 343.2 / (2 * 40.0)
    y = (-10 + np.sqrt(136)) / 18
    level = butterworth_highpass(4, 40.0)
    with_room = in_room_extension(FREQUENCY, level, length, reference_band=(2000.0, 4000.0))
    assert with_room.lower[2].first_crossing_hz == pytest.approx(40 * y**0.25, rel=1e-3)
    without = in_room_extension(FREQUENCY, level, reference_band=(2000.0, 4000.0))
    assert without.lower[2].first_crossing_hz == pytest.approx(40 * 0.759836, rel=1e-3)
    assert "no room gain" in without.reference


def test_a_room_has_a_size():
    with pytest.raises(ValueError, match="longest side"):
        room_gain([100.0], 0.0)
