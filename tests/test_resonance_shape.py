"""The shape of a resonance against the audio equaliser note, and its audibility."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.curve.resonance_shape import (
    audibility_threshold,
    bandwidth_of_q,
    fit_resonance,
    q_of_bandwidth,
    resonance_level,
)
from filters import FREQUENCY, biquad, decibels

OCTAVES = np.log2(FREQUENCY)


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
    near = np.abs(OCTAVES - np.log2(500)) < 3
    expected = decibels(biquad(500.0, q, gain))
    np.testing.assert_allclose(resonance_level(OCTAVES - np.log2(500), gain, q)[near], expected[near], atol=0.005)


def test_it_is_a_resonance_added_to_a_flat_response():
    """1 + (A² - 1) times a band-pass whose poles have the Q of A Q: the same level (algebra)."""
    gain, q = 4.0, 3.0
    a = 10 ** (gain / 40)
    s = 1j * FREQUENCY / 1000.0
    added = 1 + (a**2 - 1) * (s / (a * q)) / (s**2 + s / (a * q) + 1)
    np.testing.assert_allclose(resonance_level(np.log2(FREQUENCY / 1000), gain, q), decibels(added), atol=1e-9)


def test_half_of_the_decibels_lie_half_a_bandwidth_away():
    half = float(bandwidth_of_q(2.5)) / 2
    np.testing.assert_allclose(resonance_level([-half, 0.0, half], 7.0, 2.5), [3.5, 7.0, 3.5], atol=1e-9)


@given(st.floats(0.8, 12), st.one_of(st.floats(1, 8), st.floats(-8, -1)), st.floats(-3, 3))
def test_a_fit_finds_what_was_put_in(q, gain, slope):
    level = 80 + slope * OCTAVES + decibels(biquad(600.0, q, gain))
    near = np.abs(OCTAVES - np.log2(600)) < 1.5
    found = fit_resonance(OCTAVES[near], level[near], np.log2(620.0), 0.7 * gain, 1.4 * q, 0.3)
    assert found.centre_hz == pytest.approx(600.0, rel=1e-3)
    assert (found.q, found.height_db) == (pytest.approx(q, rel=0.01), pytest.approx(gain, rel=0.01))
    assert fit_resonance(OCTAVES[:5], level[:5], 5.0, 1.0, 1.0, 0.1) is None


def test_three_decibels_of_added_level_for_each_doubling_of_q():
    """Toole and Olive 1988, recalled: the rule, applied to the level of the added resonance."""
    added = 20 * np.log10(10 ** (audibility_threshold([1.0, 2.0, 4.0]) / 20) - 1)
    np.testing.assert_allclose(added, [-22.0, -19.0, -16.0], atol=1e-9)
    assert audibility_threshold(1.0, level_at_q_1_db=0.0) == pytest.approx(6.0206, abs=1e-4)  # two equal ones in phase
    with pytest.raises(ValueError, match="Q must be above zero"):
        audibility_threshold(0.0)
