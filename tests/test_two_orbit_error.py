"""How far the sound power of two orbits is from the mean over the sphere, for sources whose field is a series."""

import numpy as np
import pytest

import physics
from anechain.acoustics.directivity.curves import curve_set
from anechain.acoustics.directivity.directions import unit_vectors

SPEED = 343.2
ANGLES = physics.orbit_angles()


def two_orbit_level(horizontal, vertical):
    level = np.stack([physics.level(horizontal), physics.level(vertical)])[..., np.newaxis]
    return float(curve_set(level, ("horizontal", "vertical"), ANGLES).levels["sound_power"][0])


def piston_error(kr, half_angle):
    """Against the sum of |c_n|^2 / (2n + 1) of the same series (Morse and Ingard; recalled)."""
    pressure = physics.cap(kr, half_angle, 75)(ANGLES)
    return two_orbit_level(pressure, pressure) + physics.cap_index(kr, half_angle, 75)


@pytest.mark.parametrize(
    ("frequency", "expected"), [(1000, 0.08), (2000, 0.26), (4000, 0.59), (8000, 0.51), (16000, 0.24)]
)
def test_a_piston_of_13_cm_on_a_sphere_of_30_cm(frequency, expected):
    """The values that docs/reference/assumptions.md states."""
    assert piston_error(2 * np.pi * frequency * 0.15 / SPEED, 25.7) == pytest.approx(expected, abs=0.01)


def test_the_limits_that_the_methods_state():
    half_angles, sizes = (10.0, 20.0, 30.0, 40.0), np.geomspace(0.5, 30, 25)
    errors = np.array([[piston_error(kr, half_angle) for kr in sizes] for half_angle in half_angles])
    ka = np.outer(np.sin(np.deg2rad(half_angles)), sizes)
    assert 0.58 < errors.max() < 0.66 and errors.min() > 0
    assert errors[ka < 1.7].max() < 0.17


def linkwitz_riley(frequency, corner):
    s = 1j * frequency / corner
    denominator = (1 + np.sqrt(2) * s + s**2) ** 2
    return 1 / denominator, s**4 / denominator


def two_way_error(frequency, corner=2200.0):
    """A woofer 20 degrees below the front of a sphere of 30 cm, a tweeter 25 degrees above, each flat on its axis."""
    kr = 2 * np.pi * frequency * 0.15 / SPEED
    drivers = [
        (gain, physics.cap(kr, half_angle, 60), unit_vectors([0.0], [elevation])[0])
        for gain, half_angle, elevation in zip(
            linkwitz_riley(frequency, corner), (25.7, 4.8), (-20.0, 25.0), strict=True
        )
    ]

    def pressure(vectors):
        return sum(gain * cap(np.rad2deg(np.arccos(np.clip(vectors @ axis, -1.0, 1.0)))) for gain, cap, axis in drivers)

    behind = np.abs(ANGLES) > 90
    vertical = unit_vectors(np.where(behind, 180.0, 0.0), np.where(behind, np.sign(ANGLES) * 180 - ANGLES, ANGLES))
    estimate = two_orbit_level(pressure(unit_vectors(ANGLES, 0 * ANGLES)), pressure(vertical))
    sphere = physics.sphere_mean_of_vectors(lambda vectors: np.abs(pressure(vectors)) ** 2, 40)
    return estimate - 10 * np.log10(float(sphere))


def test_a_two_way_loudspeaker_is_furthest_off_near_its_crossover():
    """The vertical orbit has the lobes and nulls of the crossover, the directions between the orbits do not."""
    by_frequency = {hz: two_way_error(hz) for hz in (250, 500, 1500, 1800, 2000, 2200, 2500, 3000, 6300)}
    near = [abs(by_frequency[hz]) for hz in (1500, 1800, 2000, 2200, 2500, 3000)]
    assert 1.2 < max(near) < 1.4 and by_frequency[2000] == pytest.approx(1.30, abs=0.01)
    assert abs(by_frequency[250]) < 0.1 and abs(by_frequency[6300]) < 0.15
