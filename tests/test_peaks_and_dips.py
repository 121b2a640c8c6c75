"""Peaks and dips of single curves: sections and steps in closed form, recovered."""

import numpy as np
import pytest

from anechain.acoustics.peaks_and_dips import find_peaks_and_dips
from filters import FREQUENCY, biquad, decibels


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
    found, _ = find_peaks_and_dips(FREQUENCY, level, least_height_db=1.0)
    assert [round(one.centre_hz) for one in found] == [500]
    smaller, _ = find_peaks_and_dips(FREQUENCY, level, least_height_db=0.5)
    assert [round(one.centre_hz) for one in smaller] == [500, 4000]


def test_a_straight_line_has_neither():
    assert find_peaks_and_dips(FREQUENCY, -1.2 * np.log2(FREQUENCY)) == ((), "")


def test_coarse_data_are_not_searched():
    thirds = 100 * 2 ** (np.arange(23) / 3)
    found, reason = find_peaks_and_dips(thirds, np.zeros(23), high_hz=16000.0)
    assert found == () and "1/12 octave or finer" in reason
    with pytest.raises(ValueError, match="least height"):
        find_peaks_and_dips(FREQUENCY, np.zeros(FREQUENCY.size), least_height_db=0.0)
