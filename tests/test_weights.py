import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import physics
from anechain.acoustics.directivity.directions import orbit_vectors
from anechain.acoustics.directivity.weights import PRINTED_WEIGHTS, two_orbit_weights


def two_orbit_power(pattern, weight_of, pole_times=1):
    """Power re on axis by the 10 degree directions, each pole counted as often as told."""
    angles = physics.orbit_angles(10)
    with np.errstate(divide="ignore"):
        power = np.abs(pattern(angles)) ** 2
    pole = (angles == 0) | (angles == 180)
    count = np.where(pole, pole_times, 2)
    weight = count * np.array([weight_of(abs(angle)) for angle in angles])
    return 10 * np.log10((weight * power).sum() / weight.sum())


def computed(angle):
    angles, weight, _ = two_orbit_weights(10)
    return weight[angles == angle][0]


def zonal(angle):
    """Ring between two latitudes, shared by four curves; the caps at the poles are whole."""
    edge = np.cos(np.deg2rad([max(angle - 5, 0), min(angle + 5, 180)]))
    return (edge[0] - edge[1]) / 2 / (1 if angle in (0, 180) else 4)


def test_the_weights_are_those_printed():
    # ANSI/CTA-2034-A, appendix; table recalled. Half a unit of the last decimal, and rounding of the check itself.
    assert len(PRINTED_WEIGHTS) == 19
    for angle, weight in zip(*two_orbit_weights(10)[:2], strict=True):
        assert weight == pytest.approx(PRINTED_WEIGHTS[round(abs(angle))], abs=5.1e-10)


def test_ten_degrees_give_seventy_directions():
    # Toole, Sound Reproduction (2008), ch. 18: two orbits at 10 degrees are 70 curves.
    angles, _, pole = two_orbit_weights(10)
    vectors = np.concatenate([orbit_vectors(plane, angles) for plane in ("horizontal", "vertical")])
    assert len(np.unique(np.round(vectors, 9) + 0.0, axis=0)) == 70
    assert angles[pole].tolist() == [0, 180]
    assert angles.min() > -180 and angles.max() == 180


def test_the_sum_depends_on_how_often_a_pole_counts():
    # Sums of the recalled table.
    _, weight, pole = two_orbit_weights(10)
    assert 2 * weight[~pole].sum() + weight[pole].sum() == pytest.approx(0.996373088, abs=1e-8)
    assert 2 * weight.sum() == pytest.approx(0.997582060, abs=1e-8)
    assert 2 * weight[~pole].sum() + 4 * weight[pole].sum() == pytest.approx(1.0, abs=1e-14)


@pytest.mark.parametrize("step", [45, 30, 22.5, 15, 11.25, 10, 5, 2.5, 1])
def test_any_step_that_divides_ninety_covers_the_sphere(step):
    angles, weight, pole = two_orbit_weights(step)
    assert angles.size == round(360 / step)
    assert np.allclose(np.diff(angles), step)
    assert 2 * weight[~pole].sum() + 4 * weight[pole].sum() == pytest.approx(1.0, abs=1e-13)


@pytest.mark.parametrize("step", [90, 15, 10, 5, 2.5])
def test_weights_are_solid_angles_of_nested_square_rings(step):
    # Counted instead of calculated: of random directions, how many lie in each ring. Seen along the axis, a
    # direction's ring is the greater of its two dihedral angles.
    rng = np.random.default_rng(20)
    v = rng.normal(size=(400_000, 3))
    dihedral = np.rad2deg(np.maximum(np.arctan2(np.abs(v[:, 1]), v[:, 0]), np.arctan2(np.abs(v[:, 2]), v[:, 0])))
    # Behind, the smaller distance from the rear axis decides, so a ring there is the mirror of one in front.
    behind = v[:, 0] < 0
    rear = np.rad2deg(np.maximum(np.arctan2(np.abs(v[:, 1]), -v[:, 0]), np.arctan2(np.abs(v[:, 2]), -v[:, 0])))
    ring = np.where(behind, 180 - rear, dihedral)
    counted = np.bincount(np.round(ring / step).astype(int), minlength=round(180 / step) + 1) / len(v)
    angles, weight, _ = two_orbit_weights(step)
    upper = angles >= 0
    spread = np.sqrt(4 * weight[upper] / len(v))
    assert (np.abs(counted - 4 * weight[upper]) < 5 * spread).all()


@pytest.mark.parametrize("step", [0, -10, 7, 20, 40, 180, float("nan")])
def test_other_steps_are_refused(step):
    with pytest.raises(ValueError, match="must divide 90"):
        two_orbit_weights(step)


# Power re on axis in dB: exact on the sphere; by the weights with each pole once, and once per orbit; by zonal rings.
# Closed forms of the patterns, summed independently of this project.
POWERS = {
    "omni": (physics.omni, 0, 0, 0, 0),
    "half space": (physics.half_space, -3.0103, -3.0103, -3.0103, -3.0103),
    "cardioid": (physics.cardioid, -4.7712, -4.6796, -4.6772, -4.7685),
    "dipole": (physics.dipole, -4.7712, -4.4159, -4.4066, -4.7603),
    "supercardioid": (physics.first_order(0.366), -5.7196, -5.5383, -5.5335, -5.7141),
    "hypercardioid": (physics.hypercardioid, -6.0206, -5.7514, -5.7443, -6.0124),
    "piston ka 1": (physics.piston(1), -3.7338, -3.7015, None, None),
    "piston ka 2": (physics.piston(2), -5.8795, -5.7327, None, None),
    "piston ka 3": (physics.piston(3), -9.1593, -8.7780, None, None),
    "piston ka 5": (physics.piston(5), -14.0173, -13.4018, None, None),
}


@pytest.mark.parametrize("name", POWERS)
def test_power_of_sources_with_a_closed_form(name):
    pattern, exact, once, twice, rings = POWERS[name]
    assert 10 * np.log10(physics.sphere_mean(pattern)) == pytest.approx(exact, abs=1e-4)
    assert two_orbit_power(pattern, computed) == pytest.approx(once, abs=1e-4)
    if twice is not None:
        assert two_orbit_power(pattern, computed, pole_times=2) == pytest.approx(twice, abs=1e-4)
        assert two_orbit_power(pattern, zonal) == pytest.approx(rings, abs=1e-4)


def test_undivided_weights_would_bias_an_omnidirectional_source():
    _, weight, pole = two_orbit_weights(10)
    assert 10 * np.log10(2 * weight[~pole].sum() + weight[pole].sum()) == pytest.approx(-0.0158, abs=1e-4)
    assert 10 * np.log10(2 * weight.sum()) == pytest.approx(-0.0105, abs=1e-4)


@given(st.integers(1, 60))
def test_weights_are_positive_and_alike_on_all_sides(count):
    angles, weight, _ = two_orbit_weights(90 / count)
    assert (weight > 0).all()
    by_angle = dict(zip(np.round(angles, 6), weight, strict=True))
    for angle, value in by_angle.items():
        if angle not in (0, 180):
            assert by_angle[-angle] == pytest.approx(value, rel=1e-12)
        assert by_angle[np.round(180 - abs(angle), 6)] == pytest.approx(value, rel=1e-9)
