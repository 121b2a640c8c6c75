"""Echoes of the same delay in all directions, and interference that is none."""

import numpy as np
import pytest

from anechain.acoustics.directivity.echoes import find_echoes, without_echoes
from deviation_sources import ANGLES, GRID, PLANES, SPEED, source
from filters import biquad


def levels_of(factor):
    return source(factor)[1]


def comb(gain, path):
    return 1 + gain * np.exp(-2j * np.pi * GRID * path / SPEED)


@pytest.mark.parametrize(("path", "gain"), [(0.2, 0.15), (0.3, 0.1), (0.5, -0.05), (1.2, 0.3)])
def test_delay_path_and_level(path, gain):
    (echo,) = find_echoes(GRID, levels_of(lambda plane, angle: comb(gain, path)), PLANES, ANGLES)
    assert echo.delay_s == pytest.approx(path / SPEED, rel=0.01)
    assert echo.spacing_hz == pytest.approx(SPEED / path, rel=0.01)
    assert echo.level_db == pytest.approx(20 * np.log10(abs(gain)), abs=1.0)
    assert echo.alike and echo.share_by_plane == {"horizontal": (13, 13), "vertical": (13, 13)}


def test_two_echoes():
    found = find_echoes(GRID, levels_of(lambda plane, angle: comb(0.2, 0.35) * comb(0.1, 0.8)), PLANES, ANGLES)
    assert [echo.path_m for echo in found] == pytest.approx([0.35, 0.8], rel=0.02)


def test_a_strength_that_changes_with_the_angle():
    """A floor at rest is lit by the lower side: the delay stays, the strength does not."""
    (echo,) = find_echoes(GRID, levels_of(lambda plane, angle: comb(0.1 + 0.1 * np.sin(angle), 0.6)), PLANES, ANGLES)
    assert echo.path_m == pytest.approx(0.6, rel=0.02) and not echo.alike


@pytest.mark.parametrize("plane", PLANES)
def test_an_edge_of_the_loudspeaker_is_no_echo_of_the_set_up(plane):
    """Its path is d (1 - sin) over the orbit that it lies on, the same over the other one."""
    found = find_echoes(
        GRID, levels_of(lambda which, angle: comb(-0.3, 0.2 * (1 - np.sin(angle) * (which == plane)))), PLANES, ANGLES
    )
    assert found == ()


def test_resonances_are_no_echo():
    many = np.prod([biquad(f, 8, 2, GRID) for f in (300, 700, 1300, 2900, 6100)], axis=0)
    assert find_echoes(GRID, levels_of(lambda plane, angle: many), PLANES, ANGLES) == ()


def test_the_ripple_is_subtracted_and_a_resonance_stays():
    """Above 1 kHz; below, where the ripple has about one period, it is not well known beside a high resonance."""
    with_it = levels_of(lambda plane, angle: biquad(1200, 6, 4, GRID) * comb(0.15, 0.4))
    without = levels_of(lambda plane, angle: biquad(1200, 6, 4, GRID))
    echoes = find_echoes(GRID, with_it, PLANES, ANGLES)
    left = without_echoes(GRID, with_it, echoes)
    band = (GRID > 1000) & (GRID < 15000)
    assert np.abs(with_it - without)[..., band].max() > 1.2
    assert np.abs(left - without)[..., band].max() < 0.5
    at_centre = np.argmin(np.abs(GRID - 1200))
    assert np.abs(left - without)[..., at_centre].max() < 0.4


def test_one_orbit_is_not_enough():
    levels = levels_of(lambda plane, angle: comb(0.1, 0.3))
    assert find_echoes(GRID, levels[:1], PLANES[:1], ANGLES) == ()
    with pytest.raises(ValueError, match="2 planes and 3 angles"):
        find_echoes(GRID, levels, PLANES, ANGLES[:3])
