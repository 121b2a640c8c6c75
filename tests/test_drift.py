"""Drift between the first take and its repeat."""

import numpy as np
import pytest

from anechain.acoustics.recording.drift import drift
from thermal_coil import FREQUENCY


def test_drift_beyond_the_limit_and_within():
    drives = [1.0, 4.0, 1.0]
    level = 80 + 20 * np.log10(np.array(drives))[:, np.newaxis] + 0 * FREQUENCY
    level[2] += np.where(FREQUENCY < 1000, 0.4, -0.4)
    found = drift(FREQUENCY, level, drives)
    assert found.rms_db == pytest.approx(0.4) and abs(found.mean_db) < 0.02 and found.verdict == "beyond"
    assert (found.first, found.last) == (1, 3)
    assert drift(FREQUENCY, level, drives, limit_db=0.5).verdict == "within"
    # Drives that differ within what counts as one are no drift.
    level[2] = level[0] + 20 * np.log10(1.004)
    assert drift(FREQUENCY, level, [1.0, 4.0, 1.004]).rms_db == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("drives", [[1.0, 2.0, 4.0], [1.0, 1.0, 2.0], [1.0]])
def test_without_a_repeat_drift_is_not_determined(drives):
    found = drift(FREQUENCY, np.zeros((len(drives), FREQUENCY.size)), drives)
    assert found.verdict == "not determined" and "not repeated" in found.reason and found.rms_db is None
