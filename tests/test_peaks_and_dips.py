"""Peaks and dips of single curves: sections and steps in closed form, recovered."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anechain.acoustics.curve.peak_shapes import height_gradient, shape_level
from anechain.acoustics.curve.peaks_and_dips import find_peaks_and_dips
from anechain.acoustics.curve.smoothing import smooth
from filters import FREQUENCY, biquad, decibels

ONE_RESONANCE, RESONANCE_WITH_PHASE = "one resonance", "one resonance added with a phase"


@pytest.mark.parametrize(
    ("centre", "q", "gain"), [(1000, 1, 3), (1000, 5, 3), (400, 10, -4), (3000, 15, 2), (700, 0.7, 2.5), (250, 2, -6)]
)
@pytest.mark.parametrize("slope", [0.0, -1.0])
def test_a_section_of_known_centre_and_q_is_recovered(centre, q, gain, slope):
    """Within 1 % of the centre and 5 % of the Q, from 1/48-octave data; section of the W3C Audio EQ Cookbook note."""
    level = 88 + slope * np.log2(FREQUENCY / 1000) + decibels(biquad(centre, q, gain))
    (one,), reason = find_peaks_and_dips(FREQUENCY, level)
    assert reason == "" and one.shape == "one resonance"
    assert one.centre_hz == pytest.approx(centre, rel=0.01)
    assert one.q == pytest.approx(q, rel=0.05)
    assert one.height_db == pytest.approx(gain, abs=0.1)
    assert one.pole_q == pytest.approx(q * 10 ** (abs(gain) / 40), rel=0.05)


@pytest.mark.parametrize("rise", [3.0, -4.0])
def test_a_narrow_resonance_on_the_flank_of_a_step(rise):
    """A step of the balance (second order, as a baffle makes) with a Q of 18 on its flank, where it is no extreme."""
    s = 1j * FREQUENCY / 620
    a = 10 ** (rise / 80)
    step = (a * s**2 + np.sqrt(2 * a) * s + 1 / a) / (s**2 / a + np.sqrt(2 * a) * s + a)
    found, _ = find_peaks_and_dips(FREQUENCY, 85 + decibels(step * biquad(620, 18, 2.5)))
    narrow = min(found, key=lambda one: abs(np.log2(one.centre_hz / 620)))
    assert narrow.centre_hz == pytest.approx(620, rel=0.01)
    assert narrow.q == pytest.approx(18, rel=0.15) and narrow.height_db == pytest.approx(2.5, abs=0.3)


def test_neighbours_are_told_apart():
    sections = [(400, 3, 3), (900, 6, -3), (1400, 4, 2), (3000, 10, 4)]
    product = np.prod([biquad(*section) for section in sections], axis=0)
    found, _ = find_peaks_and_dips(FREQUENCY, decibels(product))
    assert len(found) == 4
    for one, (centre, q, gain) in zip(found, sections, strict=True):
        assert one.centre_hz == pytest.approx(centre, rel=0.01)
        assert one.q == pytest.approx(q, rel=0.1) and one.height_db == pytest.approx(gain, abs=0.25)


def test_what_is_smaller_than_the_size_is_left_out():
    level = decibels(biquad(500, 3, 1.5) * biquad(4000, 3, 0.7))
    found, _ = find_peaks_and_dips(FREQUENCY, level, min_height_db=1.0)
    assert [round(one.centre_hz) for one in found] == [500]
    smaller, _ = find_peaks_and_dips(FREQUENCY, level, min_height_db=0.5)
    assert [round(one.centre_hz) for one in smaller] == [500, 4000]


def test_a_straight_line_has_neither():
    assert find_peaks_and_dips(FREQUENCY, -1.2 * np.log2(FREQUENCY)) == ((), "")


def test_coarse_data_are_not_searched():
    thirds = 100 * 2 ** (np.arange(23) / 3)
    found, reason = find_peaks_and_dips(thirds, np.zeros(23), high_hz=16000.0)
    assert found == () and "1/12 octave or finer" in reason
    with pytest.raises(ValueError, match="minimum height"):
        find_peaks_and_dips(FREQUENCY, np.zeros(FREQUENCY.size), min_height_db=0.0)


def ringing(centre, q, strength, phase):
    """1 and a band-pass added with a phase, s = j f / f0: r (s / Q) / (s² + s / Q + 1)."""
    s = 1j * FREQUENCY / centre
    return 1 + strength * np.exp(1j * np.deg2rad(phase)) * (s / q) / (s**2 + s / q + 1)


@pytest.mark.parametrize("fraction", [None, 20, 12])
@pytest.mark.parametrize("phase", [40, 90, 135, -60, -120])
@pytest.mark.parametrize(("centre", "q"), [(620, 18), (1500, 10), (300, 5)])
def test_an_added_resonance_is_recovered(centre, q, phase, fraction):
    """A panel's sound beside a driver's, a peak beside a dip: within 1 % of the centre, 5 % of the Q, smoothed too."""
    level = 85 - np.log2(FREQUENCY / 1000) + decibels(ringing(centre, q, 0.4, phase))
    if fraction:
        level = smooth(FREQUENCY, level, fraction)
    (one,), _ = find_peaks_and_dips(FREQUENCY, level, smoothing=fraction)
    assert one.shape == RESONANCE_WITH_PHASE
    assert one.centre_hz == pytest.approx(centre, rel=0.01)
    assert one.q == one.pole_q == pytest.approx(q, rel=0.05)
    assert one.phase_deg == pytest.approx(phase, abs=4) and one.strength == pytest.approx(0.4, rel=0.05)
    # What is seen stands in the curve itself: a height, one of the other sign beside it, and where the first is.
    bare = level + np.log2(FREQUENCY / 1000) - 85
    assert abs(one.height_db) == pytest.approx(np.abs(bare).max(), abs=0.12)
    high, low = sorted((one.height_db, one.opposite_db), reverse=True)
    assert (high, low) == pytest.approx((bare.max(), bare.min()), abs=0.12) and high > 0 > low
    near = np.abs(np.log2(FREQUENCY / centre)) < 0.3
    top = FREQUENCY[near][np.argmax(np.sign(one.height_db) * level[near])]
    assert abs(np.log2(one.extreme_hz / top)) < 1.5 / 48


@pytest.mark.parametrize("phase", [0, 180])
def test_without_a_phase_it_is_a_section(phase):
    """In phase 1 + r is the gain of a section, and q 10^(height / 40) the Q of the band-pass; turned over too."""
    (one,), _ = find_peaks_and_dips(FREQUENCY, decibels(ringing(800, 9, 0.35, phase)))
    assert one.shape == ONE_RESONANCE and one.phase_deg == 0 and one.opposite_db == 0
    assert one.height_db == pytest.approx(20 * np.log10(1 + 0.35 * np.cos(np.deg2rad(phase))), abs=0.02)
    assert one.q * 10 ** (one.height_db / 40) == pytest.approx(9, rel=0.02)


@pytest.mark.parametrize(("centre", "q", "gain"), [(1000, 5, 3), (400, 10, -4), (3000, 20, 4), (700, 0.7, 2.5)])
def test_smoothing_is_taken_off_a_section(centre, q, gain):
    level = smooth(FREQUENCY, decibels(biquad(centre, q, gain)), 20)
    (one,), _ = find_peaks_and_dips(FREQUENCY, level, smoothing=20)
    assert one.shape == ONE_RESONANCE and one.centre_hz == pytest.approx(centre, rel=0.01)
    assert one.q == pytest.approx(q, rel=0.05) and one.unsmoothed_height_db == pytest.approx(gain, abs=0.1)
    assert one.height_db == pytest.approx(np.sign(gain) * np.abs(level).max(), abs=0.1)
    if q >= 10:
        (naive,), _ = find_peaks_and_dips(FREQUENCY, level)
        assert naive.q < 0.95 * q


def features(level):
    return [(one.centre_hz, one.height_db, one.q) for one in find_peaks_and_dips(FREQUENCY, level)[0]]


MIXED = decibels(biquad(300, 0.8, 4) * biquad(1500, 4, -3) * biquad(5000, 16, 1.6) * ringing(700, 14, 0.25, 70))


@settings(deadline=None, max_examples=8)
@given(step=st.floats(-60, 60), tilt=st.floats(-4, 4))
def test_neither_level_nor_tilt_changes_what_is_found(step, tilt):
    """A line over log frequency is no peak and hides none."""
    before, after = features(MIXED), features(MIXED + step + tilt * np.log2(FREQUENCY / 1000))
    assert len(before) == len(after) == 4
    np.testing.assert_allclose(after, before, rtol=2e-3)


def test_the_extreme_of_the_curve_is_told_beside_the_centre():
    """A narrow peak on the flank of a dip takes the lowest point away from the dip's centre."""
    level = decibels(biquad(3000, 1.5, -5) * biquad(3700, 7, 2))
    found, _ = find_peaks_and_dips(FREQUENCY, level)
    dip = min(found, key=lambda one: one.height_db)
    assert dip.extreme_hz == pytest.approx(FREQUENCY[np.argmin(level)], rel=1e-6) and dip.extreme_hz < 2970
    assert dip.centre_hz == pytest.approx(3000, rel=0.01)


@pytest.mark.parametrize("shape", [biquad(1000, 5, 3), ringing(1000, 8, 0.3, 80)])
def test_a_height_changes_with_its_own_shape_and_not_with_a_line(shape):
    """Known changes of the curve: a line, and the same shape a tenth higher, against the height found anew."""
    level = decibels(shape)
    (one,), _ = find_peaks_and_dips(FREQUENCY, level)
    gradient = height_gradient(one, FREQUENCY)
    octaves = np.log2(FREQUENCY / 1000)
    assert gradient @ (3 - 2 * octaves) == pytest.approx(0, abs=1e-9)
    higher = level + 0.1 * shape_level(one, np.log2(FREQUENCY / one.centre_hz))
    (after,), _ = find_peaks_and_dips(FREQUENCY, higher)
    assert gradient @ (higher - level) == pytest.approx(after.height_db - one.height_db, rel=0.1)
    assert not height_gradient(one, FREQUENCY[:100]).any()


def test_a_smoothing_is_above_zero():
    with pytest.raises(ValueError, match="window"):
        find_peaks_and_dips(FREQUENCY, np.zeros(FREQUENCY.size), smoothing=0.0)


@pytest.mark.parametrize("q", [3, 5, 8, 12, 20])
@pytest.mark.parametrize("per_octave", [24, 48, 96])
def test_the_smoothing_is_removed_whatever_the_spacing(per_octave, q):
    """Smoothed over 1/20 octave on grids with one to five points per window: centre and Q are those of the section."""
    grid = 1000 * 2 ** ((np.arange(-5 * per_octave, 4.3 * per_octave) + 0.3) / per_octave)
    level = smooth(grid, decibels(biquad(1000, q, 4.0, grid)), 20)
    (found,), _ = find_peaks_and_dips(grid, level, smoothing=20)
    assert found.q == pytest.approx(q, rel=0.02)
    assert found.centre_hz == pytest.approx(1000, rel=0.003)
