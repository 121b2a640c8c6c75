"""Takes in time: a coil that warms up and cools down, by a first-order thermal model that scipy integrates."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from anechain.acoustics.nonlinear.coil_heating import implied_rise
from anechain.acoustics.recording.drift import drift
from anechain.acoustics.recording.take_changes import long_term, recovery
from anechain.acoustics.recording.take_order import first_take_of_each_drive, order_of_drives

FREQUENCY = np.geomspace(100.0, 10_000.0, 41)
BAND = (300.0, 3000.0)
RESISTANCE, THERMAL_RESISTANCE, HEAT_CAPACITY, COPPER = 6.0, 2.0, 20.0, 0.00393


def temperatures(drives, start, lasting):
    """Coil temperature above 20 °C in the middle of each take; the coil is driven only while a take lasts.

    C dT/dt = U^2 / (R0 (1 + a T)) - T / Rth, the lumped model of one thermal resistance and one heat capacity.
    """
    found, warm, clock = [], 0.0, 0.0
    for volt, begin in zip(drives, start, strict=True):
        for drive, until in ((0.0, begin), (volt, begin + lasting / 2), (volt, begin + lasting)):
            if until > clock:
                solved = solve_ivp(
                    lambda _, T, U=drive: (
                        (U**2 / (RESISTANCE * (1 + COPPER * T)) - T / THERMAL_RESISTANCE) / HEAT_CAPACITY
                    ),
                    (clock, until),
                    [warm],
                    rtol=1e-9,
                    atol=1e-9,
                )
                warm, clock = float(solved.y[0, -1]), until
            if drive and until == begin + lasting / 2:
                found.append(warm)
    return np.array(found)


def takes(drives, start, lasting=10.0):
    warm = temperatures(drives, start, lasting)
    level = 90 + 20 * np.log10(np.asarray(drives)) - 20 * np.log10(1 + COPPER * warm)
    return level[:, np.newaxis] + 3 * np.sin(np.log(FREQUENCY)), warm


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
    rise = implied_rise(np.mean(short) + loud.mean_db + cold)
    assert rise == pytest.approx(warm[20], abs=1e-6)
    (back,) = [one for one in recovery(FREQUENCY, level, drives, BAND, start) if one.last == 22]
    assert (back.first, back.louder_v, back.seconds) == (1, 24.495, 15.0) and back.mean_db < -1.5
    after = long_term(FREQUENCY, level, drives, BAND, start)[1]
    assert after.first == 22 and after.seconds == 400.0 and after.mean_db == pytest.approx(-back.mean_db, abs=0.01)


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


@pytest.mark.parametrize(
    ("drives", "order", "repeated"),
    [
        ([1, 2, 4], "rising", False),
        ([1, 2, 2, 4, 1], "rising", True),
        ([4, 2, 1], "falling", False),
        ([1, 4, 2], "neither", False),
        ([2, 2, 2], "one drive", False),
        ([4, 2, 1, 4], "falling", True),
    ],
)
def test_the_order_is_told(drives, order, repeated):
    found = order_of_drives(drives, np.arange(len(drives)) * 30.0)
    assert (found.order, found.repeated_last) == (order, repeated)
    assert found.pauses_s.tolist() == [30.0] * (len(drives) - 1)
    assert bool(found.words) == (order in ("falling", "neither"))
    assert "not timed" in order_of_drives(drives).words


def test_a_reversed_series_hides_the_heat_in_its_reference():
    drives, start = [24.495, 12.25, 1.0], np.array([0.0, 12.0, 24.0])
    _, warm = takes(drives, start)
    found = order_of_drives(drives, start)
    assert found.order == "falling" and "hides in the reference" in found.words
    assert warm[2] > 5.0  # the coil was warm at the lowest drive indeed


def test_the_first_take_of_each_drive_stands_for_the_short_term():
    assert first_take_of_each_drive([1.0, 4.0, 4.0, 2.0, 1.0]) == (0, 3, 1)


def test_times_that_go_back_are_refused():
    level = np.zeros((2, FREQUENCY.size))
    with pytest.raises(ValueError, match="order"):
        long_term(FREQUENCY, level, [1.0, 1.0], BAND, [5.0, 2.0])
    assert long_term(FREQUENCY, level, [1.0, 1.0], BAND, [0.0, np.nan])[0].seconds is None
