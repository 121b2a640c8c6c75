"""A resonance added to other sound: its level in closed form, smoothed and not, and what is seen of it."""

import numpy as np
import pytest
from scipy.integrate import quad

from anechain.acoustics.curve.added_resonance import added_level, fit_added, fit_section, profile, section
from anechain.acoustics.curve.resonance_shape import bandwidth_of_q
from filters import decibels

OCTAVES = np.linspace(-1, 1, 97)


def whole(strength, phase, q, octaves):
    """|1 + r s / (Q (s² + s / Q + 1))|, the band-pass written as a filter of s = j f / f0."""
    s = 1j * 2.0 ** np.asarray(octaves)
    return 1 + strength * np.exp(1j * np.deg2rad(phase)) * (s / q) / (s**2 + s / q + 1)


@pytest.mark.parametrize("phase", [0, 50, 90, 180, -120])
@pytest.mark.parametrize("q", [0.6, 4, 18])
def test_the_level_is_that_of_the_filter(phase, q):
    r = 0.4 * np.exp(1j * np.deg2rad(phase))
    found = added_level(OCTAVES, r.real, r.imag, q)
    np.testing.assert_allclose(found, decibels(whole(0.4, phase, q, OCTAVES)), atol=1e-9)


@pytest.mark.parametrize("phase", [0, 70, -140])
@pytest.mark.parametrize("q", [2, 18, 60])
def test_smoothed_it_is_the_mean_of_squared_pressure(phase, q):
    """Integrated numerically (QUADPACK) over a window of 1/20 octave."""
    r = 0.4 * np.exp(1j * np.deg2rad(phase))
    for place in (-0.11, -0.02, 0.0, 0.015, 0.3):
        mean = quad(lambda x: abs(whole(0.4, phase, q, x)) ** 2, place - 1 / 40, place + 1 / 40, epsabs=1e-12)[0] * 20
        assert added_level(place, r.real, r.imag, q, 1 / 20) == pytest.approx(10 * np.log10(mean), abs=1e-8)


@pytest.mark.parametrize(("height", "q"), [(3, 5), (-6, 2), (12, 0.8)])
def test_in_phase_it_is_the_peaking_section(height, q):
    """W3C note "Audio EQ Cookbook", analogue prototype."""
    one, s, a = section(height, q), 1j * 2.0**OCTAVES, 10 ** (height / 40)
    filtered = (s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1)
    np.testing.assert_allclose(added_level(OCTAVES, one.real, one.imaginary, one.q), decibels(filtered), atol=1e-9)
    seen = profile(one, 0.0)
    assert seen.height_db == pytest.approx(height) and seen.shift == pytest.approx(0, abs=1e-9)
    assert seen.width_octaves == pytest.approx(float(bandwidth_of_q(q)), rel=0.02)


def test_a_quarter_of_a_turn_makes_a_peak_and_a_dip_alike():
    """|1 + j a / (1 + j w)|² = 1 + (a² + 2 a w) / (1 + w²): for a small a it is odd, at most 1 ± a, where w is ± 1."""
    a, q = 0.01, 10.0
    level = added_level([np.log2(1 + 0.5 / q), np.log2(1 - 0.5 / q)], 0.0, a, q)
    assert level == pytest.approx([10 * np.log10(1 + a), 10 * np.log10(1 - a)], rel=0.02)


@pytest.mark.parametrize("window", [0.0, 1 / 20])
def test_what_was_put_in_comes_out(window):
    level = added_level(OCTAVES - 0.03, 0.2, -0.3, 12.0, window) + 84 - 2 * OCTAVES
    found = fit_added(OCTAVES, level, section(2.0, 8.0), 0.1, window)
    assert (found.place, found.real, found.imaginary) == pytest.approx((0.03, 0.2, -0.3), abs=1e-4)
    assert found.q == pytest.approx(12, rel=1e-3) and found.residual_db < 1e-4
    one = section(-4.0, 7.0, 0.03)
    level = added_level(OCTAVES - one.place, one.real, 0.0, one.q, window) + 3 * OCTAVES
    plain = fit_section(OCTAVES, level, section(-2.0, 3.0), 0.1, window)
    assert plain.q / np.sqrt(1 + plain.real) == pytest.approx(7, rel=1e-3)
    assert plain.place == pytest.approx(0.03, abs=1e-4) and plain.imaginary == 0


def test_too_few_points_fit_nothing():
    assert fit_added(OCTAVES[:5], OCTAVES[:5], section(2.0, 8.0), 0.1) is None
    assert fit_section(OCTAVES[:5], OCTAVES[:5], section(2.0, 8.0), 0.1) is None
