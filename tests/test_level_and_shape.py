"""Change of level and change of shape, by hand."""

import numpy as np
import pytest

from anechain.acoustics.nonlinear.level_and_shape import gain_notes, level_and_shape
from compressed_levels import FREQUENCY


def test_level_and_shape_come_apart():
    """1.2 dB less everywhere, 2 dB less still below 100 Hz: the first is the level, the second the shape."""
    delta = np.stack([0 * FREQUENCY, np.where(FREQUENCY < 100, -3.2, -1.2)])
    found = level_and_shape(FREQUENCY, delta, (300.0, 3000.0))
    np.testing.assert_allclose(found.level_db, [0.0, -1.2], atol=1e-12)
    np.testing.assert_allclose(found.shape_db[1], np.where(FREQUENCY < 100, -2.0, 0.0), atol=1e-12)
    # 2 dB over log2(5) of log2(1000) octaves.
    assert found.shape_rms_db[1] == pytest.approx(2 * np.sqrt(np.log(5) / np.log(1000)), rel=0.02)
    masked = np.where(FREQUENCY < 1500, np.nan, delta)
    assert np.isnan(level_and_shape(FREQUENCY, masked, (300.0, 3000.0)).level_db).all()


def test_a_level_that_rises_more_than_the_drive_gets_a_note():
    assert gain_notes([1.0, 2.0], [0.0, -0.3]) == ()
    (words,) = gain_notes([1.0, 2.0, 4.0], [0.0, 6.02, np.nan])
    assert words.startswith("at 2 V the level rises by 6.0 dB more than the drive")
