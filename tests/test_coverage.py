"""Mean coverage of beams against closed forms."""

import numpy as np
import pytest

from anechain.acoustics.directivity.beam_width import BeamWidth, beam_width
from anechain.acoustics.directivity.coverage import mean_coverage, open_coverage
from beams import BAND, beam_of_half_angles, piston_beam
from directions_of_real import horizontal_and_vertical


def test_the_least_coverage_of_a_beam_that_is_open_in_part():
    """Half an octave of two at 360 degrees, the rest at 90: by hand 157.5 degrees."""
    open_part = 1000 * np.sqrt(2) > BAND
    beam = beam_of_half_angles(
        np.where(open_part, np.nan, 45.0), np.where(open_part, "not reached", "found").astype(str)
    )
    assert mean_coverage(beam, 1000.0, 4000.0).mean_deg is None
    least = open_coverage(beam, 1000.0, 4000.0)
    assert least.mean_deg == pytest.approx((0.5 * 360 + 1.5 * 90) / 2, abs=1.5)
    assert (least.narrowest_deg, least.widest_deg) == (90.0, 360.0)
    assert least.ambiguous_share == 0.0
    front = open_coverage(beam, 1000.0, 4000.0, 90.0, 60.0)
    assert front.widest_deg == 150.0
    mostly = open_coverage(beam, 700.0, 2000.0)
    assert mostly.mean_deg is None and "does not fall by the drop on a side" in mostly.reason
    assert open_coverage(beam, 2000.0, 4000.0) == mean_coverage(beam, 2000.0, 4000.0)


def test_a_beam_that_does_not_end_just_below_the_band_is_the_reason_and_not_the_data():
    grid = np.array([900.0, 1050.0, 2000.0, 4000.0])
    half, words = np.array([np.nan, 170.0, 90.0, 60.0]), np.array(["not reached", "found", "found", "found"])
    found = mean_coverage(
        BeamWidth(grid, 6.0, half, half, half, half, words, words, 0 * half, 0 * half), 1000.0, 4000.0
    )
    assert found.mean_deg is None
    assert (
        "at 1000 Hz, an end of the band, the level does not fall by the drop" in found.reason
        and "data" not in found.reason
    )


def test_mean_coverage_is_over_log_frequency():
    """Half angles that rise by 10 degrees per octave have the mean of the band's ends."""
    half, words = 20 + 10 * np.log2(BAND / 500), np.full(BAND.size, "found")
    found = mean_coverage(
        BeamWidth(BAND, 6.0, half, half + 2, half, half, words, words, 0 * half, 0 * half), 1000.0, 4000.0
    )
    assert found.positive_deg == pytest.approx(40.0, abs=1e-3) and found.negative_deg == pytest.approx(42.0, abs=1e-3)
    assert found.mean_deg == pytest.approx(82.0, abs=1e-3)
    assert (found.narrowest_deg, found.widest_deg) == (pytest.approx(62, abs=0.01), pytest.approx(102, abs=0.01))
    assert found.ambiguous_share == 1.0


def test_no_coverage_where_the_beam_does_not_end():
    found = mean_coverage(piston_beam(), 500.0, 8000.0)
    assert found.mean_deg is None and "not reached on a side" in found.reason


def test_coverage_of_a_real_two_way():
    """A small two-way with a waveguide: ± 40 to 60 degrees (common practice, no source)."""
    speaker, angles, horizontal, _ = horizontal_and_vertical()
    found = mean_coverage(beam_width(speaker.frequency, angles, horizontal), 2500.0, 10000.0)
    assert found.reason == ""
    assert 40 < found.positive_deg < 60 and 40 < found.negative_deg < 60
