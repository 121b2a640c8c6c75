"""Tests of the effective frequency range against closed forms."""

import numpy as np
import pytest

from anechain.acoustics.curve.effective_range import effective_frequency_range
from anechain.acoustics.curve.frequency_limits import frequency_limits

LINES = 20 * 2 ** (np.arange(961) / 96)


def straight_lines(frequency):
    """Flat from 100 Hz to 10 kHz, 12 dB per octave below, 24 dB per octave above."""
    return np.minimum(0, 12 * np.log2(frequency / 100)) + np.minimum(0, -24 * np.log2(frequency / 10000))


def grid_with_corners(*more):
    return np.unique(np.concatenate([LINES, [100.0, 10000.0], more]))


def test_effective_range_of_straight_lines():
    """IEC 60268-5, 21.2 (second hand); 56.1231 Hz and 13348.40 Hz in closed form."""
    grid = grid_with_corners()
    found = effective_frequency_range(grid, straight_lines(grid))
    assert found.lower[0].first_crossing_hz == pytest.approx(56.1231, rel=1e-5)
    assert found.upper[0].first_crossing_hz == pytest.approx(13348.40, rel=1e-5)
    assert found.reference_db == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("width", "splits"), [(1 / 10, False), (1 / 8, True)])
def test_only_troughs_of_a_ninth_of_an_octave_split_the_range(width, splits):
    """IEC 60268-5, 21.2: narrower ones, at the -10 dB level, are ignored."""
    edges = 500 * 2 ** (np.array([-0.5, 0.5]) * width)
    e = 1 + 1e-9
    grid = grid_with_corners(edges[0] / e**3, edges[0] * e**3, edges[1] / e**3, edges[1] * e**3)
    level = straight_lines(grid) - np.where((grid > edges[0]) & (grid < edges[1]), 20.0, 0.0)
    found = effective_frequency_range(grid, level)
    expected = edges[0] if splits else 13348.40  # the loudest octave, the first of equals, lies below the trough
    assert found.upper[0].first_crossing_hz == pytest.approx(expected, rel=1e-5)
    assert found.upper[0].last_crossing_hz == pytest.approx(13348.40, rel=1e-5)
    assert found.lower[0].first_crossing_hz == pytest.approx(56.1231, rel=1e-5)


def test_another_drop_band_or_trough_may_be_asked():
    """The same straight lines, flat around the loudest band: 6 dB are half an octave below, a quarter above."""
    grid = grid_with_corners()
    found = effective_frequency_range(grid, straight_lines(grid), 6.0, 0.5)
    assert found.lower[0].first_crossing_hz == pytest.approx(100 / np.sqrt(2), rel=1e-3)
    assert found.upper[0].first_crossing_hz == pytest.approx(10000 * 2**0.25, rel=1e-3)
    assert found.lower[0].drop_db == 6.0 and "0.5 octaves" in found.reference
    half = grid_with_corners(500.0, 500.0 / (1 + 1e-9), 700.0, 700.0 * (1 + 1e-9))
    level = straight_lines(half) - np.where((half >= 500) & (half <= 700), 20.0, 0.0)
    assert effective_frequency_range(half, level).upper[0].first_crossing_hz == pytest.approx(500, rel=1e-3)
    wide = effective_frequency_range(half, level, ignored_dip_octaves=0.6)
    assert wide.upper[0].first_crossing_hz == pytest.approx(13348.40, rel=1e-3)
    with pytest.raises(ValueError, match="above zero"):
        effective_frequency_range(grid, straight_lines(grid), octaves=0.0)


def test_less_than_an_octave_has_no_range():
    found = effective_frequency_range([100.0, 120.0, 150.0], [0.0, 0.0, 0.0])
    assert found.reference_db is None and "no whole octave" in found.reason


def test_a_gap_is_not_called_the_end_of_the_data():
    grid = np.geomspace(20.0, 20000.0, 400)
    level = np.full(grid.size, 80.0)
    level[(grid > 200) & (grid < 300)] = np.nan
    limits = frequency_limits(grid, level, 80.0, "the curve", 1000.0, (3.0,))
    assert "have a gap beyond 30" in limits.lower[0].reason and "the data end at 20000 Hz" in limits.upper[0].reason
    found = effective_frequency_range(grid, level)
    assert "a louder band may be in the gap" in found.reference
    assert "gap" not in effective_frequency_range(grid, np.full(grid.size, 80.0)).reference
