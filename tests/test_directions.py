import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from anechain.acoustics.directivity.directions import (
    PLANES,
    angle_between,
    frame,
    orbit_vectors,
    spherical_coordinates,
    unit_vectors,
    wrap_angle,
)

ANGLES = st.floats(-720, 720)
VECTORS = st.tuples(*[st.floats(-10, 10)] * 3).map(np.array)


@pytest.mark.parametrize(
    ("given_angle", "wrapped"),
    [(0, 0), (180, 180), (-180, 180), (190, -170), (-190, 170), (360, 0), (540, 180), (-170, -170), (725, 5)],
)
def test_angles_wrap_into_half_open_range(given_angle, wrapped):
    assert wrap_angle(given_angle) == wrapped


@given(ANGLES)
def test_wrapping_keeps_the_direction(angle):
    wrapped = wrap_angle(angle)
    assert -180 < wrapped <= 180
    assert np.exp(1j * np.deg2rad(wrapped)) == pytest.approx(np.exp(1j * np.deg2rad(angle)), abs=1e-9)


@pytest.mark.parametrize(
    ("azimuth", "elevation", "vector"),
    # AES69: x ahead, y to the left, z up; azimuth counter-clockwise seen from above.
    [(0, 0, (1, 0, 0)), (90, 0, (0, 1, 0)), (180, 0, (-1, 0, 0)), (-90, 0, (0, -1, 0)), (0, 90, (0, 0, 1))],
)
def test_axes(azimuth, elevation, vector):
    assert unit_vectors(azimuth, elevation) == pytest.approx(vector, abs=1e-15)
    assert unit_vectors([azimuth] * 2, elevation).shape == (2, 3)


@pytest.mark.parametrize(
    ("plane", "angle", "azimuth", "elevation"),
    # Orbits in AES69 coordinates: beyond the zenith the azimuth turns round.
    [
        ("horizontal", 40, 40, 0),
        ("horizontal", -150, -150, 0),
        ("vertical", 60, 0, 60),
        ("vertical", 120, 180, 60),
        ("vertical", -60, 0, -60),
        ("vertical", -150, 180, -30),
        ("vertical", 180, 180, 0),
    ],
)
def test_orbits_in_azimuth_and_elevation(plane, angle, azimuth, elevation):
    assert orbit_vectors(plane, angle) == pytest.approx(unit_vectors(azimuth, elevation), abs=1e-12)
    found = spherical_coordinates(orbit_vectors(plane, angle))
    assert np.abs(found[0]) == pytest.approx(abs(azimuth), abs=1e-9)
    assert found[1] == pytest.approx(elevation, abs=1e-9)
    assert found[2] == pytest.approx(1)


def test_the_poles_are_shared_and_nothing_else():
    angles = np.arange(-170, 181, 10)
    horizontal, vertical = (orbit_vectors(plane, angles) for plane in PLANES)
    same = angle_between(horizontal[:, np.newaxis], vertical[np.newaxis]) < 1e-6
    assert [(angles[i], angles[j]) for i, j in np.argwhere(same)] == [(0, 0), (180, 180)]


def test_an_unknown_plane_is_refused():
    with pytest.raises(ValueError, match="diagonal"):
        orbit_vectors("diagonal", 0)


@given(st.floats(-179.9, 180), st.floats(-89.9, 89.9))
def test_azimuth_and_elevation_survive_the_way_through_vectors(azimuth, elevation):
    found = spherical_coordinates(2.5 * unit_vectors(azimuth, elevation))
    assert wrap_angle(found[0] - azimuth) == pytest.approx(0, abs=1e-6)
    assert found[1:] == (pytest.approx(elevation, abs=1e-9), pytest.approx(2.5))


@given(st.floats(-180, 180), st.floats(-90, 90))
def test_angle_off_axis(azimuth, elevation):
    # Spherical law of cosines: arccos(cos el cos az).
    cosine = np.cos(np.deg2rad(elevation)) * np.cos(np.deg2rad(azimuth))
    found = angle_between((1, 0, 0), unit_vectors(azimuth, elevation))
    assert np.cos(np.deg2rad(found)) == pytest.approx(cosine, abs=1e-12)


def test_small_angles_are_exact():
    # The arc cosine of a scalar product would give 0 here.
    assert angle_between((1, 0, 0), unit_vectors(1e-7, 0)) == pytest.approx(1e-7, rel=1e-6)


def test_frame_of_a_file_with_its_axis_along_z():
    # Axis along +z, up along +y: the file's -x is to the left, as seen from behind the loudspeaker.
    rotation = frame((0, 0, 1), (0, 1, 0))
    assert rotation @ (0, 0, 1) == pytest.approx((1, 0, 0))
    assert rotation @ (0, 1, 0) == pytest.approx((0, 0, 1))
    assert rotation @ (1, 0, 0) == pytest.approx((0, 1, 0))


def test_frame_needs_no_perpendicular_upward_direction():
    rotation = frame((2, 0, 0), (5, 0, 0.1))
    assert rotation == pytest.approx(np.eye(3), abs=1e-12)


@given(VECTORS, VECTORS)
def test_a_frame_is_a_rotation(axis, up):
    assume(np.linalg.norm(np.cross(axis, up)) > 1e-2 and np.linalg.norm(axis) > 0.1 and np.linalg.norm(up) > 0.1)
    rotation = frame(axis, up)
    assert rotation @ rotation.T == pytest.approx(np.eye(3), abs=1e-9)
    assert np.linalg.det(rotation) == pytest.approx(1, abs=1e-9)
    assert rotation @ axis == pytest.approx((np.linalg.norm(axis), 0, 0), abs=1e-8)
    assert (rotation @ up)[1] == pytest.approx(0, abs=1e-8)
    assert (rotation @ up)[2] > 0


@pytest.mark.parametrize(
    ("axis", "up", "why"),
    [((0, 0, 0), (0, 0, 1), "length"), ((1, 0, 0), (0, 0, 0), "length"), ((1, 0, 0), (-3, 0, 0), "parallel")],
)
def test_frames_that_are_none_are_refused(axis, up, why):
    with pytest.raises(ValueError, match=why):
        frame(axis, up)
