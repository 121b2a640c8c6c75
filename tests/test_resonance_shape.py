"""The shape of a resonance in a level curve, in closed form and against the audio equaliser note."""

import numpy as np
import pytest
from scipy.integrate import quad

from anechain.acoustics.curve.resonance_shape import (
    bandwidth_of_q,
    level_profile,
    peaking_section,
    q_of_bandwidth,
    resonance_level,
)
from filters import FREQUENCY, biquad, decibels

LOG2 = np.log2(FREQUENCY)


def section_level(octaves, gain, q):
    section = peaking_section(gain, q)
    return resonance_level(octaves, section.real, section.imaginary, section.q)


@pytest.mark.parametrize(
    ("q", "octaves"),
    [(0.5, 2.543107), (0.70711, 1.899969), (1, 1.388484), (2, 0.714037), (4, 0.359741), (6, 0.240172), (10, 0.144209)],
)
def test_q_and_bandwidth(q, octaves):
    """W3C note "Audio EQ Cookbook", 1/Q = 2 sinh(ln 2 / 2 BW) in the analogue form; values computed."""
    assert bandwidth_of_q(q) == pytest.approx(octaves, abs=1e-5)
    assert q_of_bandwidth(octaves) == pytest.approx(q, rel=1e-5)


@pytest.mark.parametrize(("q", "gain"), [(0.7, 3.0), (2.0, -6.0), (10.0, 4.0)])
def test_the_shape_is_that_of_the_digital_section_far_below_half_the_rate(q, gain):
    near = np.abs(LOG2 - np.log2(500)) < 3
    expected = decibels(biquad(500.0, q, gain))
    np.testing.assert_allclose(section_level(LOG2 - np.log2(500), gain, q)[near], expected[near], atol=0.005)


def test_it_is_a_resonance_added_to_a_flat_response():
    """1 + (A² - 1) times a band-pass whose poles have the Q of A Q: the same level (algebra)."""
    gain, q = 4.0, 3.0
    a = 10 ** (gain / 40)
    s = 1j * FREQUENCY / 1000.0
    added = 1 + (a**2 - 1) * (s / (a * q)) / (s**2 + s / (a * q) + 1)
    np.testing.assert_allclose(section_level(np.log2(FREQUENCY / 1000), gain, q), decibels(added), atol=1e-9)


def test_half_of_the_decibels_lie_half_a_bandwidth_away():
    half = float(bandwidth_of_q(2.5)) / 2
    np.testing.assert_allclose(section_level([-half, 0.0, half], 7.0, 2.5), [3.5, 7.0, 3.5], atol=1e-9)


OCTAVES = np.linspace(-1, 1, 97)


def whole(strength, phase, q, octaves):
    """|1 + r s / (Q (s² + s / Q + 1))|, the band-pass written as a filter of s = j f / f0."""
    s = 1j * 2.0 ** np.asarray(octaves)
    return 1 + strength * np.exp(1j * np.deg2rad(phase)) * (s / q) / (s**2 + s / q + 1)


@pytest.mark.parametrize("phase", [0, 50, 90, 180, -120])
@pytest.mark.parametrize("q", [0.6, 4, 18])
def test_the_level_is_that_of_the_filter(phase, q):
    r = 0.4 * np.exp(1j * np.deg2rad(phase))
    found = resonance_level(OCTAVES, r.real, r.imag, q)
    np.testing.assert_allclose(found, decibels(whole(0.4, phase, q, OCTAVES)), atol=1e-9)


@pytest.mark.parametrize("phase", [0, 70, -140])
@pytest.mark.parametrize("q", [2, 18, 60])
def test_smoothed_it_is_the_mean_of_squared_pressure(phase, q):
    """Integrated numerically (QUADPACK) over a window of 1/20 octave."""
    r = 0.4 * np.exp(1j * np.deg2rad(phase))
    for place in (-0.11, -0.02, 0.0, 0.015, 0.3):
        mean = quad(lambda x: abs(whole(0.4, phase, q, x)) ** 2, place - 1 / 40, place + 1 / 40, epsabs=1e-12)[0] * 20
        assert resonance_level(place, r.real, r.imag, q, 1 / 20) == pytest.approx(10 * np.log10(mean), abs=1e-8)


@pytest.mark.parametrize(("height", "q"), [(3, 5), (-6, 2), (12, 0.8)])
def test_in_phase_it_is_the_peaking_section(height, q):
    """W3C note "Audio EQ Cookbook", analogue prototype."""
    one, s, a = peaking_section(height, q), 1j * 2.0**OCTAVES, 10 ** (height / 40)
    filtered = (s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1)
    np.testing.assert_allclose(resonance_level(OCTAVES, one.real, one.imaginary, one.q), decibels(filtered), atol=1e-9)
    seen = level_profile(one, 0.0)
    assert seen.height_db == pytest.approx(height) and seen.shift_octaves == pytest.approx(0, abs=1e-9)
    assert seen.width_octaves == pytest.approx(float(bandwidth_of_q(q)), rel=0.02)


def test_a_quarter_of_a_turn_makes_a_peak_and_a_dip_alike():
    """|1 + j a / (1 + j w)|² = 1 + (a² + 2 a w) / (1 + w²): for a small a it is odd, at most 1 ± a, where w is ± 1."""
    a, q = 0.01, 10.0
    level = resonance_level([np.log2(1 + 0.5 / q), np.log2(1 - 0.5 / q)], 0.0, a, q)
    assert level == pytest.approx([10 * np.log10(1 + a), 10 * np.log10(1 - a)], rel=0.02)
