"""The whole sphere: closed forms, quadrature by another way, a real loudspeaker."""

import numpy as np
import pytest
from scipy.integrate import lebedev_rule

import physics
import real_loudspeaker
from anechain.acoustics.directivity.curves import curve_set
from anechain.acoustics.directivity.directions import orbit_vectors, unit_vectors
from anechain.acoustics.directivity.sphere import solid_angle_weights, sphere_mean_level
from anechain.acoustics.directivity.spherical_harmonics import highest_order, sphere_by_harmonics


def grid(step):
    """Every `step` degrees of azimuth and elevation, each pole once."""
    azimuth, elevation = np.meshgrid(np.arange(0.0, 360.0, step), np.arange(-90.0 + step, 90.0, step))
    vectors = unit_vectors(azimuth.ravel(), elevation.ravel())
    return np.vstack([vectors, [[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]]])


TEN = grid(10.0)


def off_axis(vectors):
    return np.rad2deg(np.arccos(np.clip(vectors[:, 0], -1, 1)))


@pytest.mark.parametrize(
    ("pattern", "index"),
    [
        (physics.omni, 0.0),
        (physics.subcardioid, 2.8400),
        (physics.cardioid, 4.7712),
        (physics.supercardioid, 5.7195),
        (physics.hypercardioid, 6.0206),
        (physics.dipole, 4.7712),
    ],
)
def test_first_order_patterns(pattern, index):
    """Q = 1 / (A² + B²/3): squared pressures of order 2, held exactly."""
    level = np.maximum(physics.level(pattern(off_axis(TEN))), -200.0)[:, np.newaxis]
    found = sphere_by_harmonics(TEN, level, on_axis_level=[0.0])
    assert found.index_db[0] == pytest.approx(index, abs=5e-5)
    assert found.misfit_db[0] < -100 and found.reason == ""


@pytest.mark.parametrize("kr", [0.5, 1, 2, 5])
def test_a_cap_on_a_rigid_sphere(kr):
    """Series of the cap (Morse and Ingard; recalled), Parseval: 0.7694, 2.6059, 3.7276, 7.8383 dB."""
    level = physics.level(physics.cap(kr)(off_axis(TEN)))[:, np.newaxis]
    found = sphere_by_harmonics(TEN, level, on_axis_level=[0.0])
    assert found.index_db[0] == pytest.approx(physics.cap_index(kr), abs=0.002)


def test_the_error_of_the_two_orbits_is_stated():
    """A cardioid: -4.6796 dB by the two orbits' weights, -4.7712 truly: 0.0916 dB (computed)."""
    level, planes, angles = physics.on_orbits(physics.cardioid)
    power = curve_set(np.maximum(level, -200), planes, angles).levels["sound_power"]
    sphere = np.maximum(physics.level(physics.cardioid(off_axis(TEN))), -200.0)[:, np.newaxis]
    found = sphere_by_harmonics(TEN, sphere, two_orbit_power_level=power)
    assert found.two_orbit_error_db[0] == pytest.approx(4.7712 - 4.6796, abs=1e-4)
    assert found.index_db is None


def test_two_sources_against_a_rule_of_another_library():
    """Two sources a wavelength apart and askew, one 3 dB down and late: scipy's Lebedev rule of order 41.

    Its mean over the sphere has a closed form too: |a|² + |b|² + 2 Re(a b*) sin(kd)/(kd).
    """
    between = 2 * np.pi * np.array([0.5, 0.6, np.sqrt(1 - 0.25 - 0.36)])
    other = np.sqrt(0.5) * np.exp(0.8j)

    def power(vectors):
        return np.abs(1 + other * np.exp(1j * vectors @ between)) ** 2

    points, weight = lebedev_rule(41)
    rule = 10 * np.log10((weight * power(points.T)).sum() / (4 * np.pi))
    closed = 1 + 0.5 + 2 * np.real(other) * np.sinc(np.linalg.norm(between) / np.pi)
    assert rule == pytest.approx(10 * np.log10(closed), abs=1e-9)
    fitted = sphere_by_harmonics(TEN, 10 * np.log10(power(TEN))[:, np.newaxis], on_axis_level=[0.0])
    assert fitted.power_db[0] == pytest.approx(rule, abs=1e-4)
    assert fitted.index_db[0] == pytest.approx(-rule, abs=1e-4)
    by_cells = sphere_mean_level(10 * np.log10(power(TEN))[:, np.newaxis], solid_angle_weights(TEN))
    assert by_cells[0] == pytest.approx(rule, abs=0.02)
    # Taken at the rule's own points, as a laboratory with such a frame would.
    at_points = sphere_by_harmonics(points.T, 10 * np.log10(power(points.T))[:, np.newaxis], weight=weight)
    assert at_points.power_db[0] == pytest.approx(rule, abs=1e-6)


def test_uneven_patterns_against_quadrature_and_solid_angles():
    """A field with no symmetry: Gauss-Legendre quadrature, and the areas of Voronoi cells, are other ways to it."""

    def power(v):
        return (1.2 + 0.6 * v[..., 0] - 0.3 * v[..., 1] + 0.5 * v[..., 0] * v[..., 2] + 0.2 * v[..., 1] ** 2) ** 2

    level = 10 * np.log10(power(TEN))[:, np.newaxis]
    found = sphere_by_harmonics(TEN, level)
    assert found.power_db[0] == pytest.approx(10 * np.log10(physics.sphere_mean_of_vectors(power)), abs=1e-6)
    assert found.power_db[0] == pytest.approx(sphere_mean_level(level, solid_angle_weights(TEN))[0], abs=0.02)


def test_orders_follow_from_the_directions():
    order, condition = highest_order(TEN)
    assert order == 16 and 1 <= condition <= 100  # the most that is tried
    few = grid(45.0)
    assert (highest_order(few)[0] + 1) ** 2 <= len(few)
    half = TEN[TEN[:, 0] > -0.01]
    assert highest_order(half)[0] < 6  # half a sphere says little of the other half


def test_weights_keep_what_is_finer_than_the_order_out_of_the_mean():
    """Unweighted, a grid that crowds at the poles counts them too much once the field is finer than the order."""
    level = physics.level(physics.piston(6)(off_axis(TEN[:, ::-1])) + 1e-4)[:, np.newaxis]  # beams at a pole
    exact = 10 * np.log10(physics.sphere_mean(lambda theta: physics.piston(6)(theta) + 1e-4))
    equal, weighted = (
        sphere_by_harmonics(TEN, level, 4, weight=w).power_db[0] for w in (None, solid_angle_weights(TEN))
    )
    assert abs(weighted - exact) < 0.05 < abs(equal - exact)


def test_too_few_directions_are_refused():
    orbit = orbit_vectors("horizontal", physics.orbit_angles())
    found = sphere_by_harmonics(orbit, np.zeros((36, 1)))
    assert found.power_db is None and "too few or too uneven for spherical harmonics" in found.reason
    assert sphere_by_harmonics(TEN[:10], np.zeros((10, 1)), order=5).power_db is None
    with pytest.raises(ValueError, match="not negative"):
        sphere_by_harmonics(TEN, np.zeros((len(TEN), 1)), order=-1)
    with pytest.raises(ValueError, match="for levels of shape"):
        sphere_by_harmonics(TEN, np.zeros(len(TEN)))


def test_a_missing_value_leaves_its_frequency_open():
    level = np.zeros((len(TEN), 3))
    level[5, 1] = np.nan
    found = sphere_by_harmonics(TEN, level, order=4)
    np.testing.assert_allclose(found.power_db, [0.0, np.nan, 0.0], atol=1e-9)


def test_a_real_loudspeaker():
    """Index by Parseval of the published coefficients (computed with scipy alone) against the fit of a grid."""
    speaker = real_loudspeaker.load()
    vectors = grid(5.0)
    known = ~np.isnan(speaker.curves["on_axis"])
    level = speaker.levels(vectors)[:, known]
    axis, power = (speaker.curves[name][known] for name in ("on_axis", "sound_power"))
    found = sphere_by_harmonics(vectors, level, None, axis, power, solid_angle_weights(vectors))
    listed = np.array([speaker.listed_index[f] for f in speaker.frequency[known].tolist()])
    assert len(listed) == 30
    np.testing.assert_allclose(found.index_db, listed, atol=0.01)
    np.testing.assert_allclose(found.two_orbit_error_db, speaker.curves["two_orbit_minus_true_power"][known], atol=0.01)
