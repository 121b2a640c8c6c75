import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.interpolate import PchipInterpolator

import physics
from anechain.acoustics.directivity.orbit_interpolation import fill_orbits, interpolate_orbit
from anechain.acoustics.directivity.orbits import (
    by_direction,
    can_interpolate,
    distinct_directions,
    neighbours,
    orbit_step,
)

FIFTEEN, TEN = physics.orbit_angles(15), physics.orbit_angles(10)


def column(pattern, angles):
    return physics.level(pattern(angles))[:, np.newaxis]


@pytest.mark.parametrize(("ka", "worst", "window"), [(1, 0.006, 0.0005), (2, 0.03, 0.002), (3, 0.1, 0.004)])
def test_error_against_a_baffled_piston(ka, worst, window):
    # Beranek and Mellow, eq. 4.30; without the jump at the baffle. The bounds are the errors stated in the docstring.
    pattern = physics.piston_directivity(ka)
    found = interpolate_orbit(FIFTEEN, column(pattern, FIFTEEN), TEN).level
    exact = column(pattern, TEN)
    assert np.abs(found - exact).max() < worst
    front = np.abs(TEN) <= 30
    means = [10 * np.log10(np.mean(10 ** (x[front] / 10))) for x in (found, exact)]
    assert abs(means[0] - means[1]) < window


@pytest.mark.parametrize(("kr", "worst"), [(0.5, 0.03), (1, 0.06), (2, 0.15)])
def test_error_against_a_cap_on_a_sphere(kr, worst):
    pattern = physics.cap(kr)
    found = interpolate_orbit(FIFTEEN, column(pattern, FIFTEEN), TEN)
    assert np.abs(found.level - column(pattern, TEN)).max() < worst
    assert found.interpolated.tolist() == [angle % 30 != 0 for angle in TEN]


def test_it_is_the_monotone_cubic_of_an_independent_library():
    # SciPy's PchipInterpolator, on squared pressure, with the orbit laid out three times.
    rng = np.random.default_rng(7)
    angles = np.sort(rng.choice(np.arange(-179, 181), 40, replace=False)).astype(float)
    level = rng.uniform(-40, 0, (40, 5))
    targets = np.arange(-180, 180, 0.7)
    thrice = np.concatenate([angles - 360, angles, angles + 360])
    expected = 10 * np.log10(PchipInterpolator(thrice, np.tile(10 ** (level / 10), (3, 1)))(targets))
    found = interpolate_orbit(angles, level, targets, max_gap=60).level
    assert found == pytest.approx(expected, abs=1e-6)


def test_measured_angles_are_untouched_and_order_does_not_matter():
    rng = np.random.default_rng(3)
    level = rng.normal(80, 6, (36, 4))
    shuffle = rng.permutation(36)
    found = interpolate_orbit(TEN[shuffle], level[shuffle], [-170, 180, 0.004, 10.0])
    assert (found.level == level[[0, 35, 17, 18]]).all()
    assert not found.interpolated.any()


def test_it_goes_all_the_way_round():
    # A cardioid that points to the rear: symmetric about 180 degrees, where the angles wrap.
    pattern = physics.cardioid
    level = physics.level(pattern(FIFTEEN - 180))[:, np.newaxis]
    found = interpolate_orbit(FIFTEEN, level, [175, -175, -185]).level
    assert found[1, 0] == pytest.approx(found[0, 0], abs=1e-12)
    assert found[2, 0] == found[0, 0]
    # 175 degrees lies between 165 and 180; near its maximum the cardioid is flat.
    assert found[0, 0] == pytest.approx(physics.level(pattern(5)), abs=0.01)


def test_a_null_stays_finite_between_and_infinite_at_itself():
    level = column(physics.dipole, TEN)
    found = interpolate_orbit(TEN, level, [90, 85]).level[:, 0]
    assert found[0] == -np.inf
    assert -30 < found[1] < physics.level(physics.dipole(80))


def test_gaps_that_are_too_wide_are_refused_each_by_name():
    angles = np.arange(-90, 91, 10.0)
    with pytest.raises(ValueError, match="more than 15° apart") as input_error:
        interpolate_orbit(angles, np.zeros((19, 1)), [-100, 5, 90, 180])
    for angle in (-100, 180):
        assert f"{angle}° between 90° and -90°" in str(input_error.value)
    assert "5° between 0°" not in str(input_error.value)
    assert interpolate_orbit(angles, np.zeros((19, 1)), [180], max_gap=180).interpolated.all()


def test_what_is_reachable_is_known_beforehand():
    angles = np.arange(-90, 91, 10.0)
    assert can_interpolate(angles, [-100, -90, 5, 90, 95]).tolist() == [False, True, True, True, False]
    assert can_interpolate(angles, [5], max_gap=9).tolist() == [False]
    assert can_interpolate(FIFTEEN, TEN).all()
    assert can_interpolate([], [0, 10]).tolist() == [False, False]
    assert can_interpolate([0.0], [0, 10]).tolist() == [True, False]


def test_a_direction_without_values_is_no_neighbour():
    level = np.zeros((24, 3))
    level[FIFTEEN == 15] = np.nan
    with pytest.raises(ValueError, match="10° between 0° and 30°"):
        interpolate_orbit(FIFTEEN, level, [10])
    with pytest.raises(ValueError, match="no direction of this orbit"):
        interpolate_orbit(FIFTEEN, np.full((24, 3), np.nan), [10])


def test_a_frequency_without_value_leaves_its_neighbourhood_without_value():
    level = np.zeros((24, 2))
    level[FIFTEEN == 15, 1] = np.nan
    found = interpolate_orbit(FIFTEEN, level, [-20, -10, 10, 20, 40, 50]).level
    assert np.isfinite(found[:, 0]).all()
    assert np.isnan(found[:, 1]).tolist() == [False, True, True, True, True, False]


@pytest.mark.parametrize(("angles", "shape"), [([0, 10], (3, 1)), ([0, 10], (2,)), ([0, 10, 370], (3, 1))])
def test_input_that_does_not_fit_is_refused(angles, shape):
    with pytest.raises(ValueError, match=r"2 angles|occurs twice"):
        interpolate_orbit(angles, np.zeros(shape), [5])


@pytest.mark.parametrize("step", [2.5, 5, 10, 15, 90])
def test_regular_steps(step):
    angles = physics.orbit_angles(step)
    assert orbit_step(angles[::-1]) == (pytest.approx(step), "")
    assert orbit_step(angles + 360) == (pytest.approx(step), "")


def test_irregular_orbits_say_why():
    assert orbit_step(np.arange(-90, 91, 10)) == (
        None,
        "neighbours are 10° to 180° apart, the widest gap from 90° to -90°",
    )
    assert orbit_step(TEN[TEN != 50])[1] == "neighbours are 10° to 20° apart, the widest gap from 40° to 60°"
    assert orbit_step([]) == (None, "only 0 directions on the orbit")
    assert orbit_step([30]) == (None, "only 1 direction on the orbit")


@given(arrays(float, (24, 2), elements=st.floats(-120, 120)), st.floats(-180, 180), st.floats(-40, 40))
def test_values_stay_between_their_neighbours_and_shift_with_the_level(level, target, shift):
    found = interpolate_orbit(FIFTEEN, level, [target]).level[0]
    below = int(np.floor((target + 165) / 15)) % 24
    pair = level[[below, (below + 1) % 24]]
    near = np.abs((FIFTEEN - target + 180) % 360 - 180) < 0.011
    if not near.any():
        assert (found >= pair.min(axis=0) - 1e-9).all() and (found <= pair.max(axis=0) + 1e-9).all()
    shifted = interpolate_orbit(FIFTEEN, level + shift, [target]).level[0]
    assert shifted == pytest.approx(found + shift, abs=1e-6)


def test_where_a_direction_lies_between_its_neighbours():
    below, above, share = neighbours([170.0, -170.0, 0.0], [180.0, 0.0, 85.0, -175.0])
    assert below.tolist() == [0, 2, 2, 0] and above.tolist() == [1, 0, 0, 1]
    np.testing.assert_allclose(share, [0.5, 0.0, 0.5, 0.75])


def test_orbits_are_filled_at_ten_degrees_from_fifteen():
    angles = physics.orbit_angles(15)
    level = np.full((2, angles.size, 3), 80.0)
    level[1] = np.nan
    filled = fill_orbits(level, angles)
    assert set(np.arange(-170.0, 181.0, 10.0)) <= set(filled.angles) and set(angles) <= set(filled.angles)
    np.testing.assert_allclose(filled.level[0], 80.0)
    assert np.isnan(filled.level[1]).all()
    assert filled.interpolated[1].size == 0 and set(filled.interpolated[0]) == set(filled.angles) - set(angles)


def test_a_gap_too_wide_stays_one():
    angles = np.array([-10.0, 0.0, 10.0, 40.0])
    filled = fill_orbits(np.full((1, 4, 2), 80.0), angles)
    there = filled.angles[~np.isnan(filled.level[0]).all(axis=1)]
    assert there.tolist() == angles.tolist()


def test_a_direction_on_both_orbits_counts_once_if_it_was_measured_once():
    angles = physics.orbit_angles(90)
    level = np.broadcast_to(np.arange(4.0)[:, np.newaxis], (2, 4, 2)).copy()
    place = distinct_directions(level, angles)
    assert (place[0] == place[1]).tolist() == np.isin(angles, (0.0, 180.0)).tolist()
    assert place.max() == 5
    level[1, angles == 0] += 0.1
    apart = distinct_directions(level, angles)
    assert apart.max() == 6 and apart[0, angles == 0] != apart[1, angles == 0]
    level[1, angles == 90] = np.nan
    assert distinct_directions(level, angles)[1, angles == 90] == -1


def test_values_by_direction_are_those_of_its_first_orbit():
    angles = physics.orbit_angles(90)
    level = np.broadcast_to(np.arange(4.0)[:, np.newaxis], (2, 4, 2)).copy()
    place = distinct_directions(level, angles)
    values = np.stack([np.arange(4.0), 10 + np.arange(4.0)])
    found = by_direction(values, place)
    assert sorted(found.tolist()) == sorted([*values[0], *values[1, ~np.isin(angles, (0.0, 180.0))]])
    np.testing.assert_array_equal(found[place[0]], values[0])


@pytest.mark.parametrize(
    ("measured", "reason"),
    [
        (TEN, "nothing is missing: all directions in steps of 10° are measured"),
        (physics.orbit_angles(5), "nothing is missing: all directions in steps of 10° are measured"),
        (physics.orbit_angles(30), "the gap is wider than 15°: from 150° to 180°"),
        (np.arange(-90.0, 91.0, 10.0), "the gap is wider than 15°: from 90° to -90°"),
        (np.array([0.0]), "no neighbours: fewer than two directions are measured"),
        (FIFTEEN, ""),
    ],
)
def test_why_nothing_was_interpolated(measured, reason):
    filled = fill_orbits(np.zeros((1, measured.size, 2)), measured)
    assert (
        filled.reasons[0] == reason if not reason.startswith("the gap") else reason.split(":")[1] in filled.reasons[0]
    )
    assert bool(filled.interpolated[0].size) == (reason == "")
