"""Bands in which compression exceeds a limit, and their text."""

import numpy as np
import pytest

from anechain.acoustics.nonlinear.exceedance_bands import ExceedanceBand, band_text, exceedance_bands
from compressed_levels import FREQUENCY


def test_bands_between_the_crossings():
    """A delta that falls as a straight line over log frequency below 200 Hz: -1 dB an octave below."""
    delta = np.minimum(0.0, np.log2(FREQUENCY / 200.0))
    (below,) = exceedance_bands(FREQUENCY, delta, -1.0)
    assert below.high_hz == pytest.approx(100.0, rel=1e-3) and (below.low_open, below.high_open) == (True, False)
    assert (below.deepest_hz, below.deepest_db) == (FREQUENCY[0], pytest.approx(-3.3219, abs=1e-4))
    notch = -3.0 * np.maximum(0.0, 1 - np.abs(np.log2(FREQUENCY / 1000.0)))
    (middle,) = exceedance_bands(FREQUENCY, notch, -1.5)
    assert (middle.low_hz, middle.high_hz) == (pytest.approx(707.1, rel=2e-3), pytest.approx(1414.2, rel=2e-3))
    assert exceedance_bands(FREQUENCY, notch, -3.5) == ()
    gap = np.where(FREQUENCY > 1000.0, np.nan, notch)
    assert exceedance_bands(FREQUENCY, gap, -1.5)[0].high_open


@pytest.mark.parametrize(
    ("low_open", "high_open", "words"),
    [
        (True, True, "at least 50 to 80 Hz"),
        (True, False, "up to 80 Hz, from 50 Hz or below"),
        (False, True, "from 50 Hz, up to 80 Hz or above"),
        (False, False, "50 to 80 Hz"),
    ],
)
def test_an_open_end_is_in_the_text(low_open, high_open, words):
    assert band_text(ExceedanceBand(50.0, 50.0, True, True, -2.0, 50.0)) == "at 50 Hz, with no data on either side"
    assert band_text(ExceedanceBand(50.0, 80.0, low_open, high_open, -2.0, 60.0)) == words
