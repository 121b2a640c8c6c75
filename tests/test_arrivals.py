"""Arrival of the sound round an orbit, against closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anechain.acoustics.directivity.arrivals import (
    arrival_from_phase,
    distance_law_error,
    fit_arrivals,
    rotation_error,
    speed_of_sound,
)
from flawed_orbits import ANGLES


@pytest.mark.parametrize(
    ("temperature", "speed"),
    [(0, 331.286), (10, 337.296), (15, 340.261), (20, 343.200), (23, 344.952), (25, 346.114), (30, 349.005)],
)
def test_speed_of_sound(temperature, speed):
    """ISO 9613-1's formula (values computed from it; seen second hand)."""
    assert speed_of_sound(temperature) == pytest.approx(speed, abs=5e-4)


def test_speed_of_sound_against_another_formula():
    """Cramer 1993 as pyfar's tests read it off a figure: 343.33 m/s at 20 degrees in nearly dry air, within 0.1 %."""
    assert speed_of_sound(20.0) == pytest.approx(343.33, rel=1e-3)


@settings(max_examples=30, deadline=None)
@given(forward=st.floats(-0.2, 0.2), left=st.floats(-0.2, 0.2), step=st.sampled_from([5, 10, 15, 30]))
def test_a_source_off_the_centre_is_found(forward, left, step):
    """Exact distances from a point 3 m away; the fit's third harmonic, r (r / d)^2 / 16, is left over."""
    angle = np.arange(-180 + step, 181, step)
    turn = np.deg2rad(angle)
    way = np.hypot(3 * np.cos(turn) - forward, 3 * np.sin(turn) - left)
    found = fit_arrivals(angle, way / 343.2)
    offset = np.hypot(forward, left)
    assert -found.forward * 343.2 == pytest.approx(forward, abs=0.2 * offset**3 / 9 + 1e-6)
    assert -found.leftward * 343.2 == pytest.approx(left, abs=0.2 * offset**3 / 9 + 1e-6)
    assert np.abs(found.residual).max() * 343.2 <= 0.2 * offset**3 / 9 + 1e-6


def test_arrivals_astray_do_not_turn_the_fit():
    turn = np.deg2rad(ANGLES)
    times = 5e-3 - 3e-4 * np.cos(turn) + 1e-6 * np.random.default_rng(1).standard_normal(ANGLES.size)
    times[[4, 20]] += [8e-4, -5e-4]
    found = fit_arrivals(ANGLES, times)
    assert found.forward == pytest.approx(-3e-4, abs=2e-6)
    assert found.residual[[4, 20]] == pytest.approx([8e-4, -5e-4], abs=1e-5)
    for few in (ANGLES[:6], np.arange(-20.0, 21.0, 5.0)):
        with pytest.raises(ValueError, match="few"):
            fit_arrivals(few, np.zeros(few.size))


def test_rotation_error_and_distance_law():
    """20 lg (1.1 / 0.9) = 1.7430 dB; twice the distance, 6.0206 dB."""
    assert rotation_error(0.1, 1.0) == pytest.approx(1.7430, abs=1e-4)
    assert distance_law_error(6.0206, 1.0, 2.0) == pytest.approx(0, abs=1e-4)
    with pytest.raises(ValueError, match="off the centre"):
        rotation_error(1.0, 1.0)
    with pytest.raises(ValueError, match="distances"):
        distance_law_error(0.0, 0.0, 1.0)


@settings(max_examples=30, deadline=None)
@given(delay=st.floats(0.0, 0.05), points=st.integers(60, 400))
def test_arrival_from_phase(delay, points):
    """A pure delay turns the phase by -360 f t."""
    frequency = np.geomspace(100, 20000, points)
    phase = 180 - (180 + 360 * frequency * delay) % 360
    assert arrival_from_phase(frequency, phase) == pytest.approx(delay, abs=2e-6)


def test_arrival_from_phase_says_when_it_cannot_tell():
    rng = np.random.default_rng(1)
    frequency = np.geomspace(100, 20000, 200)
    assert np.isnan(arrival_from_phase(frequency, rng.uniform(-180, 180, (3, 200)))).all()
    assert np.isnan(arrival_from_phase(np.array([100.0, 1000.0]), np.zeros(2)))
    # In steps of 100 Hz a delay is known but for multiples of 10 ms.
    linear = np.arange(100.0, 20001.0, 100.0)
    assert arrival_from_phase(linear, -360 * linear * 0.004) == pytest.approx(0.004, abs=2e-6)
