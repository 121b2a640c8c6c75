"""Uncertainty of the curve set, against the rules of the GUM, applied by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import physics
from anechain.acoustics.directivity.curves import curve_set
from anechain.acoustics.directivity.direction_lists import LISTENING_WINDOW, REFLECTION_GROUPS
from anechain.acoustics.uncertainty.curve_uncertainty import (
    curve_set_uncertainty,
    curve_shares,
    direction_weights,
    measured_shares,
    sphere_uncorrelated,
)

PLANES = ("horizontal", "vertical")
ANGLES = physics.orbit_angles(10)


def levels(pattern=lambda angle: 0 * angle):
    return np.stack([80.0 + pattern(ANGLES)] * 2)[..., np.newaxis]


def both(level, correlated, own, **options):
    return curve_set_uncertainty(level, PLANES, ANGLES, correlated, own, **options)


def test_nine_equal_levels_of_the_listening_window():
    # JCGM 100:2008, 5.1.2: u / sqrt(9) for independent errors; u for an error that all share.
    found = both(levels(), 0.5, 0.5).levels["listening_window"]
    assert found.uncorrelated_db == pytest.approx([0.5 / 3], abs=1e-12)
    assert found.correlated_db == pytest.approx([0.5], abs=1e-12)


def test_a_shared_error_cancels_in_every_index_and_in_no_curve():
    found = both(levels(lambda angle: 6 * np.cos(np.deg2rad(angle))), 0.7, 0.0)
    assert all(curve.correlated_db == pytest.approx([0.7], abs=1e-12) for curve in found.levels.values())
    assert all(index.combined_db == pytest.approx([0.0], abs=1e-12) for index in found.indices.values())
    assert len(found.indices) == 6


def test_weights_are_those_of_the_definitions():
    weights = direction_weights(PLANES, ANGLES, np.ones((2, ANGLES.size), bool))
    on_axis, window, floor = (weights[name] for name in ("on_axis", "listening_window", "floor_bounce"))
    assert on_axis[0, ANGLES == 0] == 1 and on_axis.sum() == 1
    assert window[window > 0] == pytest.approx(1 / len(LISTENING_WINDOW))
    assert window[1, np.isin(ANGLES, [-10, 10])] == pytest.approx(1 / 9)
    assert floor[1, np.isin(ANGLES, [-20, -30, -40])] == pytest.approx(1 / len(REFLECTION_GROUPS["floor_bounce"]))
    assert all(weight.sum() == pytest.approx(1, abs=1e-12) for weight in weights.values())
    # The weight table as published (recalled): 0.018165962 at 60 degrees, over the sum of all 70.
    assert weights["sound_power"][1, ANGLES == 60] == pytest.approx(0.018165962 / 0.996373088, rel=1e-7)


def test_a_louder_direction_has_more_weight():
    # 80 dB with u 0.5 and 70 dB with u 1.0: JCGM 100 with shares of squared pressure gives u 0.4635 for their sum.
    level = np.full((2, ANGLES.size, 1), np.nan)
    level[0, ANGLES == 90], level[0, ANGLES == -90] = 80.0, 70.0
    level[0, ANGLES == 180] = -200.0
    own = np.zeros(level.shape)
    own[0, ANGLES == 90], own[0, ANGLES == -90] = 0.5, 1.0
    found = both(level, 0.0, own).levels["rear_wall_bounce"]
    assert found.uncorrelated_db == pytest.approx([0.4635], abs=1e-4)


@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from(["reflection_groups", "curves"]),
    st.sampled_from(["three", "all"]),
)
@settings(max_examples=30)  # each moves all 72 directions
def test_agrees_with_small_errors_put_into_the_curve_set(seed, total, rear):
    """The first-order rule against the curve set itself, by finite differences: another way to the same number."""
    random = np.random.default_rng(seed)
    level = 80 + 5 * random.standard_normal((2, ANGLES.size, 1))
    for pole in (0.0, 180.0):
        level[1, pole == ANGLES] = level[0, pole == ANGLES]
    options = {"early_reflections_total": total, "rear_wall": rear}
    own = random.uniform(0, 1, level.shape)
    found = both(level, 0.0, own, **options)
    base = curve_set(level, PLANES, ANGLES, **options)
    step = 1e-4
    squares = {}
    for row in range(2):
        for column in range(ANGLES.size):
            if row == 1 and ANGLES[column] in (0, 180):
                continue  # taken from the horizontal orbit
            moved = level.copy()
            moved[row, column] += step
            new = curve_set(moved, PLANES, ANGLES, **options)
            for name in ("sound_power", "early_reflections", "in_room"):
                change = (new.levels[name] - base.levels[name])[0] / step * own[row, column, 0]
                squares[name] = squares.get(name, 0.0) + change**2
            change = (new.indices["sound_power_index"] - base.indices["sound_power_index"])[0] / step
            squares["index"] = squares.get("index", 0.0) + (change * own[row, column, 0]) ** 2
    for name in ("sound_power", "early_reflections", "in_room"):
        assert found.levels[name].uncorrelated_db[0] == pytest.approx(np.sqrt(squares[name]), rel=1e-3)
    index = found.indices["sound_power_index"].uncorrelated_db[0]
    assert index == pytest.approx(np.sqrt(squares["index"]), rel=1e-3)


def test_one_orbit_has_only_the_curves_that_it_allows():
    level = levels()
    level[1] = np.nan
    found = both(level, 0.1, 0.2)
    assert "sound_power" not in found.levels and "sound_power_horizontal" in found.levels
    assert not found.indices


def test_shares_add_to_one_for_a_curve_and_to_zero_for_an_index():
    shares = curve_shares(levels(lambda angle: 6 * np.cos(np.deg2rad(angle))), PLANES, ANGLES)
    sums = {name: float(share.sum(axis=(0, 1))[0]) for name, share in shares.items()}
    assert sums == {name: pytest.approx(0.0 if "index" in name else 1.0, abs=1e-12) for name in shares}


def test_the_share_of_an_interpolated_direction_goes_to_its_neighbours():
    """10 degrees is between 0 and 15: one third and two thirds of its share, on a straight line."""
    measured = np.array([-15.0, 0.0, 15.0])
    share = np.zeros((1, 2, 1))
    share[0, :, 0] = 0.6, 0.4  # at 10 and at 0 degrees
    found = measured_shares(share, [10.0, 0.0], measured, np.array([[0, 1, 2]]))
    np.testing.assert_allclose(found[:, 0], [0.0, 0.4 + 0.6 / 3, 0.6 * 2 / 3])


def test_uncertainty_between_the_orbits():
    """On an orbit the value of this orbit; half-way around the axis the mean of both squares."""
    horizontal, vertical = (np.full((ANGLES.size, 1), value) for value in (0.3, 0.4))
    found = sphere_uncorrelated([60.0, 0.0, 0.0], [0.0, 60.0, 0.0], ANGLES, horizontal, vertical)
    np.testing.assert_allclose(found[:2, 0], [0.3, 0.4])
    elevation = np.rad2deg(np.arcsin(np.sin(np.deg2rad(60)) / np.sqrt(2)))
    azimuth = np.rad2deg(np.arctan2(np.sin(np.deg2rad(60)) / np.sqrt(2), 0.5))
    between = sphere_uncorrelated([azimuth], [elevation], ANGLES, horizontal, vertical)
    assert between[0, 0] == pytest.approx(np.sqrt((0.09 + 0.16) / 2), rel=1e-9)
    alone = sphere_uncorrelated([0.0], [60.0], ANGLES, horizontal, np.full_like(vertical, np.nan))
    assert alone[0, 0] == pytest.approx(0.3)
    nothing = np.full_like(vertical, np.nan)
    assert np.isnan(sphere_uncorrelated([0.0], [60.0], ANGLES, nothing, nothing)).all()
