"""Spread and roughness of a curve."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.curve.linearity import linearity, narrow_band_deviation

GRID = 100 * 2 ** (np.arange(147) / 20)  # to 15.76 kHz


@given(st.floats(-6, 6), st.floats(60, 100))
def test_a_tilt_has_an_eighth_of_itself_as_narrow_band_deviation(slope, level):
    """Ten points 1/20 octave apart: mean |i - 4.5| / 20 = 0.125 (by hand)."""
    found = narrow_band_deviation(GRID, level + slope * np.log2(GRID / 1000), last_band="whole")
    assert found.deviation_db == pytest.approx(0.125 * abs(slope), abs=1e-9)


@pytest.mark.parametrize("step", [0.5, 2.0])
def test_alternating_values_have_their_size_as_narrow_band_deviation(step):
    level = 85 + step * (-1.0) ** np.arange(GRID.size)
    assert narrow_band_deviation(GRID, level, last_band="whole").deviation_db == pytest.approx(step, abs=1e-9)


def test_the_band_mean_is_taken_off_and_not_the_line():
    """A tilt and an alternation do not simply add: the definition as recalled takes off means."""
    both = narrow_band_deviation(
        GRID, np.log2(GRID) + 0.3 * (-1.0) ** np.arange(GRID.size), last_band="whole"
    ).deviation_db
    by_hand = np.mean(np.abs((np.arange(10) - 4.5) / 20 + 0.3 * (-1.0) ** np.arange(10)))
    assert both == pytest.approx(by_hand, abs=1e-9) and both != pytest.approx(0.125 + 0.3, abs=0.01)


def test_thirteen_bands_or_fourteen():
    """100 Hz to 12 kHz is 13.81 half octaves."""
    whole, cut = (narrow_band_deviation(GRID, np.zeros(GRID.size), last_band=reading) for reading in ("whole", "cut"))
    assert (whole.bands, whole.high_hz) == (13, pytest.approx(9050.97, abs=0.01))
    assert (cut.bands, cut.high_hz) == (14, 12000.0)
    with pytest.raises(ValueError, match="last_band"):
        narrow_band_deviation(GRID, np.zeros(GRID.size), last_band="some")
    with pytest.raises(ValueError, match="no half-octave band"):
        narrow_band_deviation(GRID, np.zeros(GRID.size), 1000.0, 1100.0, "whole")


def test_coarse_data_have_no_narrow_band_deviation():
    thirds = 100 * 2 ** (np.arange(25) / 3)
    found = narrow_band_deviation(thirds, np.zeros(25))
    assert found.deviation_db is None and "1/10 octave or finer" in found.reason


def test_a_tilt_in_closed_form():
    """Over n octaves a tilt of s has ± s n / 2 and the standard deviation s n / sqrt(12)."""
    linear = np.arange(50.0, 20000.0, 3.0)
    found = linearity(linear, 90 - 1.5 * np.log2(linear / 400), 200.0, 3200.0)
    assert found.plus_minus_db == pytest.approx(3.0, abs=1e-9)
    assert found.standard_deviation_db == pytest.approx(6 / np.sqrt(12), abs=1e-5)
    assert found.mean_db == pytest.approx(90 - 1.5 * np.log2(2), abs=1e-5)
    assert (found.above_mean_db, found.below_mean_db) == (pytest.approx(3, abs=1e-4), pytest.approx(3, abs=1e-4))


def test_a_ripple_in_closed_form():
    """A sine over whole periods of log frequency: ± its amplitude, standard deviation over sqrt(2)."""
    fine = 200 * 2 ** np.linspace(0, 4, 4801)
    found = linearity(fine, 80 + 2 * np.sin(2 * np.pi * 3 * np.log2(fine / 200)), 200.0, 3200.0)
    assert found.plus_minus_db == pytest.approx(2.0, abs=1e-4)
    assert found.standard_deviation_db == pytest.approx(np.sqrt(2), abs=1e-4)


def test_extremes_may_lie_unevenly():
    found = linearity(GRID, np.where(np.abs(np.log2(GRID / 1000)) < 0.2, 3.0, 0.0), 200.0, 8000.0)
    assert found.above_mean_db > 2.5 and found.below_mean_db < 0.5 and found.plus_minus_db == pytest.approx(1.5)


def test_gaps_are_named():
    level = np.zeros(GRID.size)
    level[60] = np.nan
    found = linearity(GRID, level, 200.0, 8000.0)
    assert found.plus_minus_db is None and "no value at 800 Hz" in found.reason == found.narrow_band.reason
    assert linearity(GRID, np.zeros(GRID.size), 1000.0, 1100.0).narrow_band.reason.startswith("the band is narrower")
