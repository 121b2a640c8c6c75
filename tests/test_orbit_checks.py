"""Methods behind the checks of responses, against closed forms."""

import numpy as np
import pytest
from anechain.acoustics.directivity.arrivals import (
    arrival_from_phase,
    distance_law_error,
    fit_arrivals,
    rotation_error,
    speed_of_sound,
)
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from anechain.acoustics.directivity.orbit_checks import best_swap, likely_angle, mirror_differences, neighbour_differences, pole_difference
from flawed_orbits import ANGLES, FREQUENCY, at, measured
from physics import cardioid, dipole, level


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


def test_mirror_differences_of_a_tilted_cardioid():
    """Levels of a cardioid about 10 degrees, at 30 and -30: 20 lg of (1 + cos 20) over (1 + cos 40)."""
    found = level(cardioid(ANGLES - 10))[:, np.newaxis]
    angle, difference = mirror_differences(ANGLES, np.repeat(np.maximum(found, -60), 3, axis=1))
    expected = 20 * np.log10((1 + np.cos(np.deg2rad(20))) / (1 + np.cos(np.deg2rad(40))))
    assert angle.tolist() == list(range(10, 180, 10)) and difference.shape == (17, 3)
    # What is filled up 15 dB under the greatest takes 3 % of the power there.
    assert difference[2] == pytest.approx(expected, abs=0.1)
    assert mirror_differences(np.array([0.0, 10.0]), np.zeros((2, 3)))[0].size == 0


def test_a_dipole_is_smooth_enough():
    """Its null at 90 degrees is mirrored, and so the loudspeaker's own."""
    found = np.repeat(np.maximum(level(dipole(ANGLES)), -80)[:, np.newaxis], 8, axis=1)
    median, excess = neighbour_differences(ANGLES, found)
    assert np.abs(median).max() > 0.3 and np.abs(excess).max() < 0.01
    swap = best_swap(ANGLES, found)
    assert swap.after > 0.7 * swap.before
    assert np.isnan(neighbour_differences(ANGLES[::9], found[::9])[0]).all()


CLEAN = measured("vertical", ANGLES)[0][:, 6:]


@settings(max_examples=20, deadline=None)
@given(first=st.integers(8, 26), second=st.integers(8, 26))
def test_an_exchange_in_front_is_named(first, second):
    """Up to 100 degrees; two files of one loudspeaker that is tilted, so that no two directions are alike."""
    # Directions that mirror each other about the tilted axis, 9 degrees up, are alike.
    assume(first != second and abs(ANGLES[first] + ANGLES[second] - 18) > 25)
    levels = CLEAN.copy()
    levels[[first, second]] = levels[[second, first]]
    swap = best_swap(ANGLES, levels)
    assert {swap.first, swap.second} == {first, second}
    assert swap.after < 0.8 * swap.before


def test_best_swap_is_what_trying_gives():
    """The quick sum against exchanging and measuring anew."""
    levels = CLEAN.copy()
    levels[[12, 15]] = levels[[15, 12]]
    swap = best_swap(ANGLES, levels)
    assert swap.after == pytest.approx(best_swap(ANGLES, CLEAN).before, rel=1e-6)
    with pytest.raises(ValueError, match="few"):
        best_swap(ANGLES[:5], CLEAN[:5])


@settings(max_examples=20, deadline=None)
@given(label=st.integers(5, 9), off=st.sampled_from([-15.0, -10.0, -6.0, 6.0, 10.0]), sign=st.sampled_from([-1, 1]))
def test_the_likely_angle_is_the_true_one(label, off, sign):
    """Within two degrees, beyond the reach of the tilted axis's own mirror images."""
    angle = sign * 10.0 * label
    levels = CLEAN.copy()
    levels[at(angle)] = measured("vertical", [angle + off])[0][0, 6:]
    found = likely_angle(ANGLES, levels, at(angle))
    assert found.angle == pytest.approx(angle + off, abs=2.0)
    assert found.there < 0.5 * found.here


def test_a_right_label_is_left_alone():
    for row in [*range(5, 14), *range(22, 31)]:
        found = likely_angle(ANGLES, CLEAN, row)
        assert abs(found.angle - ANGLES[row]) <= 3 or found.there > 0.5 * found.here or found.here < 0.25
    with pytest.raises(ValueError, match="neighbours"):
        likely_angle(np.array([-90.0, 0.0, 90.0, 180.0]), np.zeros((4, 8)), 1)


def test_pole_difference():
    first = np.array([80.0, 82.0, 30.0, np.nan])
    assert pole_difference(first, np.array([79.0, 81.0, 50.0, 1.0])) == pytest.approx((1.0, 1.0))
    assert np.isnan(pole_difference(first, np.full(4, np.nan))).all()


def test_the_fixture_is_a_cap_on_a_sphere():
    """Its directivity falls with the angle from its axis, the more the higher the frequency."""
    assert FREQUENCY[6] > 200 and CLEAN[at(10)].mean() > CLEAN[at(60)].mean() > CLEAN[at(120)].mean()
