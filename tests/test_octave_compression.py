"""Octave bands of compression, and the level at a limit, against the closed form of a limiter."""

import numpy as np
import pytest

from anechain.acoustics.nonlinear.compression_deltas import NOISE
from anechain.acoustics.nonlinear.octave_compression import limit_reached, octave_bands
from compressed_levels import FREQUENCY, everywhere, fundamental


def test_octave_bands_of_a_clipper_pass_1_db_where_the_closed_form_does():
    """The limiter has lost 1 dB at A = 1.259542 and 3 dB at 1.686740 (closed form, computed apart)."""
    drives = np.geomspace(0.5, 4.0, 91)
    level = everywhere(90 + fundamental(lambda x: np.clip(x, -1, 1), drives, 2**14))
    bands = octave_bands(FREQUENCY, level, drives, np.zeros(level.shape, int))
    assert bands.centre_hz[0] == pytest.approx(31.62, abs=0.01) and bands.centre_hz[-1] == pytest.approx(7943, abs=1)
    for limit, volt in ((-1.0, 1.259542), (-3.0, 1.686740)):
        found = limit_reached(drives, bands.level_db[:, 3], bands.delta_db[:, 3], limit)
        assert found.drive_v == pytest.approx(volt, rel=1e-3) and found.reason == ""
        assert found.level_db == pytest.approx(90 + 20 * np.log10(volt) + limit, abs=0.01)
        assert found.bracket_v[0] < volt < found.bracket_v[1]


def test_a_limit_is_never_extrapolated():
    drives, level = [1.0, 2.0, 4.0], np.array([80.0, 86.0, 91.7])
    found = limit_reached(drives, level, [0.0, -0.02, -0.34])
    assert found.drive_v is None and found.reason == "-1 dB not reached up to 4 V, 91.7 dB"
    missing = limit_reached(drives, [80.0, 86.0, np.nan], [0.0, -0.02, np.nan])
    assert "at higher drives too little" in missing.reason and missing.highest_v == 2.0
    assert "fewer than two" in limit_reached(drives, [80.0, np.nan, np.nan], [0.0, np.nan, np.nan]).reason


def test_a_band_half_masked_has_no_level():
    level = everywhere([80.0, 85.0])
    flag = np.zeros(level.shape, int)
    flag[1, (FREQUENCY > 710) & (FREQUENCY < 1000)] = NOISE
    bands = octave_bands(FREQUENCY, level, [1.0, 2.0], flag)
    at = int(np.argmin(np.abs(bands.centre_hz - 1000)))
    assert np.isnan(bands.level_db[1, at]) and np.isfinite(bands.level_db[0, at])
    assert np.isfinite(np.delete(bands.level_db[1], at)).all()
