import hashlib
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

import physics
from anechain.acoustics.directivity.directions import angle_between, unit_vectors
from anechain.acoustics.directivity.sphere import largest_gap, solid_angle_weights, sphere_mean_level, unique_directions
from anechain.acoustics.directivity.sphere_interpolation import interpolate_sphere

OCTAHEDRON = np.vstack([np.eye(3), -np.eye(3)])
CUBE = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], float)


def grid(step, repeated_poles=False, repeated_zero=False):
    """Azimuth and elevation in equal steps, each direction once unless told otherwise."""
    azimuth = np.arange(0, 360 + (step if repeated_zero else 0), step)
    elevation = np.arange(-90, 90 + step, step)
    az, el = (x.ravel() for x in np.meshgrid(azimuth, elevation))
    if not repeated_poles:
        keep = (np.abs(el) < 90) | (az == 0)
        az, el = az[keep], el[keep]
    return unit_vectors(az, el)


def turned(vectors, quarter):
    """The same grid with another axis at its poles."""
    return np.roll(vectors, quarter, axis=1)


@pytest.fixture(scope="module")
def fine():
    vectors = grid(1)
    return vectors, solid_angle_weights(vectors)


def true_index(pattern, vectors, weight):
    theta = angle_between(vectors, [1.0, 0, 0])
    # A level exactly at the edge of the half space needs the very angle.
    theta = np.where(np.abs(theta - 90) < 1e-9, 90.0, theta)
    return float(physics.level(pattern(0.0)) - sphere_mean_level(physics.level(pattern(theta))[:, None], weight)[0])


SOURCES = {
    # Directivity factors of first-order patterns, 1 / (A^2 + (1 - A)^2 / 3).
    **{
        f"first order {a:.2f}": (physics.first_order(a), -10 * np.log10(a**2 + (1 - a) ** 2 / 3))
        for a in (0.7, 0.5, 0.25, 0)
    },
    # Baffled piston: Beranek and Mellow, eq. (4.42).
    **{f"piston {ka}": (physics.piston(ka), 10 * np.log10(physics.piston_factor(ka))) for ka in (1, 2, 3, 5, 10)},
    # Cap on a rigid sphere, as printed to four decimals from the series with 16 to 40 terms.
    **{f"cap {kr}": (physics.cap(kr), di) for kr, di in ((0.5, 0.7694), (1, 2.6059), (2, 3.7276), (5, 7.8383))},
}
# Largest error in dB that the coarseness of a grid leaves, by its step and by whether the beam points at its equator
# (0) or at its pole (1): of the broad sources, and of the narrow ones (index above 10 dB). Measured: 0.0077 and 0.0102,
# 0.0215 and 0.2252, 0.0019 and 0.0026, 0.0054 and 0.0671; it falls with the square of the step, as it must.
COARSENESS = {(10, 0): (0.008, 0.0105), (10, 1): (0.022, 0.23), (5, 0): (0.002, 0.0027), (5, 1): (0.0056, 0.068)}


@pytest.mark.parametrize("name", SOURCES)
@pytest.mark.parametrize(("step", "quarter"), COARSENESS)
def test_true_directivity_index_of_closed_forms(name, step, quarter):
    pattern, index = SOURCES[name]
    vectors = turned(grid(step), quarter)
    allowed = COARSENESS[step, quarter][int(index > 10)]
    assert true_index(pattern, vectors, solid_angle_weights(vectors)) == pytest.approx(index, abs=allowed)


@pytest.mark.parametrize("name", SOURCES)
def test_true_directivity_index_from_one_degree(name, fine):
    pattern, index = SOURCES[name]
    assert true_index(pattern, *fine) == pytest.approx(index, abs=2e-4)


@pytest.mark.parametrize("step", [10, 5])
def test_a_source_alike_in_all_directions_has_no_index(step):
    vectors = grid(step)
    assert sphere_mean_level(np.full((len(vectors), 2), 83.25), solid_angle_weights(vectors)) == pytest.approx(
        83.25, abs=1e-12
    )


def test_one_degree_cells_are_those_of_rings(fine):
    # Area between two circles of latitude, 2 pi (sin - sin) / 360; cells have great circles for sides instead.
    vectors, weight = fine
    elevation = np.rad2deg(np.arcsin(vectors[:, 2]))
    for at in (0, 30, 60, 85):
        ring = np.sin(np.deg2rad(at + 0.5)) - np.sin(np.deg2rad(at - 0.5))
        assert weight[np.abs(elevation - at) < 1e-6] == pytest.approx(ring / 720, rel=3e-5)
    cap = (1 - np.cos(np.deg2rad(0.5))) / 2
    assert weight[np.abs(elevation - 90) < 1e-6] == pytest.approx(cap, rel=3e-5)


@pytest.mark.parametrize("solid", [OCTAHEDRON, CUBE])
def test_corners_of_a_regular_solid_share_alike(solid):
    assert solid_angle_weights(solid) == pytest.approx(1 / len(solid), abs=1e-12)


def test_ten_degrees_of_azimuth_and_elevation_have_614_directions():
    # 36 azimuths on 17 rings and two poles: the size of published directivity data on this grid.
    vectors = grid(10, repeated_poles=True, repeated_zero=True)
    first, group = unique_directions(vectors)
    assert (len(vectors), len(first), group.max() + 1) == (37 * 19, 614, 614)
    assert np.allclose(vectors[first][group], vectors, atol=1e-12)


def test_repeated_directions_share_one_cell():
    once, repeated = grid(10), grid(10, repeated_poles=True, repeated_zero=True)
    weight = solid_angle_weights(repeated)
    assert weight.sum() == pytest.approx(1, abs=1e-12)
    pole = repeated[:, 2] > 1 - 1e-12
    seam = angle_between(repeated, [1.0, 0, 0]) < 1e-6
    assert (pole.sum(), seam.sum()) == (37, 2)
    alone = solid_angle_weights(once)
    assert weight[pole] == pytest.approx(alone[once[:, 2] > 1 - 1e-12][0] / 37, rel=1e-9)
    assert weight[seam] == pytest.approx(alone[angle_between(once, [1.0, 0, 0]) < 1e-6][0] / 2, rel=1e-9)


def test_directions_written_to_two_decimals_are_one():
    near = unit_vectors([10.0, 10.005, 10.02], [0.0, 0.0, 0.0])
    assert unique_directions(near)[1].tolist() == [0, 0, 1]


def test_thousands_of_mentions_of_one_direction_take_no_more_room_than_they_need():
    vectors = np.tile([[0.3, 0.4, 0.5]], (50_000, 1))
    first, group = unique_directions(vectors)
    assert first.tolist() == [0] and not group.any()


rotations = arrays(float, 4, elements=st.floats(-1, 1)).filter(lambda q: np.linalg.norm(q) > 0.1)


def rotation(quaternion):
    w, x, y, z = quaternion / np.linalg.norm(quaternion)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )


@given(rotations, st.randoms(use_true_random=False), st.floats(0.1, 10))
@settings(max_examples=20, deadline=None)
def test_weights_and_gap_know_neither_frame_nor_order_nor_distance(quaternion, random, distance):
    vectors = unit_vectors(np.arange(60) * 137.50776405, np.rad2deg(np.arcsin(1 - (2 * np.arange(60) + 1) / 60)))
    order = list(range(60))
    random.shuffle(order)
    moved = distance * vectors[order] @ rotation(quaternion).T
    assert solid_angle_weights(moved) == pytest.approx(solid_angle_weights(vectors)[order], abs=1e-9)
    assert largest_gap(moved)[0] == pytest.approx(largest_gap(vectors)[0], abs=1e-6)


@pytest.mark.parametrize(
    ("vectors", "words"),
    [
        (np.eye(3), "at least four"),
        (unit_vectors(np.arange(0, 360, 10), np.zeros(36)), "half of the sphere"),
        (grid(10)[grid(10)[:, 2] > -1e-9], "half of the sphere"),
        (np.vstack([OCTAHEDRON, [[0, 0, 0]]]), "length"),
        (np.vstack([OCTAHEDRON, [[0, np.nan, 0]]]), "finite"),
        (np.zeros((0, 3)), "shape"),
    ],
)
def test_weights_are_refused_where_the_sphere_is_not_covered(vectors, words):
    with pytest.raises(ValueError, match=words):
        solid_angle_weights(vectors)


@pytest.mark.parametrize(
    ("vectors", "width", "centre"),
    [
        (OCTAHEDRON, 2 * np.rad2deg(np.arccos(1 / np.sqrt(3))), None),
        (CUBE, 2 * np.rad2deg(np.arccos(1 / np.sqrt(3))), None),
        (unit_vectors(np.arange(0, 360, 10), np.zeros(36)), 180, None),
        (unit_vectors(np.arange(0, 360, 10), np.full(36, 20.0)), 220, [0, 0, -1]),
        (grid(10)[grid(10)[:, 2] > -1e-9], 180, [0, 0, -1]),
        (grid(10)[grid(10)[:, 2] > np.sin(np.deg2rad(-40.1))], 100, [0, 0, -1]),
        (np.array([[1.0, 0, 0]]), 360, [-1, 0, 0]),
        (np.array([[1.0, 0, 0], [0, 1, 0]]), 270, [-np.sqrt(0.5), -np.sqrt(0.5), 0]),
        (np.array([[1.0, 0, 0], [-1, 0, 0]]), 180, None),
    ],
)
def test_largest_gap_of_known_grids(vectors, width, centre):
    found, where = largest_gap(vectors)
    assert found == pytest.approx(width, abs=1e-5)
    assert angle_between(vectors, where).min() == pytest.approx(width / 2, abs=1e-5)
    if centre is not None:
        assert where == pytest.approx(centre, abs=1e-6)


def test_two_orbits_leave_the_holes_between_them():
    angles = physics.orbit_angles(10)
    orbits = np.vstack([unit_vectors(angles, 0 * angles), unit_vectors(0 * angles, angles)])
    # Farthest from both circles: half-way between them, where y and z are alike and x is what is left at the nodes.
    assert largest_gap(orbits)[0] == pytest.approx(90, abs=1.0)


def test_directions_of_the_grid_are_returned_as_they_are():
    vectors = grid(10)
    values = np.linspace(1, 2, len(vectors))
    found, distance = interpolate_sphere(vectors, values, 3 * vectors[::7])
    assert (found == values[::7]).all()
    assert distance == pytest.approx(0, abs=1e-6)
    nearby = unit_vectors([20.009], [0.0])
    assert (
        interpolate_sphere(vectors, values, nearby)[0][0] == values[angle_between(vectors, unit_vectors(20, 0)) < 1e-6]
    )


def test_between_two_grid_points_lies_their_mean():
    vectors = grid(10)
    values = np.arange(float(len(vectors)))
    at = [int(np.argmin(angle_between(vectors, unit_vectors(azimuth, 0)))) for azimuth in (20, 30)]
    found, distance = interpolate_sphere(vectors, values, unit_vectors([25.0], [0.0]))
    assert found[0] == pytest.approx(values[at].mean(), rel=1e-9)
    assert distance[0] == pytest.approx(5, abs=1e-9)


@given(arrays(float, (5, 3), elements=st.floats(-1, 1)).filter(lambda v: (np.linalg.norm(v, axis=1) > 0.1).all()))
@settings(max_examples=25, deadline=None)
def test_interpolation_stays_between_its_corners_and_keeps_a_constant(targets):
    vectors = grid(10)
    ramp = vectors @ [0.2, 0.3, 0.4]
    found, distance = interpolate_sphere(vectors, np.stack([np.full(len(vectors), 7.5), ramp], axis=1), targets)
    assert found[:, 0] == pytest.approx(7.5, rel=1e-12)
    # A linear function of position, read on the flat triangle below the sphere: shorter by its depth, at most
    # 1 - cos(7.07 degrees), and exact in direction.
    true = (targets / np.linalg.norm(targets, axis=1, keepdims=True)) @ [0.2, 0.3, 0.4]
    between = (np.abs(true) > 1e-3) & (distance > 0.01)
    shortening = found[between, 1] / true[between]
    assert ((shortening > 0.992) & (shortening < 1 + 1e-9)).all()
    assert (distance <= 7.08).all()


@pytest.mark.parametrize(
    ("ka", "step", "most", "rms"),
    [(1, 10, 0.017, 0.006), (2, 10, 0.066, 0.022), (3, 10, 0.22, 0.08), (2, 5, 0.017, 0.006), (3, 5, 0.055, 0.02)],
)
def test_error_between_grid_points_on_a_piston(ka, step, most, rms):
    # Directivity 2 J1(x)/x (Beranek and Mellow, eq. 4.30), no null below ka = 3.83; bounds are 5 to 10 % above what
    # 2000 directions gave.
    pattern = physics.piston_directivity(ka)
    random = np.random.default_rng(1)
    targets = random.normal(size=(400, 3))
    targets /= np.linalg.norm(targets, axis=1, keepdims=True)
    vectors = grid(step)
    power = pattern(angle_between(vectors, [1.0, 0, 0])) ** 2
    found, _ = interpolate_sphere(vectors, power, targets)
    error = 10 * np.log10(found) - physics.level(pattern(angle_between(targets, [1.0, 0, 0])))
    assert np.abs(error).max() < most
    assert np.sqrt((error**2).mean()) < rms


def test_a_hole_is_not_bridged():
    vectors = grid(10)
    kept = vectors[:, 2] > np.sin(np.deg2rad(-40.1))
    values = np.ones(kept.sum())
    targets = unit_vectors([0, 3, 3, 3], [-60, -41, -35, 33])
    found, distance = interpolate_sphere(vectors[kept], values, targets)
    assert np.isfinite(found).tolist() == [False, False, True, True]
    assert distance[0] == pytest.approx(20, abs=1e-6)
    wider, _ = interpolate_sphere(vectors[kept], values, targets, max_gap=120)
    assert np.isfinite(wider).all()
    narrower, _ = interpolate_sphere(vectors[kept], values, targets, max_gap=9)
    assert not np.isfinite(narrower).any()


def test_beyond_the_edge_of_a_half_sphere_there_is_nothing():
    vectors = grid(10)
    kept = vectors[:, 0] > -1e-9
    targets = unit_vectors([4, 86, 94, 180], [4, 4, 4, 0])
    found, _ = interpolate_sphere(vectors[kept], np.ones(kept.sum()), targets)
    assert np.isfinite(found).tolist() == [True, True, False, False]


def test_a_single_orbit_is_read_along_itself_only():
    orbit = unit_vectors(np.arange(0, 360, 10), np.zeros(36))
    targets = unit_vectors([15, 20, 15, 0], [0, 0, 3, 90])
    found, _ = interpolate_sphere(orbit, np.arange(36.0), targets)
    assert found[:2] == pytest.approx([1.5, 2.0])
    assert np.isnan(found[2:]).all()


def test_one_or_two_directions_are_read_where_they_are():
    found, distance = interpolate_sphere([[1.0, 0, 0], [0, 2, 0]], [3.0, 4.0], [[2.0, 0, 0], [1, 1, 0]])
    assert found[0] == 3.0
    assert np.isnan(found[1])
    assert distance == pytest.approx([0, 45])


def test_a_missing_corner_leaves_a_missing_value_and_only_there():
    vectors = grid(10)
    values = np.ones((len(vectors), 2))
    values[np.argmin(angle_between(vectors, unit_vectors(30, 20))), 1] = np.nan
    found, _ = interpolate_sphere(vectors, values, unit_vectors([28.0, 35.0], [18.0, -20.0]))
    assert np.isnan(found).tolist() == [[False, True], [False, False]]


def test_repeated_directions_count_with_their_mean():
    vectors = np.vstack([grid(10), [[1.0, 0, 0]]])
    values = np.ones(len(vectors))
    values[-1] = 3
    assert interpolate_sphere(vectors, values, [[1.0, 0, 0]])[0] == pytest.approx([2.0])


def test_values_and_directions_go_together():
    with pytest.raises(ValueError, match="5 values for 6 directions"):
        interpolate_sphere(OCTAHEDRON, np.ones(5), OCTAHEDRON)


OPEN_SPHERE = "d66826918696086899bc2b7cb533a695f457c57e91c70760e75b1b05328e442a"


def open_sphere():
    """Directions and magnitudes of the real loudspeaker on a 1 degree sphere, reference axis along +z."""
    folder = os.environ.get("ANECHAIN_REGISTRY_DATA")
    if not folder:
        pytest.skip(
            "ANECHAIN_REGISTRY_DATA is not set: folder of the test data in sparrowpy 1.1.1's source distribution"
        )
    for path in sorted(Path(folder).glob("*.sofa")):
        if path.stat().st_size > 1_000_000 and hashlib.sha256(path.read_bytes()).hexdigest() == OPEN_SPHERE:
            import netCDF4

            with netCDF4.Dataset(path) as file:
                real = np.ma.filled(file["Data.Real"][0], np.nan)
                return np.ma.getdata(file["ReceiverPosition"][:]), real, np.ma.getdata(file["N"][:])
    pytest.skip("the folder ANECHAIN_REGISTRY_DATA does not hold the 1 degree sphere")


def test_error_between_grid_points_on_a_real_loudspeaker():
    vectors, magnitude, frequency = open_sphere()
    height = np.clip(vectors[:, 2], -1, 1)
    from_axis = np.rad2deg(np.arccos(height))
    around = np.rad2deg(np.arctan2(vectors[:, 1], vectors[:, 0]))
    thin = (np.abs(from_axis - 10 * np.round(from_axis / 10)) < 0.01) & (
        (np.abs(around - 10 * np.round(around / 10)) < 0.01) | (np.abs(height) > 0.99999)
    )
    assert thin.sum() == 614
    random = np.random.default_rng(0).choice(len(vectors), 500, replace=False)
    bands = np.flatnonzero(np.isin(frequency, (1000, 5000, 20000)))
    found, _ = interpolate_sphere(vectors[thin], magnitude[thin][:, bands] ** 2, vectors[random])
    true = magnitude[random][:, bands] ** 2
    near = true > magnitude[np.argmax(height), bands] ** 2 / 100
    error = 10 * np.log10(found / true)
    for band, most in enumerate((0.07, 0.33, 0.42)):
        assert np.sqrt((error[near[:, band], band] ** 2).mean()) < most
    assert 10 * np.log10(found.mean(axis=0) / true.mean(axis=0)) == pytest.approx(0, abs=0.025)
