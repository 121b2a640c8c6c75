"""Level in a band, and level per watt."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anechain.acoustics.curve.sensitivity import BandLevel, characteristic_sensitivity, sensitivity

LINEAR = np.arange(20.0, 20001.0, 5.0)


def at(level):
    return BandLevel(level, 300.0, 3000.0, "")


@pytest.mark.parametrize(
    ("volt", "ohm", "metre", "level", "expected"),
    [(2.83, 8, 1, 90, 89.9952), (2.83, 4, 1, 90, 86.9849), (2, 4, 1, 87, 87.0), (4, 8, 2, 85, 88.0103)],
)
def test_characteristic_sensitivity(volt, ohm, metre, level, expected):
    """IEC 60268-5, 20.3 and 20.4 (as transcribed second hand): L + 20 lg d + 20 lg(sqrt(R 1 W) / U)."""
    assert characteristic_sensitivity(at(level), ohm, volt, metre).level_db == pytest.approx(expected, abs=5e-5)


def test_without_an_impedance_or_a_level_there_is_no_level_per_watt():
    assert characteristic_sensitivity(at(88.0), None).reason == "the impedance is not known"
    lacking = BandLevel(None, 300.0, 3000.0, "why")
    assert characteristic_sensitivity(lacking, 8.0).level_db is None
    assert characteristic_sensitivity(lacking, 8.0).reason == "why"
    with pytest.raises(ValueError, match="rated_ohm must be above zero"):
        characteristic_sensitivity(at(88.0), 0.0)


@given(st.floats(60, 110))
def test_a_flat_curve_has_its_level(level):
    found = sensitivity(LINEAR, np.full(LINEAR.size, level))
    assert found.level_db == pytest.approx(level, abs=1e-9)


def test_a_linear_grid_does_not_overweight_the_top():
    """A step of 10 dB at the geometric middle of the band has the mean of 80 and 70 dB, 77.4036 dB (closed form).

    The mean over the samples of a linear grid would be 74.2 dB: 76 of 100 lie in the upper half.
    """
    level = np.where(np.sqrt(300 * 3000) < LINEAR, 70.0, 80.0)
    assert sensitivity(LINEAR, level).level_db == pytest.approx(77.4036, abs=0.01)


def test_the_band_is_stated_and_can_be_another():
    level = np.where(LINEAR < 1000.0, 80.0, 90.0)
    found = sensitivity(LINEAR, level, (100.0, 900.0))
    assert (found.level_db, found.low_hz, found.high_hz) == (pytest.approx(80.0), 100.0, 900.0)


def test_relative_levels_have_no_sensitivity():
    found = sensitivity(LINEAR, np.zeros(LINEAR.size), level_kind="relative")
    assert found.level_db is None and "relative" in found.reason
    with pytest.raises(ValueError, match="level_kind"):
        sensitivity(LINEAR, np.zeros(LINEAR.size), level_kind="loud")


def test_data_that_do_not_reach_across_the_band_have_none():
    found = sensitivity(LINEAR[LINEAR > 400], np.zeros((LINEAR > 400).sum()))
    assert found.level_db is None and "405" in found.reason
