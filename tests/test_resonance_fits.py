"""Fits of a resonance with and without a phase: known shapes are recovered."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.curve.resonance_fits import fit_resonance, fit_section
from anechain.acoustics.curve.resonance_shape import peaking_section, resonance_level
from filters import FREQUENCY, biquad, decibels

OCTAVES = np.linspace(-1, 1, 97)


@pytest.mark.parametrize("window", [0.0, 1 / 20])
def test_what_was_put_in_comes_out(window):
    level = resonance_level(OCTAVES - 0.03, 0.2, -0.3, 12.0, window) + 84 - 2 * OCTAVES
    found = fit_resonance(OCTAVES, level, peaking_section(2.0, 8.0), 0.1, window)
    assert (found.centre_log2, found.real, found.imaginary) == pytest.approx((0.03, 0.2, -0.3), abs=1e-4)
    assert found.q == pytest.approx(12, rel=1e-3) and found.residual_db < 1e-4
    one = peaking_section(-4.0, 7.0, 0.03)
    level = resonance_level(OCTAVES - one.centre_log2, one.real, 0.0, one.q, window) + 3 * OCTAVES
    plain = fit_section(OCTAVES, level, peaking_section(-2.0, 3.0), 0.1, window)
    assert plain.q / np.sqrt(1 + plain.real) == pytest.approx(7, rel=1e-3)
    assert plain.centre_log2 == pytest.approx(0.03, abs=1e-4) and plain.imaginary == 0


def test_too_few_points_fit_nothing():
    assert fit_resonance(OCTAVES[:5], OCTAVES[:5], peaking_section(2.0, 8.0), 0.1) is None
    assert fit_section(OCTAVES[:5], OCTAVES[:5], peaking_section(2.0, 8.0), 0.1) is None


@given(st.floats(0.8, 12), st.one_of(st.floats(1, 8), st.floats(-8, -1)), st.floats(-3, 3))
def test_a_section_is_recovered_from_a_distant_guess(q, gain, slope):
    octaves = np.log2(FREQUENCY)
    level = 80 + slope * octaves + decibels(biquad(600.0, q, gain))
    near = np.abs(octaves - np.log2(600)) < 1.5
    start = peaking_section(0.7 * gain, 1.4 * q, float(np.log2(620.0)))
    found = fit_section(octaves[near], level[near], start, 0.3)
    assert 2**found.centre_log2 == pytest.approx(600.0, rel=1e-3)
    a = np.sqrt(1 + found.real)
    assert (found.q / a, 40 * np.log10(a)) == (pytest.approx(q, rel=0.01), pytest.approx(gain, rel=0.01))
