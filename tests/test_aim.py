"""Toe-in: what the listener gets of the direct sound."""

import numpy as np
import pytest

import physics
from anechain.acoustics.directivity.aim import aimed_curve, best_aim
from directions_of_real import horizontal_and_vertical

GRID = np.geomspace(200, 12800, 145)
ANGLES = physics.orbit_angles(10.0)


def narrowing(flat_at=0.0):
    """Falls by 0.05 dB per degree and octave beside the angle at which it is flat; symmetric about the axis."""
    fall = (np.abs(ANGLES)[:, np.newaxis] - flat_at) * 0.05 * np.log2(GRID / 200)
    return 85 - fall


def test_parallel_is_the_listeners_angle_and_full_toe_in_is_the_axis():
    level = narrowing()
    parallel, axis = (aimed_curve(GRID, ANGLES, level, toe_in, 30.0) for toe_in in (0.0, 30.0))
    np.testing.assert_array_equal(parallel.level_db, level[ANGLES == 30][0])
    np.testing.assert_array_equal(axis.level_db, level[ANGLES == 0][0])
    assert (parallel.off_axis_deg, axis.off_axis_deg, axis.interpolated) == (30.0, 0.0, False)
    assert parallel.slope_db_per_octave == pytest.approx(-1.5) and parallel.deviation_db == pytest.approx(0, abs=1e-9)


def test_the_left_one_of_a_pair_is_the_mirror_image():
    level = narrowing() + np.sign(ANGLES)[:, np.newaxis]
    right, left = aimed_curve(GRID, ANGLES, level, 10.0, 30.0), aimed_curve(GRID, ANGLES, level, 10.0, -30.0)
    assert (right.off_axis_deg, left.off_axis_deg) == (20.0, -20.0)
    np.testing.assert_allclose(right.level_db - left.level_db, 2.0)


def test_too_much_toe_in_crosses_the_axis():
    assert aimed_curve(GRID, ANGLES, narrowing(), 50.0, 30.0).off_axis_deg == -20.0


@pytest.mark.parametrize("slope", [0.0, -0.5, -1.0])
def test_the_best_aim_is_where_the_curve_has_the_slope(slope):
    """The slope at an angle is -0.05 dB per octave times the angle less 10 degrees, so the best angle is known."""
    found = best_aim(GRID, ANGLES, narrowing(flat_at=10.0), 30.0, slope_db_per_octave=slope)
    assert found.best.off_axis_deg == pytest.approx(10 - slope / 0.05)
    assert found.best.deviation_db == pytest.approx(0, abs=1e-6)
    assert (found.at_listener.toe_in_deg, found.parallel.toe_in_deg) == (30.0, 0.0)
    assert len(found.candidates) == 7 and f"{slope:g} dB per octave" in found.trend


def test_the_deviation_of_a_tilt_from_a_flat_trend_is_known():
    """Standard deviation of s dB per octave over n octaves: s n / sqrt(12)."""
    found = aimed_curve(GRID, ANGLES, narrowing(), 10.0, 30.0, (400.0, 6400.0), slope_db_per_octave=0.0)
    assert found.deviation_db == pytest.approx(1.0 * 4 / np.sqrt(12), rel=2e-3)


def test_angles_between_are_interpolated_and_said_to_be():
    found = aimed_curve(GRID, ANGLES, narrowing(), 5.0, 30.0)
    assert found.interpolated and found.off_axis_deg == 25.0
    np.testing.assert_allclose(found.level_db, 85 - 25 * 0.05 * np.log2(GRID / 200), atol=0.1)


def test_what_is_missing_is_named():
    some = np.isin(ANGLES, [0, 30])
    found = best_aim(GRID, ANGLES[some], narrowing()[some])
    assert found.best is not None and {c.toe_in_deg for c in found.candidates if c.level_db is not None} == {0.0, 30.0}
    assert any(c.reason == "needs the horizontal orbit around 15°" for c in found.candidates)
    empty = best_aim(GRID, ANGLES, np.full((ANGLES.size, GRID.size), np.nan))
    assert empty.best is None and "needs the horizontal orbit" in empty.reason
    short = best_aim(GRID, ANGLES, narrowing(), band=(20.0, 1000.0))
    assert short.best is None and "not across" in short.reason
    with pytest.raises(ValueError, match="step"):
        best_aim(GRID, ANGLES, narrowing(), step_deg=0.0)
    with pytest.raises(ValueError, match="levels of shape"):
        best_aim(GRID, ANGLES[:4], narrowing())


def test_a_real_two_way_is_duller_parallel_to_the_walls():
    speaker, angles, horizontal, _ = horizontal_and_vertical()
    found = best_aim(speaker.frequency, angles, horizontal, 30.0)
    assert found.parallel.slope_db_per_octave < found.at_listener.slope_db_per_octave
    np.testing.assert_allclose(found.at_listener.level_db, speaker.curves["on_axis"], atol=1e-3)
