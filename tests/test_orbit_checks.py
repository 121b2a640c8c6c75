"""Methods behind the checks of responses, against closed forms."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from anechain.acoustics.directivity.misplaced_directions import best_angle, best_swap
from anechain.acoustics.directivity.orbit_checks import mirror_differences, neighbour_differences, pole_difference
from flawed_orbits import ANGLES, FREQUENCY, at, measured
from physics import cardioid, dipole, level


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
    found = best_angle(ANGLES, levels, at(angle))
    assert found.angle == pytest.approx(angle + off, abs=2.0)
    assert found.there < 0.5 * found.here


def test_a_right_label_is_left_alone():
    for row in [*range(5, 14), *range(22, 31)]:
        found = best_angle(ANGLES, CLEAN, row)
        assert abs(found.angle - ANGLES[row]) <= 3 or found.there > 0.5 * found.here or found.here < 0.25
    with pytest.raises(ValueError, match="neighbours"):
        best_angle(np.array([-90.0, 0.0, 90.0, 180.0]), np.zeros((4, 8)), 1)


def test_pole_difference():
    first = np.array([80.0, 82.0, 30.0, np.nan])
    assert pole_difference(first, np.array([79.0, 81.0, 50.0, 1.0])) == pytest.approx((1.0, 1.0))
    assert np.isnan(pole_difference(first, np.full(4, np.nan))).all()


def test_the_fixture_is_a_cap_on_a_sphere():
    """Its directivity falls with the angle from its axis, the more the higher the frequency."""
    assert FREQUENCY[6] > 200 and CLEAN[at(10)].mean() > CLEAN[at(60)].mean() > CLEAN[at(120)].mean()
