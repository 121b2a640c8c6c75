"""Long-term compression and recovery of a coil that warms up and cools down."""

import numpy as np
import pytest

from anechain.acoustics.nonlinear.coil_heating import implied_temperature_rise
from anechain.acoustics.recording.take_changes import long_term, recovery
from thermal_coil import BAND, COPPER, FREQUENCY, takes


def test_a_coil_that_warms_up_and_recovers():
    """Short term, long term and recovery are those of the model; a long run ends at the closed-form equilibrium."""
    drives = [1.0, *[24.495] * 20, 1.0, 1.0]
    start = np.array([0.0, *np.arange(20) * 15.0 + 15.0, 315.0, 715.0])
    level, warm = takes(drives, start, 15.0)
    # 100 W into 6 ohm: 131.766 K at equilibrium (closed form, computed apart); 300 s are 7.5 time constants cold.
    assert warm[20] == pytest.approx(131.766, abs=0.3)
    loud = long_term(FREQUENCY, level, drives, BAND, start)[0]
    assert (loud.first, loud.last, loud.drive_v, loud.seconds) == (2, 21, 24.495, 285.0)
    expected = -20 * np.log10((1 + COPPER * warm[20]) / (1 + COPPER * warm[1]))
    assert loud.mean_db == pytest.approx(expected, abs=1e-9) and expected < -2
    # Short term and long term together are the whole loss, and it implies the model's temperature.
    short = level[1] - level[0] - 20 * np.log10(24.495)
    cold = -20 * np.log10(1 + COPPER * warm[0])
    rise = implied_temperature_rise(np.mean(short) + loud.mean_db + cold)
    assert rise == pytest.approx(warm[20], abs=1e-6)
    (back,) = [one for one in recovery(FREQUENCY, level, drives, BAND, start) if one.last == 22]
    assert (back.first, back.louder_v, back.seconds) == (1, 24.495, 15.0) and back.mean_db < -1.5
    after = long_term(FREQUENCY, level, drives, BAND, start)[1]
    assert after.first == 22 and after.seconds == 400.0 and after.mean_db == pytest.approx(-back.mean_db, abs=0.01)


def test_times_that_go_back_are_refused():
    level = np.zeros((2, FREQUENCY.size))
    with pytest.raises(ValueError, match="order"):
        long_term(FREQUENCY, level, [1.0, 1.0], BAND, [5.0, 2.0])
    assert long_term(FREQUENCY, level, [1.0, 1.0], BAND, [0.0, np.nan])[0].seconds is None
