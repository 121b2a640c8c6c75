"""Peaks of a harmonic that the fundamental does not have."""

import numpy as np
import pytest

from anechain.acoustics.nonlinear.harmonic_peaks import harmonic_peaks
from anechain.acoustics.nonlinear.noise_rule import NoiseRule
from anechain.acoustics.nonlinear.relative_orders import referred_orders

RULE = NoiseRule(np.array(10.0), np.sqrt(3))


class TestPeaks:
    grid = 1000 * 2.0 ** (np.arange(-120, 97) / 24)

    def bump(self, centre, height, width=0.1):
        return height * np.exp(-((np.log2(self.grid / centre) / width) ** 2))

    def found(self, fundamental, second, **how):
        orders = referred_orders(fundamental, second[np.newaxis], np.full((1, self.grid.size), 10.0), RULE)
        return harmonic_peaks(self.grid, fundamental, orders, (2,), **how)

    def test_a_peak_of_the_harmonic_alone(self):
        [peak] = self.found(np.full(self.grid.size, 90.0), 40 + self.bump(500, 12))
        assert (peak.order, peak.excitation_hz, peak.heard_hz) == (2, pytest.approx(500), pytest.approx(1000))
        assert peak.height_db == pytest.approx(12, abs=0.01) and peak.level_db == pytest.approx(-38, abs=0.01)
        assert len(peak.possible_causes) >= 2

    def test_a_peak_that_the_fundamental_has_too_is_none(self):
        assert self.found(90 + self.bump(500, 8), 40 + self.bump(500, 12)) == ()
        assert len(self.found(90 + self.bump(200, 8), 40 + self.bump(500, 12))) == 1

    def test_a_dip_of_the_fundamental_makes_no_peak(self):
        assert self.found(90 - self.bump(500, 12), np.full(self.grid.size, 40.0)) == ()

    def test_what_radiates_the_harmonic_is_named_first(self):
        """A resonance at 1 kHz lifts the second order of 500 Hz, and the fundamental of 1 kHz."""
        [peak] = self.found(90 + self.bump(1000, 12), 40 + self.bump(500, 12))
        assert "own frequency" in peak.possible_causes[0]

    def test_small_broad_and_hidden_ones_are_left_out(self):
        flat = np.full(self.grid.size, 90.0)
        assert self.found(flat, 40 + self.bump(500, 5)) == ()
        assert len(self.found(flat, 40 + self.bump(500, 5), min_height_db=3.0)) == 1
        assert self.found(flat, 40 + self.bump(500, 12, width=3.0)) == ()
        assert self.found(flat, 5 + self.bump(500, 12)) == ()  # 17 dB, in noise of 10 dB

    def test_a_gap_is_no_edge_of_a_peak(self):
        second = 40 + self.bump(500, 12)
        second[self.grid > 501] = np.nan
        assert self.found(np.full(self.grid.size, 90.0), second) == ()
