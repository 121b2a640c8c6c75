import numpy as np
import pytest

import physics
from anechain.acoustics.directivity.directions import angle_between, unit_vectors
from anechain.assemble import Curve
from anechain.errors import InputError
from anechain.importing.assemble import without_repeats
from anechain.importing.grids import Grid, datasets_of_grid, orbit_angles

FREQUENCY = np.array([100.0, 200.0])


def grid(step=10.0, phase=True):
    azimuth, elevation = (one.ravel() for one in np.meshgrid(np.arange(0, 360, step), np.arange(-90, 91, step)))
    vectors = unit_vectors(azimuth, elevation)
    # A subcardioid (no null), 0.7 + 0.3 cos, turned a little with azimuth in phase.
    pressure = physics.subcardioid(angle_between(vectors, [1, 0, 0]))
    level = np.repeat(physics.level(pressure)[:, None], 2, axis=1)
    turned = np.repeat(azimuth[:, None] / 4, 2, axis=1)
    return Grid(vectors, FREQUENCY, level, turned if phase else None, [f"point {at}" for at in range(azimuth.size)])


def test_orbit_angles_rise_and_meet_at_the_rear():
    assert orbit_angles(90).tolist() == [-90, 0, 90, 180]
    assert orbit_angles(2.5).size == 144 and orbit_angles(2.5)[-1] == 180


def test_directions_of_the_grid_are_untouched_and_poles_count_once():
    report: list[str] = []
    responses, sphere = datasets_of_grid(grid(), 10, 15, report, "rowan")
    for plane in ("horizontal", "vertical"):
        expected = physics.level(physics.subcardioid(responses.angle.values))
        np.testing.assert_allclose(responses.level.sel(plane=plane)[:, 0], expected, atol=1e-12)
    assert sphere.sizes["direction"] == 36 * 17 + 2
    assert float(sphere.weight.sum()) == pytest.approx(1)
    assert any("70 directions are repeated with the same values" in line for line in report)


def test_directions_between_are_interpolated_without_phase_and_told():
    report: list[str] = []
    responses, _ = datasets_of_grid(grid(), 5, 15, report, "rowan")
    between = responses.sel(plane="horizontal", angle=35)
    # Squared pressure on a line between neighbours 10 degrees apart: hundredths of a dB for so smooth a pattern.
    np.testing.assert_allclose(between.level, physics.level(physics.subcardioid(35)), atol=0.02)
    assert np.isnan(between.phase).all()
    assert np.isfinite(responses.sel(plane="horizontal", angle=30).phase).all()
    assert any("horizontal orbit, interpolated" in line and "35°" in line for line in report)
    assert any("phase missing" in line for line in report)


def test_a_hole_is_named_and_no_sphere_is_made():
    whole = grid(phase=False)
    kept = whole.vectors[:, 2] < 0.9
    part = Grid(
        whole.vectors[kept], FREQUENCY, whole.level[kept], None, [whole.names[at] for at in np.flatnonzero(kept)]
    )
    report: list[str] = []
    responses, sphere = datasets_of_grid(part, 10, 15, report, "rowan")
    assert sphere is None
    assert any("no power over the full sphere: the grid has a gap of 60.0°" in line for line in report)
    assert any("vertical orbit, missing" in line and "90°" in line for line in report)
    assert int(responses.measured.sel(plane="vertical", angle=90)) == 0


def test_gaps_are_named_and_empty_directions_left_out():
    whole = grid()
    level = whole.level.copy()
    level[100] = np.nan
    level[101, 1] = np.nan
    report: list[str] = []
    datasets_of_grid(Grid(whole.vectors, FREQUENCY, level, whole.phase, whole.names), 10, 15, report, "rowan")
    assert any("1 of 684 directions have no value and are left out: point 100" in line for line in report)
    assert any("missing in some directions at 200 Hz" in line for line in report)


def test_nothing_measured_and_nothing_near_the_orbits():
    whole = grid()
    with pytest.raises(InputError, match="no direction has a value"):
        datasets_of_grid(Grid(whole.vectors, FREQUENCY, whole.level * np.nan, None, whole.names), 10, 15, [], "rowan")
    apart = unit_vectors([40.0, 50, 45], [40.0, 40, 50])
    with pytest.raises(InputError, match="no direction on or near an orbit"):
        datasets_of_grid(Grid(apart, FREQUENCY, np.zeros((3, 2)), None, ["a", "b", "c"]), 10, 15, [], "rowan")


def test_a_repeat_is_dropped_only_if_it_is_the_same():
    def curve(angle, level):
        return Curve("horizontal", angle, FREQUENCY, np.array([level, np.nan]), None, f"at {angle:g}")

    report: list[str] = []
    kept = without_repeats([curve(0, 80.0), curve(360, 80.0), curve(-180, 70.0), curve(180, 71.0)], report)
    assert [one.angle for one in kept] == [0, -180, 180]
    assert len(report) == 1 and "at 360" in report[0]
